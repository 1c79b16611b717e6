"""GPX 1.1: waypoints in, and out the spots that the viewer sees exactly."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from xml.sax import ContentHandler, SAXException
from xml.sax.xmlreader import AttributesImpl, Locator

import defusedxml.sax
import gpxpy.gpx
from defusedxml.common import DefusedXmlException

from spots.disclosures import held_back
from spots.files.report import refused
from spots.files.rows import SpotRow
from spots.precision import ReleasedSpot

MOST_WAYPOINTS = 20_000
# Some 150,000 track points with their times and elevations, passed over in a second or two.
MOST_TAGS = 1_000_000
NOT_FOR_NAVIGATION = "Not for navigation."
_KEPT = ("name", "desc", "cmt", "sym", "type")
_LONGEST_TEXT = 2_000
_LONGEST_PIECE = 1024 * 1024


@dataclass
class Waypoint:
    """One `wpt` as the file has it: every value is text; `line` is where it starts."""

    line: int
    lat: str
    lon: str
    texts: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return " ".join(self.texts.get("name", "").split())

    @property
    def notes(self) -> str:
        """Description, comment and symbol as text, each once."""
        lines: list[str] = []
        for key in ("desc", "cmt"):
            text = self.texts.get(key, "").strip()
            if text and text not in lines:
                lines.append(text)
        for key, label in (("sym", "symbol"), ("type", "type")):
            if text := self.texts.get(key, "").strip():
                lines.append(f"{label}: {text}")
        return "\n".join(lines)

    @property
    def symbol(self) -> str:
        return " ".join(self.texts.get("sym", "").split())[:80]

    @property
    def row(self) -> SpotRow:
        return SpotRow(self.line, self.name, self.lat, self.lon, self.notes, symbol=self.symbol)


class _Reader(ContentHandler):
    """Collects waypoints while the file streams by; tracks and routes are only counted."""

    def __init__(self) -> None:
        super().__init__()
        self.waypoints: list[Waypoint] = []
        self.others: dict[str, int] = {}
        self._locator: Locator | None = None
        self._path: list[str] = []
        self._text: list[str] = []
        self._length = 0

    def setDocumentLocator(self, locator: Locator) -> None:  # noqa: N802
        self._locator = locator

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802
        local = name.rpartition(":")[2]
        line = self._locator.getLineNumber() or 0 if self._locator else 0
        if not self._path and local != "gpx":
            raise refused(f"This is not GPX: its outermost element is {local}, not gpx.", line=line)
        self._path.append(local)
        self._text, self._length = [], 0
        if self._path == ["gpx", "wpt"]:
            if len(self.waypoints) == MOST_WAYPOINTS:
                raise refused(f"More than {MOST_WAYPOINTS:,} waypoints: split the file.", line=line)
            self.waypoints.append(Waypoint(line, attrs.get("lat", ""), attrs.get("lon", "")))
        elif len(self._path) == 2 and local in ("trk", "rte"):
            self.others[local] = self.others.get(local, 0) + 1
        elif len(self._path) > 50:
            raise refused("Elements are nested too deep for GPX.", line=line)

    def characters(self, content: str) -> None:
        if self._length <= _LONGEST_TEXT:
            self._text.append(content)
            self._length += len(content)

    def endElement(self, name: str) -> None:  # noqa: N802
        if self._path[:2] == ["gpx", "wpt"] and len(self._path) == 3 and self._path[2] in _KEPT:
            self.waypoints[-1].texts[self._path[2]] = "".join(self._text)[:_LONGEST_TEXT]
        self._path.pop()


@dataclass(frozen=True)
class GpxFile:
    """The waypoints of a file, and how many tracks and routes it also has."""

    waypoints: list[Waypoint]
    tracks: int
    routes: int


def parse_safely(data: bytes, reader: ContentHandler) -> None:
    """Send the elements of an XML file to a reader.

    Raises FileError for what is not well-formed, declares entities, or has a piece of text so long that it is
    no GPX (the parser would read it over and over).
    """
    for at in range(0, len(data), _LONGEST_PIECE):
        if data.find(b">", at, at + _LONGEST_PIECE) < 0 and len(data) - at > _LONGEST_PIECE:
            raise refused("This is not GPX: more than a megabyte without the end of an element.")
    try:
        defusedxml.sax.parseString(data, reader, forbid_dtd=True)
    except DefusedXmlException as error:
        raise refused("The file declares a document type or entities; GPX needs neither.") from error
    except SAXException as error:
        line = getattr(error, "getLineNumber", lambda: 0)() or 0
        raise refused(f"This is not well-formed XML: {error.getMessage()}.", line=line) from error
    except (LookupError, ValueError) as error:
        raise refused("The file's encoding cannot be read; save it as UTF-8.") from error


def read_gpx(data: bytes) -> GpxFile:
    """Read the waypoints. Raises FileError for what is not well-formed GPX, or declares entities."""
    if data.count(b"<") > MOST_TAGS:
        raise refused(f"More than {MOST_TAGS:,} tags: split the file, or leave its tracks out.")
    reader = _Reader()
    parse_safely(data, reader)
    return GpxFile(reader.waypoints, reader.others.get("trk", 0), reader.others.get("rte", 0))


def write_gpx(spots: Iterable[ReleasedSpot]) -> str:
    """Return a GPX 1.1 document of the spots released exactly, with a position; others are left out."""
    document = gpxpy.gpx.GPX()
    document.creator = "Tallow"
    spots = list(spots)
    held = held_back(sum(spot.held for spot in spots))
    document.description = f"{NOT_FOR_NAVIGATION} {held.words}" if held else NOT_FOR_NAVIGATION
    for spot in spots:
        if spot.precision != "exact" or spot.geometry is None:
            continue
        longitude, latitude = spot.geometry["coordinates"]
        what = ", ".join(word for word in (spot.cover, spot.structure) if word and word != "none")
        document.waypoints.append(
            gpxpy.gpx.GPXWaypoint(
                latitude=latitude,
                longitude=longitude,
                name=for_xml(spot.label),
                description=for_xml(f"{what}. {NOT_FOR_NAVIGATION}" if what else NOT_FOR_NAVIGATION),
            )
        )
    return str(document.to_xml(version="1.1"))


def for_xml(text: str) -> str:
    """Return text without the characters that XML 1.0 has no way to write."""
    return "".join(c for c in text if (c >= " " and c not in "\ufffe\uffff") or c in "\t\n\r")
