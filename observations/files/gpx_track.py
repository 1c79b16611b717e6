"""Read the tracks and waypoints of a GPX 1.1 file: fixes by time, with depth and water temperature where given."""

import math
from array import array
from dataclasses import dataclass, field
from datetime import UTC, datetime
from xml.sax import ContentHandler
from xml.sax.saxutils import escape
from xml.sax.xmlreader import AttributesImpl

import numpy as np

from observations.files.fixes import GAP_S, MOST_FIXES, Log
from observations.files.track import Track
from spots.files.gpx import MOST_WAYPOINTS, parse_safely
from spots.files.report import refused

# Names of readings in a point's extensions, in whatever namespace. From memory, no published list.
_READINGS = {
    "speed": "speed",
    "depth": "depth",
    "wtemp": "temperature",
    "watertemp": "temperature",
}
_TEXTS = ("name", "desc", "cmt", "sym", "type")
_LONGEST_TEXT = 2_000
# Before the satellites' first day nobody had a fix; after it, a calendar of four digits ends.
FIRST = datetime(1980, 1, 6, tzinfo=UTC).timestamp()
LAST = datetime(9998, 1, 1, tzinfo=UTC).timestamp()
_DEEPEST = 50


@dataclass
class Mark:
    """One waypoint: its place in degrees, its time (seconds since 1970, NaN without one), and its texts."""

    lat: float
    lon: float
    time: float = math.nan
    texts: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return " ".join(self.texts.get("name", "").split())


@dataclass
class GpxDay:
    """The fixes of a file's tracks in order of time, and its waypoints."""

    log: Log
    marks: list[Mark]


class _Segment:
    """The points of one track segment, as they stand in the file."""

    def __init__(self) -> None:
        self.time, self.lat, self.lon = array("d"), array("d"), array("d")
        self.readings: dict[str, dict[int, float]] = {name: {} for name in set(_READINGS.values())}


class _Reader(ContentHandler):
    def __init__(self) -> None:
        super().__init__()
        self.segments: list[_Segment] = []
        self.marks: list[Mark] = []
        self.log = Log()
        self.points = 0
        self._path: list[str] = []
        self._text: list[str] = []
        self._length = 0
        self._here: tuple[float, float] | None = None
        self._time = math.nan
        self._read: dict[str, float] = {}

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802
        local = name.rpartition(":")[2]
        if not self._path and local != "gpx":
            raise refused(f"This is not GPX: its outermost element is {local}, not gpx.")
        self._path.append(local)
        if len(self._path) > _DEEPEST:
            raise refused("Elements are nested too deep for GPX.")
        self._text, self._length = [], 0
        if local == "trkseg":
            self.segments.append(_Segment())
        elif local == "trkpt" and self.segments:
            self.points += 1
            if self.points > MOST_FIXES:
                raise refused(f"More than {MOST_FIXES:,} points: split the file.")
            self._here, self._time, self._read = self._place(attrs), math.nan, {}
        elif self._path == ["gpx", "wpt"]:
            if len(self.marks) == MOST_WAYPOINTS:
                raise refused(f"More than {MOST_WAYPOINTS:,} waypoints: split the file.")
            self._here, self._time = self._place(attrs), math.nan
            self.marks.append(Mark(*(self._here or (math.nan, math.nan))))

    def _place(self, attrs: AttributesImpl) -> tuple[float, float] | None:
        try:
            lat, lon = float(attrs.get("lat", "")), float(attrs.get("lon", ""))
        except ValueError:
            lat = lon = math.nan
        if abs(lat) <= 90 and abs(lon) <= 180:
            return lat, lon
        self.log.counts["position out of range"] += 1
        return None

    def characters(self, content: str) -> None:
        if self._length <= _LONGEST_TEXT:
            self._text.append(content)
            self._length += len(content)

    def endElement(self, name: str) -> None:  # noqa: N802
        local = self._path[-1]
        if "trkpt" in self._path:
            self._end_in_point(local)
        elif self._path[:2] == ["gpx", "wpt"]:
            self._end_in_mark(local)
        self._path.pop()

    def _end_in_point(self, local: str) -> None:
        if local == "time" and self._path[-2] == "trkpt":
            self._time = self._instant()
        elif (column := _READINGS.get(local.casefold())) is not None:
            try:
                self._read[column] = float("".join(self._text))
            except ValueError:
                self.log.counts["unreadable fields"] += 1
        elif local == "trkpt" and self.segments and self._here:
            if math.isnan(self._time):
                self.log.counts["without a time"] += 1
                return
            segment = self.segments[-1]
            for name, value in self._read.items():
                segment.readings[name][len(segment.time)] = value
            segment.time.append(self._time)
            segment.lat.append(self._here[0])
            segment.lon.append(self._here[1])

    def _end_in_mark(self, local: str) -> None:
        if len(self._path) == 3 and local == "time":
            self.marks[-1].time = self._instant()
        elif len(self._path) == 3 and local in _TEXTS:
            self.marks[-1].texts[local] = "".join(self._text)[:_LONGEST_TEXT]

    def _instant(self) -> float:
        """Seconds since 1970; without an offset it is UTC, as GPX 1.1 says of its times."""
        try:
            value = datetime.fromisoformat("".join(self._text).strip())
            time = (value if value.utcoffset() is not None else value.replace(tzinfo=UTC)).timestamp()
        except (ValueError, OverflowError):
            self.log.counts["unreadable fields"] += 1
            return math.nan
        if not FIRST <= time < LAST:
            self.log.counts["time out of range"] += 1
            return math.nan
        return time


def read(data: bytes) -> GpxDay:
    """Read a file's tracks and waypoints.

    Segments may stand in any order. Raises FileError for what is not well-formed GPX or declares entities, and
    LogError beyond the most fixes. A point that cannot be used is only counted.
    """
    # Before it is read. With a prefix, start and end tags look alike.
    if data.count(b"<trkpt") + data.count(b":trkpt") // 2 > MOST_FIXES:
        raise refused(f"More than {MOST_FIXES:,} points: split the file.")
    reader = _Reader()
    parse_safely(data, reader)
    log = reader.log
    log.counts["points"] = reader.points
    for segment in sorted((one for one in reader.segments if one.time), key=lambda one: one.time[0]):
        for n, (time, lat, lon) in enumerate(zip(segment.time, segment.lat, segment.lon, strict=True)):
            if not log.fix(time, lat, lon):
                continue
            for name, values in segment.readings.items():
                if n in values:
                    log.measure(name, values[n])
    return GpxDay(log, [mark for mark in reader.marks if not math.isnan(mark.lat)])


def write(track: Track, name: str) -> str:
    """Return a GPX 1.1 document of a track, a segment between gaps; `read` reads it back as it was.

    Times to a hundredth of a second, degrees to 1e-7. Readings stand in each point's extensions.
    """
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx xmlns="http://www.topografix.com/GPX/1/1"'
        ' xmlns:t="urn:tallow:track" version="1.1" creator="Tallow">\n'
        f"<trk><name>{escape(name)}</name><desc>Not for navigation.</desc>"
    ]
    edges = np.flatnonzero(np.diff(track.time) > GAP_S) + 1
    for first, last in zip([0, *edges], [*edges, len(track)], strict=True):
        parts.append("<trkseg>\n")
        parts += [_point(track, n) for n in range(int(first), int(last))]
        parts.append("</trkseg>")
    parts.append("</trk>\n</gpx>\n")
    return "".join(parts)


def _point(track: Track, n: int) -> str:
    at = datetime.fromtimestamp(round(float(track.time[n]), 2), UTC).isoformat(timespec="milliseconds")
    told = [
        f"<t:{element}>{values[n]:.2f}</t:{element}>"
        for element, values in (("depth", track.depth), ("wtemp", track.temperature), ("speed", track.speed))
        if not math.isnan(values[n])
    ]
    more = f"<extensions>{''.join(told)}</extensions>" if told else ""
    return (
        f'<trkpt lat="{track.lat[n]:.7f}" lon="{track.lon[n]:.7f}">'
        f"<time>{at.replace('+00:00', 'Z')}</time>{more}</trkpt>\n"
    )
