"""Frozen results as JSON, and back."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np


def pack(value: Any) -> Any:
    """JSON-safe form of a value; arrays are kept bit for bit."""
    if isinstance(value, np.ndarray):
        little = np.ascontiguousarray(value, dtype=value.dtype.newbyteorder("<"))
        return {
            "dtype": little.dtype.str,
            "shape": list(value.shape),
            "b64": base64.b64encode(little.tobytes()).decode("ascii"),
        }
    return plain(value)


def plain(value: Any) -> Any:
    """JSON-safe form of what holds no array."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if isinstance(value, float) and not np.isfinite(value):
        return {"float": repr(value)}  # JSON has no infinity
    return value


def number(value: Any) -> Any:
    """Inverse of `plain` for the numbers that JSON has not."""
    if isinstance(value, list):
        return [number(v) for v in value]
    return float(value["float"]) if isinstance(value, dict) and set(value) == {"float"} else value


def tuples(value: Any) -> Any:
    """Lists as tuples, at every depth: JSON knows no tuple."""
    return tuple(tuples(v) for v in value) if isinstance(value, list) else value


def unpack(value: Any) -> Any:
    """Inverse of `pack`; arrays are read-only."""
    if isinstance(value, dict) and "b64" in value:
        raw = np.frombuffer(base64.b64decode(value["b64"]), dtype=np.dtype(value["dtype"]))
        made = raw.reshape(value["shape"]).astype(raw.dtype.newbyteorder("="))
        made.flags.writeable = False
        return made
    return tuples(number(value))
