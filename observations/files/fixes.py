"""A boat's fixes in order of time, and what a log read beside them; nothing of Django.

Whoever reads a file adds its fixes here one after the other: spikes, gaps and steps back are treated, and counted,
in one way, whatever the file was.
"""

import math
from array import array
from collections import Counter
from dataclasses import dataclass, field

MOST_FIXES = 1_000_000
# Common practice, no source: faster than this between two fixes is a spike; longer without a fix is a gap.
SPIKE_MPS = 40.0
GAP_S = 30.0
# So many spikes on end that agree with each other: it was the fix before them that was wrong.
SPIKES_TO_BELIEVE = 5
EARTH_M = 6_371_008.8
# What a reading can be, in SI: anything else is a fault of its sender.
RANGES = {"speed": (0.0, SPIKE_MPS), "depth": (0.0, 500.0), "temperature": (-2.0, 45.0)}


class LogError(ValueError):
    """The file is no log that can be read; the message says why."""


def rough_metres(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Great-circle distance (haversine) on a sphere: within 0.6 % of the ellipsoid, enough to tell a spike."""
    a = math.sin(math.radians(lat2 - lat1) / 2) ** 2
    a += (
        math.cos(math.radians(lat1))
        * math.cos(math.radians(lat2))
        * math.sin(math.radians(lon2 - lon1) / 2) ** 2
    )
    return 2 * EARTH_M * math.asin(math.sqrt(min(1.0, a)))


@dataclass
class Log:
    """Columns of equal length, one item a fix, in order of time. NaN where the log says nothing.

    `time` is seconds since 1970 (UTC), `lat`/`lon` degrees, `speed` m/s, `depth` metres below the surface as far
    as the log tells the transducer's depth (else below the transducer), `temperature` degrees Celsius. `counts`
    tells what was read and left out, by reason; `gaps` the first 100 as (from, until).
    """

    time: "array[float]" = field(default_factory=lambda: array("d"))
    lat: "array[float]" = field(default_factory=lambda: array("d"))
    lon: "array[float]" = field(default_factory=lambda: array("d"))
    speed: "array[float]" = field(default_factory=lambda: array("d"))
    depth: "array[float]" = field(default_factory=lambda: array("d"))
    temperature: "array[float]" = field(default_factory=lambda: array("d"))
    counts: "Counter[str]" = field(default_factory=Counter)
    gaps: list[tuple[float, float]] = field(default_factory=list)
    _rejected: tuple[float, float, float] | None = None
    _spikes: int = 0

    def fix(self, time: float, lat: float, lon: float) -> bool:
        """Add a fix, unless it is the last one again, earlier than it, or a spike; say whether it is the latest.

        Raises LogError beyond MOST_FIXES.
        """
        if self.time:
            step = time - self.time[-1]
            if step == 0:
                return True
            if step < 0:
                self.counts["out of order"] += 1
                return False
            away = rough_metres(self.lat[-1], self.lon[-1], lat, lon)
            if away > SPIKE_MPS * step and not self._believed(time, lat, lon):
                return False
            if step > GAP_S:
                self.counts["gaps"] += 1
                if len(self.gaps) < 100:
                    self.gaps.append((self.time[-1], time))
        if len(self.time) >= MOST_FIXES:
            raise LogError(f"More than {MOST_FIXES:,} fixes in one file: split it.")
        self._spikes, self._rejected = 0, None
        for column, value in ((self.time, time), (self.lat, lat), (self.lon, lon)):
            column.append(value)
        for column in (self.speed, self.depth, self.temperature):
            column.append(math.nan)
        return True

    def measure(self, name: str, value: float) -> None:
        """Lay a reading (a name of RANGES) to the latest fix, whose time is the last one known."""
        low, high = RANGES[name]
        if not low <= value <= high or (name == "depth" and value == 0):
            self.counts[f"{name} out of range"] += 1
        elif not self.time:
            self.counts["before the first fix"] += 1
        elif self._spikes:
            self.counts["beside a spike"] += 1
        else:
            getattr(self, name)[-1] = value

    def _believed(self, time: float, lat: float, lon: float) -> bool:
        """Count a spike; say whether so many agree that it is the way things are."""
        before = self._rejected
        if before and time == before[0]:
            return False
        agrees = before is not None and rough_metres(before[1], before[2], lat, lon) <= SPIKE_MPS * (
            time - before[0]
        )
        self._spikes = self._spikes + 1 if agrees else 1
        self._rejected = (time, lat, lon)
        if self._spikes >= SPIKES_TO_BELIEVE:
            self.counts["jumps"] += 1
            return True
        self.counts["spikes"] += 1
        return False
