"""Read an NMEA 0183 log: position, speed, depth and water temperature by time; nothing of Django.

The log is read line by line, so memory holds the fixes and never the file. Whatever is left out is counted under
its reason. Formats of the sentences: those that published parsers' tests hold (see the test beside this).
"""

import math
from array import array
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import BinaryIO

# A sentence has 82 characters at most; loggers put a time or a tag block before it.
LONGEST_LINE = 1024
# So many lines without one valid sentence, and the file is something else.
LINES_TO_TELL = 200
MOST_FIXES = 1_000_000
# Common practice, no source: faster than this between two fixes is a spike; longer without a fix is a gap.
SPIKE_MPS = 40.0
GAP_S = 30.0
# So many spikes on end that agree with each other: it was the fix before them that was wrong.
SPIKES_TO_BELIEVE = 5
KNOT = 1852 / 3600
EARTH_M = 6_371_008.8


class LogError(ValueError):
    """The file is no NMEA 0183 log that can be read; the message says why."""


@dataclass
class Log:
    """Columns of equal length, one item a fix, in order of time. NaN where the log says nothing.

    `time` is seconds since 1970 (UTC), `lat`/`lon` degrees, `speed` m/s, `depth` metres below the surface as far
    as the log tells the transducer's depth (else below the transducer), `temperature` degrees Celsius. `counts`
    tells sentences read and left out, by reason; `gaps` the first 100 as (from, until).
    """

    time: "array[float]" = field(default_factory=lambda: array("d"))
    lat: "array[float]" = field(default_factory=lambda: array("d"))
    lon: "array[float]" = field(default_factory=lambda: array("d"))
    speed: "array[float]" = field(default_factory=lambda: array("d"))
    depth: "array[float]" = field(default_factory=lambda: array("d"))
    temperature: "array[float]" = field(default_factory=lambda: array("d"))
    counts: "Counter[str]" = field(default_factory=Counter)
    gaps: list[tuple[float, float]] = field(default_factory=list)


def sentence(line: bytes) -> list[str] | None:
    """Return the fields of the sentence in a line, address first; none without one.

    Raises ValueError where the checksum is wrong or missing, or the text is not ASCII.
    """
    start = line.find(b"$")
    if start < 0:
        return None
    body, star, given = line[start + 1 :].strip().rpartition(b"*")
    if not star:
        raise ValueError("no checksum")
    total = 0
    for byte in body:
        total ^= byte
    if len(given) != 2 or int(given, 16) != total:
        raise ValueError("bad checksum")
    return body.decode("ascii").split(",")


def read(stream: BinaryIO) -> Log:
    """Read a whole log. Raises LogError where it is none; a bad sentence is only counted."""
    reader = _Reader()
    number = 0
    while line := stream.readline(LONGEST_LINE + 1):
        number += 1
        if len(line) > LONGEST_LINE:
            raise LogError(f"Line {number} is longer than {LONGEST_LINE} bytes: no NMEA 0183 log.")
        if number == 1 and line[:2] in (b"\xff\xfe", b"\xfe\xff"):
            raise LogError("The file is UTF-16; an NMEA 0183 log is plain ASCII.")
        reader.take(line)
        if number == LINES_TO_TELL and not reader.log.counts["sentences"]:
            raise LogError(f"No valid NMEA 0183 sentence in the first {LINES_TO_TELL} lines.")
    if not reader.log.counts["sentences"]:
        raise LogError("No valid NMEA 0183 sentence in the file.")
    return reader.log


def _angle(text: str, side: str, sides: str, most: float) -> float:
    """Degrees from ddmm.mmm and a side. Raises ValueError out of range."""
    raw = float(text)
    degrees, minutes = divmod(raw, 100)
    value = degrees + minutes / 60
    if side not in sides or len(side) != 1 or not 0 <= value <= most or minutes >= 60:
        raise ValueError("position out of range")
    return -value if side in "SW" else value


def _clock(text: str) -> float:
    """Seconds of the day from hhmmss.sss. Raises ValueError."""
    hours, minutes, seconds = int(text[:2]), int(text[2:4]), float(text[4:])
    if not (0 <= hours < 24 and 0 <= minutes < 60 and 0 <= seconds < 61):
        raise ValueError("time out of range")
    return hours * 3600 + minutes * 60 + seconds


def _day(day: int, month: int, year: int) -> float:
    return datetime(year, month, day, tzinfo=UTC).timestamp()


def _metres(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Great-circle distance (haversine) on a sphere: within 0.6 % of the ellipsoid, enough to tell a spike."""
    a = math.sin(math.radians(lat2 - lat1) / 2) ** 2
    a += (
        math.cos(math.radians(lat1))
        * math.cos(math.radians(lat2))
        * math.sin(math.radians(lon2 - lon1) / 2) ** 2
    )
    return 2 * EARTH_M * math.asin(math.sqrt(min(1.0, a)))


class _Reader:
    def __init__(self) -> None:
        self.log = Log()
        self.midnight: float | None = None
        self.last_clock = 0.0
        self.rejected: tuple[float, float, float] | None = None
        self.spikes = 0
        self.depth_from = ""
        self.handlers = {
            "RMC": self._rmc,
            "GGA": self._gga,
            "GLL": self._gll,
            "ZDA": self._zda,
            "DPT": self._dpt,
            "DBS": self._dbs,
            "DBT": self._dbt,
            "MTW": self._mtw,
            "VTG": self._vtg,
        }

    def take(self, line: bytes) -> None:
        counts = self.log.counts
        try:
            parts = sentence(line)
        except UnicodeDecodeError:
            counts["not ASCII"] += 1
            return
        except ValueError:
            counts["bad checksum"] += 1
            return
        if parts is None:
            counts["not a sentence"] += bool(line.strip())
            return
        counts["sentences"] += 1
        # By a list: the sender chooses the name, and must not reach any other method.
        handler = self.handlers.get(parts[0][2:]) if len(parts[0]) == 5 else None
        if handler is None:
            counts["other sentences"] += 1
            return
        try:
            handler(parts)
        except (ValueError, IndexError, OverflowError):
            counts["unreadable fields"] += 1

    def _rmc(self, p: list[str]) -> None:
        if p[2] != "A":
            self.log.counts["no fix"] += 1
            return
        clock = _clock(p[1])
        lat, lon = _angle(p[3], p[4], "NS", 90), _angle(p[5], p[6], "EW", 180)
        year = int(p[9][4:6])
        # Two digits; the satellites' first year is 1980.
        self.midnight = _day(int(p[9][:2]), int(p[9][2:4]), year + (1900 if year >= 80 else 2000))
        self.last_clock = clock
        self._fix(clock, lat, lon)
        if p[7]:
            self._measure("speed", float(p[7]) * KNOT, 0, SPIKE_MPS)

    def _gga(self, p: list[str]) -> None:
        if p[6] in ("", "0"):
            self.log.counts["no fix"] += 1
            return
        self._fix(_clock(p[1]), _angle(p[2], p[3], "NS", 90), _angle(p[4], p[5], "EW", 180))

    def _gll(self, p: list[str]) -> None:
        if p[6] != "A":
            self.log.counts["no fix"] += 1
            return
        self._fix(_clock(p[5]), _angle(p[1], p[2], "NS", 90), _angle(p[3], p[4], "EW", 180))

    def _zda(self, p: list[str]) -> None:
        clock = _clock(p[1])
        self.midnight, self.last_clock = _day(int(p[2]), int(p[3]), int(p[4])), clock

    def _dpt(self, p: list[str]) -> None:
        offset = float(p[2]) if p[2] else 0.0
        # Above zero: from transducer to water line. Below: to the keel, which says nothing of the surface.
        self._depth("DPT", float(p[1]) + max(offset, 0.0))

    def _dbs(self, p: list[str]) -> None:
        self._depth("DBS", self._length(p))

    def _dbt(self, p: list[str]) -> None:
        self._depth("DBT", self._length(p))

    def _mtw(self, p: list[str]) -> None:
        if p[2] != "C":
            raise ValueError("unit")
        self._measure("temperature", float(p[1]), -2, 45)

    def _vtg(self, p: list[str]) -> None:
        if p[5]:
            self._measure("speed", float(p[5]) * KNOT, 0, SPIKE_MPS)

    @staticmethod
    def _length(p: list[str]) -> float:
        # The three units disagree in their last digits: metres are taken.
        return float(p[3]) if p[3] else float(p[1]) * 0.3048

    def _depth(self, source: str, metres: float) -> None:
        # A log has DPT and DBT of the same ping; the one that knows its transducer's depth stands.
        if source == "DBT" and self.depth_from not in ("", "DBT"):
            return
        self.depth_from = source
        self._measure("depth", metres, 0, 500)

    def _measure(self, name: str, value: float, low: float, high: float) -> None:
        """Lay a reading to the latest fix, whose time is the last one known."""
        if not low <= value <= high or (name == "depth" and value == 0):
            self.log.counts[f"{name} out of range"] += 1
        elif not self.log.time:
            self.log.counts["before the first fix"] += 1
        elif self.spikes:
            self.log.counts["beside a spike"] += 1
        else:
            getattr(self.log, name)[-1] = value

    def _fix(self, clock: float, lat: float, lon: float) -> None:
        log = self.log
        if self.midnight is None:
            log.counts["before the first date"] += 1
            return
        # Sentences without a date go on past midnight.
        if clock < self.last_clock - 43_200:
            self.midnight += 86_400
        self.last_clock = clock
        time = self.midnight + clock
        if log.time:
            step = time - log.time[-1]
            if step == 0:
                return
            if step < 0:
                log.counts["out of order"] += 1
                return
            if _metres(log.lat[-1], log.lon[-1], lat, lon) > SPIKE_MPS * step and not self._believed(
                time, lat, lon
            ):
                return
            if step > GAP_S:
                log.counts["gaps"] += 1
                if len(log.gaps) < 100:
                    log.gaps.append((log.time[-1], time))
        if len(log.time) >= MOST_FIXES:
            raise LogError(f"More than {MOST_FIXES} fixes in one log: split it.")
        self.spikes, self.rejected = 0, None
        for column, value in ((log.time, time), (log.lat, lat), (log.lon, lon)):
            column.append(value)
        for column in (log.speed, log.depth, log.temperature):
            column.append(math.nan)

    def _believed(self, time: float, lat: float, lon: float) -> bool:
        """Count a spike; say whether so many agree that it is the way things are."""
        before = self.rejected
        if before and time == before[0]:
            return False
        agrees = before is not None and _metres(before[1], before[2], lat, lon) <= SPIKE_MPS * (
            time - before[0]
        )
        self.spikes = self.spikes + 1 if agrees else 1
        self.rejected = (time, lat, lon)
        if self.spikes >= SPIKES_TO_BELIEVE:
            self.log.counts["jumps"] += 1
            return True
        self.log.counts["spikes"] += 1
        return False
