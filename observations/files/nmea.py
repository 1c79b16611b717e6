"""Read an NMEA 0183 log: position, speed, depth and water temperature by time; nothing of Django.

The log is read line by line, so memory holds the fixes and never the file. Whatever is left out is counted under
its reason. Formats of the sentences: those that published parsers' tests hold (see the test beside this).
"""

from datetime import UTC, datetime
from typing import BinaryIO

from observations.files.fixes import Log, LogError

# A sentence has 82 characters at most; loggers put a time or a tag block before it.
LONGEST_LINE = 1024
# So many lines without one valid sentence, and the file is something else.
LINES_TO_TELL = 200
KNOT = 1852 / 3600


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


class _Reader:
    def __init__(self) -> None:
        self.log = Log()
        self.midnight: float | None = None
        self.last_clock = 0.0
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
            self.log.measure("speed", float(p[7]) * KNOT)

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
        self.log.measure("temperature", float(p[1]))

    def _vtg(self, p: list[str]) -> None:
        if p[5]:
            self.log.measure("speed", float(p[5]) * KNOT)

    @staticmethod
    def _length(p: list[str]) -> float:
        # The three units disagree in their last digits: metres are taken.
        return float(p[3]) if p[3] else float(p[1]) * 0.3048

    def _depth(self, source: str, metres: float) -> None:
        # A log has DPT and DBT of the same ping; the one that knows its transducer's depth stands.
        if source == "DBT" and self.depth_from not in ("", "DBT"):
            return
        self.depth_from = source
        self.log.measure("depth", metres)

    def _fix(self, clock: float, lat: float, lon: float) -> None:
        if self.midnight is None:
            self.log.counts["before the first date"] += 1
            return
        # Sentences without a date go on past midnight.
        if clock < self.last_clock - 43_200:
            self.midnight += 86_400
        self.last_clock = clock
        self.log.fix(self.midnight + clock, lat, lon)
