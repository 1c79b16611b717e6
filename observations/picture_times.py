"""When and where a picture says it was taken: read before its metadata goes; nothing of it is kept by itself.

Sources: the Exif standard (tags 0x9003, 0x9011, 0x8825 and those of its GPS directory), the PNG standard's
tIME chunk, and the date and time that screenshots carry in their names (common practice, no source).
"""

import io
import math
import re
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Any

from PIL import Image

_EXIF, _GPS = 0x8769, 0x8825
_TAKEN, _DIGITIZED, _CHANGED = 0x9003, 0x9004, 0x0132
_OFFSETS = {_TAKEN: 0x9011, _DIGITIZED: 0x9012, _CHANGED: 0x9010}
_NAMED = re.compile(
    r"(?<!\d)(20\d\d)[-_.]?(0[1-9]|1[0-2])[-_.]?([0-2]\d|3[01])"
    r"(?:[-_ .T]|\sat\s)+([01]\d|2[0-3])[-_.:h]?([0-5]\d)[-_.:m]?([0-5]\d)(?!\d)"
)
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")


@dataclass(frozen=True)
class Told:
    """What a picture told: a time, aware, or none; latitude and longitude, or none."""

    at: datetime | None = None
    place: tuple[float, float] | None = None


def told_by(raw: bytes, name: str, zone: tzinfo) -> Told:
    """Return what a picture's metadata, or else its name, say. Local times are of `zone`. Never raises."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            # Only the head is read: no pixel is decoded.
            with Image.open(io.BytesIO(raw), formats=_FORMATS) as image:
                exif = image.getexif()
                gps: dict[int, Any] = dict(exif.get_ifd(_GPS))
                at = _exif_time(dict(exif) | dict(exif.get_ifd(_EXIF)), zone) or _gps_time(gps)
                place = _place(gps)
    except Exception:
        # Decoders fail on hostile bytes in many ways; a picture that tells nothing is only laid by hand.
        at, place = None, None
    return Told(at or _named(name, zone) or _png_time(raw), place)


def _exif_time(tags: dict[int, Any], zone: tzinfo) -> datetime | None:
    for tag in (_TAKEN, _DIGITIZED, _CHANGED):
        try:
            local = datetime.strptime(str(tags[tag]).strip("\0 "), "%Y:%m:%d %H:%M:%S")
        except (KeyError, ValueError):
            continue
        return local.replace(tzinfo=_offset(str(tags.get(_OFFSETS[tag], ""))) or zone)
    return None


def _offset(text: str) -> tzinfo | None:
    found = re.fullmatch(r"([+-])(\d\d):(\d\d)", text.strip("\0 "))
    if not found:
        return None
    away = timedelta(hours=int(found[2]), minutes=int(found[3]))
    return timezone(-away if found[1] == "-" else away) if away < timedelta(days=1) else None


def _gps_time(gps: dict[int, Any]) -> datetime | None:
    try:
        day = datetime.strptime(str(gps[29]).strip("\0 "), "%Y:%m:%d").replace(tzinfo=UTC)
        hours, minutes, seconds = (float(part) for part in gps[7])
        return day + timedelta(hours=hours, minutes=minutes, seconds=seconds)
    except (KeyError, ValueError, TypeError, OverflowError, ZeroDivisionError):
        return None


def _place(gps: dict[int, Any]) -> tuple[float, float] | None:
    try:
        lat = _degrees(gps[2]) * (-1 if str(gps[1])[:1].upper() == "S" else 1)
        lon = _degrees(gps[4]) * (-1 if str(gps[3])[:1].upper() == "W" else 1)
    except (KeyError, ValueError, TypeError, OverflowError, ZeroDivisionError):
        return None
    # A receiver without a fix writes zeros.
    inside = abs(lat) <= 90 and abs(lon) <= 180 and (lat, lon) != (0, 0)
    return (lat, lon) if inside and math.isfinite(lat) and math.isfinite(lon) else None


def _degrees(parts: Any) -> float:
    degrees, minutes, seconds = (float(part) for part in parts)
    return degrees + minutes / 60 + seconds / 3600


def _named(name: str, zone: tzinfo) -> datetime | None:
    found = _NAMED.search(name)
    if not found:
        return None
    year, month, day, hour, minute, second = (int(part) for part in found.groups())
    try:
        return datetime(year, month, day, hour, minute, second, tzinfo=zone)
    except ValueError:
        return None


def _png_time(raw: bytes) -> datetime | None:
    """Return the time of a PNG's tIME chunk, which is UTC; it stands before or behind the pixels."""
    if not raw.startswith(b"\x89PNG\r\n\x1a\n"):
        return None
    at, seen = 8, 0
    while at + 12 <= len(raw) and seen < 10_000:
        size = int.from_bytes(raw[at : at + 4])
        if raw[at + 4 : at + 8] == b"tIME" and size == 7:
            part = raw[at + 8 : at + 15]
            try:
                return datetime(
                    int.from_bytes(part[:2]), part[2], part[3], part[4], part[5], part[6], tzinfo=UTC
                )
            except ValueError:
                return None
        at, seen = at + 12 + size, seen + 1
    return None
