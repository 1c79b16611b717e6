"""Depth contours of a water from GeoJSON: closed lines or areas with a depth, or an elevation of the water's datum.

They become what is deeper than each depth, nested; the bands of depth that are shown at `area` are cut from the
first contours of a water, once (spots/zones.py).
"""

import json
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import shapely
from django.contrib.gis.geos import GEOSGeometry, MultiPolygon
from shapely import wkb
from shapely.errors import ShapelyError
from shapely.geometry.base import BaseGeometry

from club.units import FOOT_M
from spots.files.report import Report
from spots.geometry.equalarea import area_ha
from spots.models import DepthArea, Water
from spots.zones import publish_bands

# Property of a feature: (metres a unit, whether it is an elevation above the level datum).
DEPTHS = {
    "depth_m": (1.0, False),
    "depth_ft": (FOOT_M, False),
    "elevation_m": (1.0, True),
    "elevation_ft": (FOOT_M, True),
}
_LINES, _AREAS = ("LineString", "MultiLineString"), ("Polygon", "MultiPolygon")
# Ends of one line's pieces meet on this grid of degrees, about a centimetre.
_GRID = 1e-7
# A deeper contour may reach this part of its area outside the shallower one by the drawer's hand, and is cut.
_OUTSIDE = 0.01
DEEPEST_M = 500.0


@dataclass(frozen=True)
class Deeper:
    """All of a water that is deeper than `depth_m` below full pool."""

    depth_m: float
    area: BaseGeometry
    area_ha: float


@dataclass
class ContourPlan:
    """The contours of one water, from the shallowest."""

    water: Water | None = None
    areas: list[Deeper] = field(default_factory=list)
    replaces: bool = False


def is_of_contours(features: list[dict[str, Any]]) -> bool:
    """True where lines or areas carry a depth."""
    return any(
        _kind(feature) in (*_LINES, *_AREAS) and DEPTHS.keys() & (feature.get("properties") or {}).keys()
        for feature in features
        if isinstance(feature.get("properties") or {}, dict)
    )


def _kind(feature: dict[str, Any]) -> str:
    geometry = feature.get("geometry")
    return str(geometry.get("type", "")) if isinstance(geometry, dict) else ""


def plan_contours(
    features: list[dict[str, Any]], report: Report, *, water: Water | None, replace: bool
) -> ContourPlan:
    """Say what the features become. Saves nothing; a remark's line is the number of the feature."""
    plan = ContourPlan(water)
    if water is None or water.outline is None:
        rule = "has no outline yet; import that first." if water else "Say of which water these contours are."
        report.error(0, "water", water.name if water else "", rule)
        return plan
    plan.replaces = water.depth_areas.exists()
    if plan.replaces and not replace:
        rule = f"{water.name} has contours, which stay unless they are replaced. Its published bands stay anyway."
        report.error(0, "contours", water.name, rule)
    lines: dict[float, list[BaseGeometry]] = defaultdict(list)
    areas: dict[float, list[BaseGeometry]] = defaultdict(list)
    for number, feature in enumerate(features, 1):
        depth = _depth(number, feature, water, report)
        if depth is None or (shape := _shape(number, feature, report)) is None:
            continue
        if depth == 0:
            continue  # the shore, or above it: the outline says that
        (lines if _kind(feature) in _LINES else areas)[depth].append(shape)
    outline = wkb.loads(bytes(water.outline.wkb))
    above: Deeper | None = None
    for depth in sorted({*lines, *areas}):
        area = _within(lines[depth], depth, report)
        if areas[depth]:
            area = shapely.union_all([area, *map(shapely.make_valid, areas[depth])])
        deeper = _deeper(depth, area, outline, above, report)
        if deeper is not None:
            plan.areas.append(deeper)
            above = deeper
    return plan


def _depth(number: int, feature: dict[str, Any], water: Water, report: Report) -> float | None:
    properties = feature.get("properties") or {}
    given = [name for name in DEPTHS if isinstance(properties, dict) and properties.get(name) is not None]
    if len(given) != 1:
        report.error(number, "depth", "", f"A contour has one of {', '.join(DEPTHS)}.")
        return None
    (name,) = given
    value = properties[name]
    if isinstance(value, bool) or not isinstance(value, int | float):
        report.error(number, name, str(value), "This is not a number.")
        return None
    metres_a_unit, is_elevation = DEPTHS[name]
    depth = value * metres_a_unit
    if is_elevation:
        if water.full_pool_m is None:
            report.error(
                number, name, str(value), f"{water.name} has no full pool to take this from; set it first."
            )
            return None
        depth = max(0.0, water.full_pool_m - depth)
    if not 0 <= depth <= DEEPEST_M:
        report.error(
            number, name, str(value), f"A depth lies between 0 and {DEEPEST_M:.0f} m below full pool."
        )
        return None
    return round(depth, 3)


def _shape(number: int, feature: dict[str, Any], report: Report) -> BaseGeometry | None:
    kind = _kind(feature)
    try:
        if kind not in (*_LINES, *_AREAS):
            raise ValueError("lines or areas")
        shape = shapely.force_2d(shapely.from_geojson(json.dumps(feature["geometry"])))
        west, south, east, north = shape.bounds
    except (ShapelyError, ValueError, TypeError):
        report.error(number, "geometry", kind, "A contour is a line or an area of longitudes and latitudes.")
        return None
    if not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        report.error(number, "geometry", kind, "Longitudes lie within ±180, latitudes within ±90.")
        return None
    return shape


def _within(lines: list[BaseGeometry], depth: float, report: Report) -> BaseGeometry:
    """Return what the closed lines of one depth hold: a line within another is a hump, and so on inwards."""
    if not lines:
        return shapely.MultiPolygon()
    pieces = shapely.set_precision(shapely.union_all(lines), _GRID)
    merged = shapely.get_parts(shapely.line_merge(pieces))
    open_ends = [line for line in merged if not line.is_ring]
    if open_ends:
        longitude, latitude = open_ends[0].coords[0]
        rule = (
            f"A contour of this depth is not a closed line: it ends or crosses another at"
            f" {latitude:.5f}, {longitude:.5f}."
        )
        report.error(0, "depth", f"{depth:g} m", rule)
        return shapely.MultiPolygon()
    rings = sorted((shapely.Polygon(line) for line in merged), key=lambda ring: -ring.area)
    tree = shapely.STRtree(rings)
    starts = [shapely.Point(ring.exterior.coords[0]) for ring in rings]
    around = tree.query(starts, predicate="within")
    levels = [0] * len(rings)
    for inner, outer in around.T:
        levels[inner] += int(inner != outer)
    area: BaseGeometry = shapely.MultiPolygon()
    for level in range(max(levels) + 1):
        of_level = shapely.union_all([ring for ring, at in zip(rings, levels, strict=True) if at == level])
        area = area.union(of_level) if level % 2 == 0 else area.difference(of_level)
    return area


def _deeper(
    depth: float, area: BaseGeometry, outline: BaseGeometry, above: Deeper | None, report: Report
) -> Deeper | None:
    """Cut an area to the water and to what is shallower; None where nothing is left, which is noted."""
    value = f"{depth:g} m"
    if area.is_empty:
        return None
    cut = area.intersection(outline)
    if cut.area < (1 - _OUTSIDE) * area.area:
        share = 1 - cut.area / area.area
        report.error(0, "depth", value, f"{share:.0%} of what is deeper lies outside the water’s outline.")
        return None
    if above is not None:
        inside = cut.intersection(above.area)
        if inside.area < (1 - _OUTSIDE) * cut.area:
            rule = f"It reaches outside what is deeper than {above.depth_m:g} m."
            report.error(0, "depth", value, rule)
            return None
        cut = inside
    parts = [part for part in shapely.get_parts(cut) if part.geom_type == "Polygon" and not part.is_empty]
    whole = shapely.MultiPolygon(parts)
    return Deeper(depth, whole, area_ha(whole))


def save_contours(plan: ContourPlan) -> None:
    """Store the contours of the plan's water; its bands are cut if these are its first."""
    if plan.water is None or not plan.areas:
        return
    plan.water.depth_areas.all().delete()
    DepthArea.objects.bulk_create(
        DepthArea(water=plan.water, depth_m=item.depth_m, area=_stored(item.area)) for item in plan.areas
    )
    publish_bands(plan.water)


def _stored(shape: BaseGeometry) -> MultiPolygon:
    geometry = GEOSGeometry(memoryview(wkb.dumps(shape)), srid=4326)
    assert isinstance(geometry, MultiPolygon)  # noqa: S101 - made above
    return geometry
