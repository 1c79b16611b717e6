"""Finding a position in anything: text or bytes, in the notations that files, pages and databases use."""

import base64
import re
import struct
from dataclasses import dataclass
from math import log, pi, radians, tan

# Squares of a zone may be drawn; their corners are public. Canaries lie far from any of them.
NEAR_DEGREES = 0.0008

_DECIMAL = re.compile(rb"-?\d{1,3}\.\d{4,}")
_MINUTES = re.compile(rb"(\d{1,3})\s*(?:\xc2\xb0|&deg;|\s|-)\s*(\d{1,2}\.\d{2,})")
_METRES = re.compile(rb"-?\d{6,8}(?:\.\d+)?")
_HEX = re.compile(rb"[0-9A-Fa-f]{42,}")
_BASE64 = re.compile(rb"[A-Za-z0-9+/]{24,}={0,2}")


@dataclass(frozen=True)
class Canary:
    """One hidden place: its name and its point in degrees."""

    name: str
    lon: float
    lat: float


def mercator(lon: float, lat: float) -> tuple[float, float]:
    """Return Web Mercator metres (EPSG:3857)."""
    radius = 6378137.0
    return radius * radians(lon), radius * log(tan(pi / 4 + radians(lat) / 2))


def _close(value: float, target: float, within: float) -> bool:
    return abs(abs(value) - abs(target)) <= within


def _binary(blob: bytes, canary: Canary) -> bool:
    """Say whether well-known binary holds the point, in either byte order."""
    for order in ("<", ">"):
        for value in (canary.lon, canary.lat):
            packed = struct.pack(f"{order}d", value)
            if packed in blob:
                return True
    return False


def finds(body: bytes, canary: Canary) -> str:
    """Return the notation in which the canary's position or name stands in the body, or nothing."""
    if canary.name.encode() in body:
        return "name"
    for match in _DECIMAL.finditer(body):
        value = float(match.group())
        if _close(value, canary.lon, NEAR_DEGREES) or _close(value, canary.lat, NEAR_DEGREES):
            return "decimal degrees"
    for match in _MINUTES.finditer(body):
        value = int(match.group(1)) + float(match.group(2)) / 60
        if _close(value, canary.lon, NEAR_DEGREES) or _close(value, canary.lat, NEAR_DEGREES):
            return "degrees and minutes"
    x, y = mercator(canary.lon, canary.lat)
    for match in _METRES.finditer(body):
        value = float(match.group())
        if _close(value, x, 60) or _close(value, y, 60):
            return "Web Mercator metres"
    if _binary(body, canary):
        return "binary"
    for match in _HEX.finditer(body):
        text = match.group()
        if _binary(bytes.fromhex(text[: len(text) // 2 * 2].decode()), canary):
            return "hexadecimal binary"
    for match in _BASE64.finditer(body):
        text = match.group().rstrip(b"=")
        for skip in range(4):
            part = text[skip : skip + (len(text) - skip) // 4 * 4]
            decoded = base64.b64decode(part)
            if _binary(decoded, canary) or f"{canary.lat:.4f}".encode() in decoded:
                return "base64"
    return ""
