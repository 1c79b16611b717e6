"""A track as bytes for its row: columns as scaled differences, compressed. About four bytes a fix."""

import zlib

import numpy as np

from observations.files.fixes import MOST_FIXES
from observations.files.track import Floats, Track, track_of

# Seconds to a hundredth, degrees to 1e-7 (a centimetre), readings to a hundredth; the least integer is nothing read.
_SCALES = {"time": 1e2, "lat": 1e7, "lon": 1e7, "speed": 1e2, "depth": 1e2, "temperature": 1e2}
_NOTHING = np.iinfo(np.int64).min
_VERSION = b"1"


def pack(track: Track) -> bytes:
    columns = []
    for name, scale in _SCALES.items():
        values: Floats = getattr(track, name)
        empty = np.isnan(values)
        whole = np.where(empty, 0, np.round(values * scale)).astype(np.int64)
        whole[empty] = _NOTHING
        # Differences wrap around and back.
        columns.append(np.diff(whole, prepend=np.int64(0)))
    return _VERSION + zlib.compress(np.concatenate(columns).astype("<i8").tobytes(), 6)


def unpack(packed: bytes | memoryview) -> Track:
    """Return the track of bytes that `pack` made. Raises ValueError for others."""
    if bytes(packed[:1]) != _VERSION:
        raise ValueError("not a packed track")
    raw = zlib.decompressobj().decompress(bytes(packed[1:]), MOST_FIXES * 8 * len(_SCALES))
    parts = np.frombuffer(raw, "<i8").reshape(len(_SCALES), -1)
    columns: dict[str, Floats] = {}
    for (name, scale), part in zip(_SCALES.items(), parts, strict=True):
        whole = np.cumsum(part)
        columns[name] = np.where(whole == _NOTHING, np.nan, whole / scale)
    return track_of(columns)
