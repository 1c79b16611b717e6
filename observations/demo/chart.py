"""The demo waters as a chart: outlines, depth areas, soundings, names, ramps, zones and hazards in WGS 84."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache

import numpy as np
from shapely.geometry import LineString, MultiPolygon, Point, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from observations.demo import lake, places
from observations.demo.contour import polygons
from observations.demo.lake import Bottom

Place = tuple[float, float]
"""Longitude and latitude, WGS 84."""


@dataclass(frozen=True)
class Feature:
    """Something on the chart that everyone may see.

    ``kind`` is "ramp", "no-wake", "closure", "hazard", "bridge", "dam" or "name" (with a ``detail`` such as
    "creek"). ``shape`` is in longitude and latitude.
    """

    kind: str
    name: str
    shape: Point | LineString | MultiPolygon
    detail: str = ""


@dataclass(frozen=True)
class DemoWater:
    """A water as the loader needs it. Geometries are in WGS 84, depths in metres below full pool."""

    key: str
    name: str
    about: str
    timezone: str
    full_pool_m: float
    drawdown_m: float
    datum: str
    outline: MultiPolygon
    low_pool: MultiPolygon
    depth_areas: dict[float, MultiPolygon]
    soundings: tuple[tuple[float, float, float], ...]
    features: tuple[Feature, ...]


@cache
def waters() -> tuple[DemoWater, DemoWater]:
    """Lake Marrowby and Tansy Pond."""
    return (
        _water(
            lake.marrowby(),
            "marrowby",
            "Lake Marrowby",
            "An invented reservoir for the demo club: no such lake exists.",
            full_pool=214.0,
            spacing=430.0,
            features=_marrowby_features(),
        ),
        _water(
            lake.tansy(),
            "tansy",
            "Tansy Pond",
            "An invented mill pond for the demo club: no such pond exists.",
            full_pool=231.5,
            spacing=150.0,
            features=_tansy_features(),
        ),
    )


def _water(
    bottom: Bottom,
    key: str,
    name: str,
    about: str,
    *,
    full_pool: float,
    spacing: float,
    features: tuple[Feature, ...],
) -> DemoWater:
    frame = bottom.frame
    return DemoWater(
        key=key,
        name=name,
        about=about,
        timezone=lake.TIMEZONE,
        full_pool_m=full_pool,
        drawdown_m=bottom.drawdown,
        datum="Invented ground. Depths in metres below full pool. Not for navigation.",
        outline=frame.geographic(bottom.full),
        low_pool=frame.geographic(bottom.low),
        depth_areas={level: frame.geographic(area) for level, area in bottom.areas.items()},
        soundings=_soundings(bottom, spacing),
        features=features,
    )


def _soundings(bottom: Bottom, spacing: float) -> tuple[tuple[float, float, float], ...]:
    """Depths on a shaken lattice, as (longitude, latitude, metres)."""
    rng = np.random.default_rng(7)
    west, south, east, north = bottom.full.bounds
    found = []
    for row, y in enumerate(np.arange(south, north, spacing * 0.87)):
        for x in np.arange(west + (row % 2) * spacing / 2, east, spacing):
            px, py = x + rng.normal(0, spacing / 8), y + rng.normal(0, spacing / 8)
            depth = bottom.depth(px, py)
            if depth > 1.2 and bottom.full.contains(Point(px, py).buffer(35)):
                found.append((*bottom.frame.lonlat(px, py), round(depth, 1)))
    return tuple(found)


def _shore(bottom: Bottom, x: float, y: float) -> Point:
    """The point of the shoreline nearest to (x, y) in kilometres, as longitude and latitude."""
    _, on_shore = nearest_points(Point(x * 1000, y * 1000), bottom.full.boundary)
    return Point(bottom.frame.lonlat(on_shore.x, on_shore.y))


def _names(bottom: Bottom, names: list[places.Name]) -> list[Feature]:
    return [
        Feature("name", name.text, Point(bottom.frame.lonlat(name.x * 1000, name.y * 1000)), name.kind)
        for name in names
    ]


def _marrowby_features() -> tuple[Feature, ...]:
    bottom = lake.marrowby()
    frame, full = bottom.frame, bottom.full
    line = LineString([(x * 1000, y * 1000) for x, y in places.DAM])
    closed = polygons(line.buffer(places.DAM_CLOSURE_M).intersection(full), 1_000)
    held = LineString(_ends(line.intersection(full.buffer(45))))
    found = _names(bottom, places.NAMES)
    found.append(Feature("dam", "Marrowby Dam", frame.geographic(held)))
    found.append(Feature("closure", "Keep off: dam and intake", frame.geographic(closed), "no boats"))
    for name, west, south, east, north in places.NO_WAKE:
        zone = polygons(box(west * 1000, south * 1000, east * 1000, north * 1000).intersection(full), 1_000)
        largest = MultiPolygon([max(zone.geoms, key=lambda part: part.area)])
        found.append(Feature("no-wake", name, frame.geographic(largest)))
    for name, (ax, ay), (bx, by) in places.BRIDGES:
        crossing = LineString([(ax * 1000, ay * 1000), (bx * 1000, by * 1000)]).intersection(full.buffer(20))
        found.append(Feature("bridge", name, frame.geographic(_longest(crossing))))
    found += [Feature("ramp", name, _shore(bottom, x, y)) for name, x, y in places.RAMPS]
    found += [
        Feature("hazard", what, Point(frame.lonlat(x * 1000, y * 1000))) for what, x, y in places.HAZARDS
    ]
    return tuple(found)


def _tansy_features() -> tuple[Feature, ...]:
    bottom = lake.tansy()
    name, x, y = places.POND_RAMP
    return (*_names(bottom, places.POND_NAMES), Feature("ramp", name, _shore(bottom, x, y)))


def _ends(shape: BaseGeometry) -> list[tuple[float, float]]:
    """The southernmost and the northernmost point of a shape's bounds along a rising line."""
    west, south, east, north = shape.bounds
    return [(west, south), (east, north)]


def _longest(shape: object) -> LineString:
    """The longest line of a line or a collection of lines."""
    parts = [part for part in getattr(shape, "geoms", [shape]) if isinstance(part, LineString)]
    return max(parts, key=lambda part: part.length)


def pool_level(day: date) -> float:
    """Lake Marrowby's level on a day, metres below full pool: full in spring, drawn down by winter."""
    of_year = day.timetuple().tm_yday
    summer = 0.9 / (1 + np.exp(-(of_year - 215) / 16))
    autumn = 0.75 / (1 + np.exp(-(of_year - 300) / 9))
    winter = 1.65 * (1 / (1 + np.exp((of_year - 62) / 9)))
    wet = 0.16 * np.sin(day.toordinal() / 23.0) + 0.1 * np.sin(day.toordinal() / 7.3)
    drought = 0.25 * (day.year == 2025)
    return round(float(np.clip(summer + autumn + winter + wet + drought * (of_year > 150), 0.0, 1.8)), 2)


def levels(water: DemoWater, first: date, last: date) -> list[tuple[date, float]]:
    """Weekly readings of the level, metres above the datum."""
    share = 1.0 if water.key == "marrowby" else 0.3
    days = range(0, (last - first).days + 1, 7)
    return [
        (first + timedelta(day), round(water.full_pool_m - share * pool_level(first + timedelta(day)), 2))
        for day in days
    ]
