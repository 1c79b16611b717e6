"""Keeps a site's programs running, and ends them in order."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from club.boot.procs import Child
from club.boot.words import failure, say

# A program that falls this often within the time has something that a restart does not mend.
FALLS = 5
WITHIN_SECONDS = 60.0


@dataclass
class Record:
    """When one program fell, and how long to wait before it is started again."""

    clock: Callable[[], float] = time.monotonic
    falls: list[float] = field(default_factory=list)

    def fell(self) -> float | None:
        """Note a fall; return the seconds to wait (0, 1, 2, 4 …), or None when it is hopeless."""
        now = self.clock()
        self.falls = [moment for moment in self.falls if now - moment < WITHIN_SECONDS] + [now]
        if len(self.falls) >= FALLS:
            return None
        return 0.0 if len(self.falls) == 1 else 2.0 ** (len(self.falls) - 2)


class Supervisor:
    """Programs in the order in which they are stopped."""

    def __init__(self) -> None:
        self.children: list[Child] = []
        self._records: dict[str, Record] = {}
        self._due: dict[str, float] = {}

    def start(self, child: Child) -> None:
        """Start one more, to be watched from now on."""
        self.children.append(child)
        child.start()

    def tend(self) -> None:
        """Start again whatever has ended by itself; raise Stop when that does not help."""
        for child in self.children:
            if child.name in self._due:
                if time.monotonic() >= self._due[child.name]:
                    del self._due[child.name]
                    child.start()
            elif child.ended() is not None:
                self._due[child.name] = time.monotonic() + self.note_fall(child)
                child.stop()

    def note_fall(self, child: Child) -> float:
        """Count a fall, and say so; return the seconds to wait before the next start."""
        pause = self._records.setdefault(child.name, Record()).fell()
        if pause is None:
            raise failure(f"{child.name} keeps ending: it", child.printed(), child.log)
        say(f"{child.name} ended; starting it again. Its log: {child.log}")
        return pause

    def stop(self) -> None:
        """End them one after the other."""
        for child in self.children:
            child.stop()
        self.children.clear()
