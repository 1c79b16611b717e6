"""GeoJSON in: points, and spots without a position, as `features.py` writes them."""

import json
import math
import re
from typing import Any

from spots.files.gpx import MOST_WAYPOINTS
from spots.files.report import Report, refused
from spots.files.rows import SpotRow
from spots.models import Sheet

LONGEST_TEXT = 2_000
MOST_OBJECTS, MOST_COMMAS = 200_000, 1_000_000
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")
_TEXTS = ("cover", "structure", "permission")
_DEPTHS = ("depth_min_m", "depth_max_m")


def read_json(data: bytes) -> Any:
    """Return the document. Raises FileError for what is no JSON, or has more in it than any file of spots."""
    if data.count(b"{") > MOST_OBJECTS or data.count(b",") > MOST_COMMAS:
        raise refused(f"More than {MOST_OBJECTS:,} objects or {MOST_COMMAS:,} values: split the file.")
    try:
        return json.loads(data.decode("utf-8-sig"), parse_constant=_no_number)
    except UnicodeDecodeError as error:
        raise refused(f"Byte {data[error.start]:#04x} is not UTF-8 text; GeoJSON is UTF-8.") from error
    except json.JSONDecodeError as error:
        raise refused(f"This is not JSON: {error.msg}.", line=error.lineno) from error
    except (RecursionError, ValueError) as error:
        raise refused(
            "This is not GeoJSON: it is nested too deep, or has no numbers where they belong."
        ) from error


def _no_number(text: str) -> None:
    raise ValueError(f"{text} is not a number of JSON")


def features_of(document: Any) -> list[dict[str, Any]]:
    """Return the features of a FeatureCollection, or none where it is another kind of document."""
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        return []
    features = document.get("features")
    if not isinstance(features, list) or not all(isinstance(feature, dict) for feature in features):
        return []
    return features


def is_of_spots(features: list[dict[str, Any]]) -> bool:
    """True where features are points, or were written as spots; outlines are polygons."""
    return any(_kind(feature) == "Point" or "precision" in _properties(feature) for feature in features)


def read_spots(features: list[dict[str, Any]], report: Report) -> tuple[list[SpotRow], dict[str, int]]:
    """Return the spots, and how many features are left out, by why. Lines are the features' numbers."""
    rows: list[SpotRow] = []
    left_out: dict[str, int] = {}
    if len(features) > MOST_WAYPOINTS:
        raise refused(f"More than {MOST_WAYPOINTS:,} features: split the file.")
    for number, feature in enumerate(features, 1):
        kind, properties = _kind(feature), _properties(feature)
        if kind == "Point" or (kind == "" and "structure" in properties):
            rows.append(_row(number, feature, properties, report))
        else:
            why = "known by its zone or water alone" if "precision" in properties else "no point"
            left_out[why] = left_out.get(why, 0) + 1
    return rows, left_out


def _kind(feature: dict[str, Any]) -> str:
    geometry = feature.get("geometry")
    return str(geometry.get("type", "")) if isinstance(geometry, dict) else ""


def _properties(feature: dict[str, Any]) -> dict[str, Any]:
    properties = feature.get("properties")
    return properties if isinstance(properties, dict) else {}


def _row(number: int, feature: dict[str, Any], properties: dict[str, Any], report: Report) -> SpotRow:
    def text(name: str) -> str:
        value = properties.get(name)
        if not isinstance(value, str | int | float):
            return ""
        if _CONTROL.search(plain := str(value)[:LONGEST_TEXT]):
            report.error(number, name, _CONTROL.sub("�", plain), "The text holds a control character.")
            return ""
        return plain

    row = SpotRow(
        number,
        name=" ".join(text("name").split()),
        notes=text("notes") or text("description"),
        water=text("water"),
        id=str(feature.get("id") or "")[:80],
        symbol=text("symbol"),
        sheet={name: text(name).strip() for name in _TEXTS if text(name)},
    )
    if text("provenance") in Sheet.Provenance.values:
        row.sheet["provenance"] = text("provenance")
    for name in _DEPTHS:
        if (value := properties.get(name)) is not None:
            if _is_number(value):
                row.sheet[name] = float(value)
            else:
                report.error(number, name, str(value), "This is not a number.")
    geometry = feature.get("geometry")
    if isinstance(geometry, dict):
        position = geometry.get("coordinates")
        if isinstance(position, list) and 2 <= len(position) <= 4 and all(map(_is_number, position)):
            row.lon, row.lat = repr(position[0]), repr(position[1])
        else:
            rule = "A point has longitude and latitude as two numbers."
            report.error(number, "coordinates", json.dumps(position)[:80], rule)
            row.lon = row.lat = ""
    return row


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
