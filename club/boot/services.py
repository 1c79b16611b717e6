"""PostgreSQL and Redis for as long as somebody uses them.

Whoever holds the lock on `<state>/services.lock` runs them; everyone else joins. Users hold a shared lock
on `<state>/users.lock`, so that a short command that happened to start the servers waits for those who
joined. `ready` is written last and removed first.
"""

import fcntl
import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO
from urllib.parse import quote

from club.boot.broker import Broker
from club.boot.cluster import Cluster
from club.boot.procs import Child
from club.boot.words import Stop, say


class Services:
    """The two servers in one state folder."""

    def __init__(self, state: Path) -> None:
        self.state = state
        self.cluster = Cluster(state)
        self.broker = Broker(state)
        self.ready = state / "ready"
        self._children: list[Child] = []
        self._lock: IO[str] | None = None
        self._users: IO[str] | None = None

    @property
    def ours(self) -> bool:
        """Whether this process runs them, rather than having joined."""
        return self._lock is not None

    def environment(self, database: str) -> dict[str, str]:
        """Return DATABASE_URL and REDIS_URL; the login role is added by settings from TALLOW_DB_ROLE."""
        return {
            "DATABASE_URL": f"postgresql:///{database}?host={quote(self.cluster.socket_folder(), safe='')}",
            "REDIS_URL": f"unix://{self.broker.socket_path()}",
        }

    def enter(self) -> None:
        """Join running servers, or start them."""
        deadline = time.monotonic() + 180
        while not (self._start() or self._join()):
            if time.monotonic() > deadline:
                raise Stop(
                    f"Another command holds {self.state / 'services.lock'} and its servers do not come up."
                )
            time.sleep(0.1)

    def leave(self, *, wait_for_others: bool) -> None:
        """Let go of the servers; when they are ours, stop them: Redis, then PostgreSQL."""
        if self._lock is None:
            if self._users:
                self._users.close()
                self._users = None
            return
        self._users = _open(self.state / "users.lock")
        if not _locked(self._users, fcntl.LOCK_EX) and wait_for_others:
            say("Waiting for other commands that use the database …")
            fcntl.flock(self._users, fcntl.LOCK_EX)
        self.ready.unlink(missing_ok=True)
        self._stop_children()
        self._users.close()
        self._lock.close()
        self._users = self._lock = None

    def fallen(self) -> list[Child]:
        """Return our servers that have ended by themselves."""
        return [child for child in self._children if child.ended() is not None]

    def revive(self, child: Child) -> None:
        """Start a fallen server again, healing what it left."""
        child.stop()
        start = self.cluster.start if child is self._children[0] else self.broker.start
        self._children[self._children.index(child)] = start()

    def _start(self) -> bool:
        lock = _open(self.state / "services.lock")
        if not _locked(lock, fcntl.LOCK_EX):
            lock.close()
            return False
        self._lock = lock
        self.ready.unlink(missing_ok=True)
        try:
            self._children.append(self.cluster.start())
            self._children.append(self.broker.start())
        except BaseException:
            self._stop_children()
            lock.close()
            self._lock = None
            raise
        self.ready.write_text(json.dumps({"pid": os.getpid()}))
        return True

    def _join(self) -> bool:
        users = _open(self.state / "users.lock")
        if _locked(users, fcntl.LOCK_SH) and self.ready.exists():
            self._users = users
            return True
        users.close()
        return False

    def _stop_children(self) -> None:
        for child in reversed(self._children):
            child.stop()
        self._children.clear()


@contextmanager
def running(state: Path, *, wait_for_others: bool = True) -> Iterator[Services]:
    """Keep the servers up inside the block."""
    services = Services(state)
    services.enter()
    try:
        yield services
    finally:
        services.leave(wait_for_others=wait_for_others)


def _open(path: Path) -> IO[str]:
    return path.open("a+")


def _locked(file: IO[str], how: int) -> bool:
    try:
        fcntl.flock(file, how | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True
