"""Finding a position in anything: text or bytes, in the notations that files, pages and databases use.

`finds` looks at the body itself and at everything it unfolds to (tests/leaks/unfolding.py): what was
compressed, encoded, escaped or written into a picture's metadata.
"""

import re
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from math import cos, hypot, isnan, log, nan, pi, radians, tan

from tests.leaks.unfolding import unfold

# Squares of a zone may be drawn; their corners are public. Canaries lie far from any of them.
NEAR_DEGREES = 0.0008
# A map square of this zoom has some 19 ha at 45 degrees: finer than any zone of the suggested policy (50 ha).
FINE_ZOOM = 16
FINEST_ZOOM = 22

_DECIMAL = re.compile(rb"-?\d{1,3}\.\d{4,}")
_SCIENTIFIC = re.compile(rb"-?\d\.\d{4,}[eE][+-]?\d{1,2}")
_SCALED = re.compile(rb"(?<![\d.])-?\d{7,10}(?![\d.])")
_DIGITS = re.compile(rb"\d\D{0,3}\d{3}|\d{2}")
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
    """One hidden place: its name, its point in degrees, and other words that nobody else may read.

    Without a point it is words alone.
    """

    name: str
    lon: float = nan
    lat: float = nan
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


def _packed(canary: Canary) -> list[bytes]:
    """The point's numbers as doubles, in either byte order, in degrees and in metres."""
    values = (canary.lon, canary.lat, *mercator(canary.lon, canary.lat))
    return [struct.pack(order + "d", value) for order in "<>" for value in values]


def _tiles(canary: Canary) -> list[str]:
    """Column and row of a fine square near each other, in either order; or its quadkey."""
    ways = [quadkey(canary.lon, canary.lat, FINE_ZOOM)]
    for zoom in range(FINE_ZOOM, FINEST_ZOOM + 1):
        x, y = tile(canary.lon, canary.lat, zoom)
        between = r"(?!\d)\D{1,16}(?<!\d)"
        ways += [rf"(?<!\d){x}{between}{y}(?!\d)", rf"(?<!\d){y}{between}{x}(?!\d)"]
    return ways


@cache
def _needles(canary: Canary) -> list[tuple[str, re.Pattern[bytes]]]:
    """Return what a canary is found by without reading numbers: (notation, expression)."""
    out = [("name", re.compile(re.escape(canary.name.encode())))]
    if canary.words:
        out.append(("words", re.compile(b"|".join(re.escape(word.encode()) for word in canary.words))))
    if not isnan(canary.lon):
        out.append(("binary", re.compile(b"|".join(map(re.escape, _packed(canary))))))
        out.append(("a fine map square", re.compile("|".join(_tiles(canary)).encode())))
    return out


def _degrees(body: bytes) -> Iterator[tuple[str, float]]:
    """Give (notation, degrees) of every number that may be a latitude or a longitude."""
    for way in (_DECIMAL, _SCIENTIFIC):
        for match in way.finditer(body):
            yield "decimal degrees", float(match.group())
    for match in _MINUTES.finditer(body):
        yield "degrees and minutes", int(match.group(1)) + float(match.group(2)) / 60
    for match in _SECONDS.finditer(body):
        if float(match.group(3)) < 60 and int(match.group(2)) < 60:
            degrees = int(match.group(1)) + int(match.group(2)) / 60 + float(match.group(3)) / 3600
            yield "degrees, minutes and seconds", degrees
    for match in _NMEA.finditer(body):
        if float(match.group(2)) < 60:
            yield "degrees and minutes run together", int(match.group(1)) + float(match.group(2)) / 60
    # Whole millionths, or ten- or hundred-thousandths more or less.
    for match in _SCALED.finditer(body):
        for scale in (1e5, 1e6, 1e7):
            yield "millionths of a degree", int(match.group()) / scale


def _comma(values: Sequence[float], canary: Canary) -> bool:
    """A decimal comma, as a spreadsheet of another country writes it: both numbers must be there."""
    return all(any(_close(v, part, NEAR_DEGREES) for v in values) for part in (canary.lon, canary.lat))


def _metres(values: Sequence[float], canary: Canary) -> bool:
    return any(_close(value, part, 60) for value in values for part in mercator(canary.lon, canary.lat))


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


def _is_small_around(ring: list[tuple[float, float]], canary: Canary) -> bool:
    """True of a closed ring around the point, smaller than the square of FINE_ZOOM."""
    side = 2 * pi * 6378137.0 / 2**FINE_ZOOM * cos(radians(canary.lat))
    for swap in (False, True):
        lons, lats = zip(*(pair[::-1] if swap else pair for pair in ring), strict=True)
        if not (min(lons) <= canary.lon <= max(lons) and min(lats) <= canary.lat <= max(lats)):
            continue
        width = (max(lons) - min(lons)) * 111_320 * cos(radians(canary.lat))
        height = (max(lats) - min(lats)) * 110_574
        if hypot(width, height) <= 1.05 * hypot(side, side):
            return True
    return False


_Told = dict[str, str]


def _tells(body: bytes, canaries: Mapping[str, Canary]) -> _Told:
    """Return {name: notation} of the canaries that the body itself tells of, without unfolding it."""
    out: _Told = {}

    def told(name: str, notation: str) -> None:
        out.setdefault(name, notation)

    for name, canary in canaries.items():
        for notation, needle in _needles(canary):
            if needle.search(body):
                told(name, notation)
    placed = {name: canary for name, canary in canaries.items() if not isnan(canary.lon)}
    if not placed or not _DIGITS.search(body):
        return out
    for notation, value in _degrees(body):
        for name, canary in placed.items():
            if _is_near(value, canary):
                told(name, notation)
    metres = [float(match.group()) for match in _METRES.finditer(body)]
    commas = [float(match.group().replace(b",", b".")) for match in _COMMA.finditer(body)]
    rings = list(_rings(body))
    for name, canary in placed.items():
        if _metres(metres, canary):
            told(name, "Web Mercator metres")
        if _comma(commas, canary):
            told(name, "decimal comma")
        if any(_is_small_around(ring, canary) for ring in rings):
            told(name, "a small polygon")
    return out


def finds(body: bytes, canary: Canary) -> str:
    """Return the notation in which the canary's position, name or words stand in the body, or nothing.

    `decimal degrees in base64` says both how it was written and how it was wrapped.
    """
    return finds_any(body, {"it": canary}).get("it", "")


def finds_any(body: bytes, canaries: Mapping[str, Canary]) -> _Told:
    """Return {name: notation} of all the canaries that the body tells of; the body is unfolded once."""
    return dict(_finds(body, tuple(canaries.items())))


@lru_cache(4000)  # most refusals are the same bytes
def _finds(body: bytes, canaries: tuple[tuple[str, Canary], ...]) -> _Told:
    left, out = dict(canaries), {}
    for wrapping, plain in unfold(body):
        for name, notation in _tells(plain, left).items():
            out[name] = f"{notation} in {wrapping}" if wrapping else notation
            del left[name]
    return out
