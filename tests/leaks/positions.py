"""Finding a position in anything: text or bytes, in the notations that files, pages and databases use.

`finds` looks at the body itself and at everything it unfolds to (tests/leaks/unfolding.py): what was
compressed, encoded, escaped or written into a picture's metadata.
"""

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from math import cos, hypot, log, pi, radians, tan

from tests.leaks.unfolding import unfold

# Squares of a zone may be drawn; their corners are public. Canaries lie far from any of them.
NEAR_DEGREES = 0.0008
# A map square of this zoom has some 19 ha at 45 degrees: finer than any zone of the suggested policy (50 ha).
FINE_ZOOM = 16
FINEST_ZOOM = 22

_DECIMAL = re.compile(rb"-?\d{1,3}\.\d{4,}")
_SCIENTIFIC = re.compile(rb"-?\d\.\d{4,}[eE][+-]?\d{1,2}")
_SCALED = re.compile(rb"(?<![\d.])-?\d{7,10}(?![\d.])")
_COMMA = re.compile(rb"-?\d{1,3},\d{4,8}(?!\d)")
_SIGN = rb"(?:\xc2\xb0|\xc2\xba|\xb0|&deg;|\s|:|-|d|\xe2\x80\xaf|\xc2\xa0)+"
_MINUTE = rb"\s*(?:'|\xe2\x80\xb2|\xe2\x80\x99|&#x27;|&#39;|&prime;|\s|:|-|m)\s*"
_MINUTES = re.compile(rb"(?<!\d)(\d{1,3})" + _SIGN + rb"(\d{1,2}\.\d{2,})")
_SECONDS = re.compile(rb"(?<!\d)(\d{1,3})" + _SIGN + rb"(\d{1,2})" + _MINUTE + rb"(\d{1,2}(?:\.\d+)?)")
_NMEA = re.compile(rb"(?<!\d)(\d{2,3})(\d{2}\.\d{2,})")
_METRES = re.compile(rb"(?<!\d)-?\d{6,8}(?:\.\d+)?")
_PAIR = re.compile(rb"(-?\d{1,3}\.\d+)\s*[,\s]\s*(-?\d{1,3}\.\d+)")


@dataclass(frozen=True)
class Canary:
    """One hidden place: its name, its point in degrees, and other words that nobody else may read."""

    name: str
    lon: float
    lat: float
    words: tuple[str, ...] = ()


def mercator(lon: float, lat: float) -> tuple[float, float]:
    """Return Web Mercator metres (EPSG:3857)."""
    radius = 6378137.0
    return radius * radians(lon), radius * log(tan(pi / 4 + radians(lat) / 2))


def tile(lon: float, lat: float, zoom: int) -> tuple[int, int]:
    """Return column and row of the map square (OGC WebMercatorQuad) of a point."""
    x, y = mercator(lon, lat)
    half = pi * 6378137.0
    number: int = 2**zoom
    return int((x + half) / (2 * half) * number), int((half - y) / (2 * half) * number)


def quadkey(lon: float, lat: float, zoom: int) -> str:
    """Return the square's quadkey: one digit a zoom, a column's bit and twice a row's."""
    x, y = tile(lon, lat, zoom)
    return "".join(str((x >> bit & 1) + 2 * (y >> bit & 1)) for bit in range(zoom - 1, -1, -1))


def _close(value: float, target: float, within: float) -> bool:
    return abs(abs(value) - abs(target)) <= within


def _is_near(value: float, canary: Canary) -> bool:
    return _close(value, canary.lon, NEAR_DEGREES) or _close(value, canary.lat, NEAR_DEGREES)


@cache
def _packed(canary: Canary) -> tuple[bytes, ...]:
    """The point's numbers as doubles and singles, in either byte order, in degrees and in metres."""
    x, y = mercator(canary.lon, canary.lat)
    values = (canary.lon, canary.lat, x, y)
    return tuple(struct.pack(order + "d", value) for order in "<>" for value in values)


@cache
def _tiles(canary: Canary) -> re.Pattern[bytes]:
    """Column and row of a fine square near each other, in either order; or its quadkey."""
    ways = [quadkey(canary.lon, canary.lat, FINE_ZOOM)]
    for zoom in range(FINE_ZOOM, FINEST_ZOOM + 1):
        x, y = tile(canary.lon, canary.lat, zoom)
        between = r"(?!\d)\D{1,16}(?<!\d)"
        ways += [rf"(?<!\d){x}{between}{y}(?!\d)", rf"(?<!\d){y}{between}{x}(?!\d)"]
    return re.compile("|".join(ways).encode())


def _decimal(body: bytes, canary: Canary) -> bool:
    return any(
        _is_near(float(match.group()), canary)
        for way in (_DECIMAL, _SCIENTIFIC)
        for match in way.finditer(body)
    )


def _comma(body: bytes, canary: Canary) -> bool:
    """A decimal comma, as a spreadsheet of another country writes it: both numbers must be there."""
    values = [float(match.group().replace(b",", b".")) for match in _COMMA.finditer(body)]
    return any(_close(v, canary.lon, NEAR_DEGREES) for v in values) and any(
        _close(v, canary.lat, NEAR_DEGREES) for v in values
    )


def _scaled(body: bytes, canary: Canary) -> bool:
    """Whole millionths or ten-millionths of a degree."""
    values = [int(match.group()) for match in _SCALED.finditer(body)]
    return any(_is_near(value / scale, canary) for value in values for scale in (1e5, 1e6, 1e7))


def _minutes(body: bytes, canary: Canary) -> bool:
    return any(_is_near(int(m.group(1)) + float(m.group(2)) / 60, canary) for m in _MINUTES.finditer(body))


def _seconds(body: bytes, canary: Canary) -> bool:
    return any(
        _is_near(int(m.group(1)) + int(m.group(2)) / 60 + float(m.group(3)) / 3600, canary)
        for m in _SECONDS.finditer(body)
        if float(m.group(3)) < 60 and int(m.group(2)) < 60
    )


def _nmea(body: bytes, canary: Canary) -> bool:
    return any(
        _is_near(int(m.group(1)) + float(m.group(2)) / 60, canary)
        for m in _NMEA.finditer(body)
        if float(m.group(2)) < 60
    )


def _metres(body: bytes, canary: Canary) -> bool:
    x, y = mercator(canary.lon, canary.lat)
    values = [float(match.group()) for match in _METRES.finditer(body)]
    return any(_close(value, x, 60) or _close(value, y, 60) for value in values)


def _binary(body: bytes, canary: Canary) -> bool:
    """Well-known binary, or any format that keeps doubles."""
    return any(packed in body for packed in _packed(canary))


def _fine_square(body: bytes, canary: Canary) -> bool:
    return _tiles(canary).search(body) is not None


def _rings(body: bytes) -> Iterator[list[tuple[float, float]]]:
    """Give each run of coordinate pairs that comes back to where it began."""
    run: list[tuple[float, float]] = []
    end = 0
    for match in _PAIR.finditer(body):
        point = float(match.group(1)), float(match.group(2))
        if match.start() - end > 24:
            run = []
        end = match.end()
        run.append(point)
        if len(run) > 3 and run[0] == point:
            yield run
            run = []


def _small_polygon(body: bytes, canary: Canary) -> bool:
    """A closed ring around the point, smaller than the square of FINE_ZOOM."""
    side = 2 * pi * 6378137.0 / 2**FINE_ZOOM * cos(radians(canary.lat))
    for ring in _rings(body):
        for swap in (False, True):
            lons, lats = zip(*(pair[::-1] if swap else pair for pair in ring), strict=True)
            if not (min(lons) <= canary.lon <= max(lons) and min(lats) <= canary.lat <= max(lats)):
                continue
            width = (max(lons) - min(lons)) * 111_320 * cos(radians(canary.lat))
            height = (max(lats) - min(lats)) * 110_574
            if hypot(width, height) <= 1.05 * hypot(side, side):
                return True
    return False


NOTATIONS = {
    "decimal degrees": _decimal,
    "degrees and minutes": _minutes,
    "degrees, minutes and seconds": _seconds,
    "degrees and minutes run together": _nmea,
    "Web Mercator metres": _metres,
    "millionths of a degree": _scaled,
    "decimal comma": _comma,
    "binary": _binary,
    "a fine map square": _fine_square,
    "a small polygon": _small_polygon,
}


def says(body: bytes, canary: Canary) -> str:
    """Return how the body itself tells of the canary, without unfolding it."""
    if canary.name.encode() in body:
        return "name"
    for word in canary.words:
        if word.encode() in body:
            return "words"
    return next((name for name, found in NOTATIONS.items() if found(body, canary)), "")


def finds(body: bytes, canary: Canary) -> str:
    """Return the notation in which the canary's position, name or words stand in the body, or nothing.

    `decimal degrees in base64` says both how it was written and how it was wrapped.
    """
    for wrapping, plain in unfold(body):
        if notation := says(plain, canary):
            return f"{notation} in {wrapping}" if wrapping else notation
    return ""


def finds_any(body: bytes, canaries: dict[str, Canary]) -> dict[str, str]:
    """Return {name: notation} of all the canaries that the body tells of; the body is unfolded once."""
    out: dict[str, str] = {}
    for wrapping, plain in unfold(body):
        for name, canary in canaries.items():
            if name not in out and (notation := says(plain, canary)):
                out[name] = f"{notation} in {wrapping}" if wrapping else notation
    return out
