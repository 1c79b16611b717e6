"""Search areas within 1 % of pyproj's, pre-images never below the minimum; squares are mercantile's.

The independent computation: squares from mercantile (an implementation of the tile scheme by others), water in
them by shapely's overlay, hectares by pyproj's Geod (Karney 2013). Nothing of spots/geometry takes part in it but
the list of squares that it judges. `-s` prints the worst figures.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import mercantile
import pytest
import shapely
from shapely.geometry.base import BaseGeometry

from club.models import LADDER_HA
from observations.demo.chart import waters
from spots.geometry.squares import Square
from spots.geometry.zones import CutZone, cut_zones
from tests.spots.test_zones_keep_their_promise import geodesic_ha, lake

GENERATED = 50


@dataclass
class Worst:
    """The figures over many zones."""

    zones: int = 0
    off: float = 0.0
    least: float = float("inf")
    shared: float = float("inf")
    where: dict[str, object] = field(default_factory=dict)

    def say(self, what: str) -> None:
        print(
            f"\n{what}: {self.zones} zones; search area off by at most {100 * self.off:.4f} % of pyproj's;"
            f" least water {self.least:.4f} of the minimum; least shared by two audiences {self.shared:.4f}"
            f" of the finer minimum; {self.where}"
        )


def exactly(shape: BaseGeometry) -> float:
    """Hectares by pyproj; sides are straight in degrees, so long ones are broken before they become geodesics."""
    areas = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return geodesic_ha(shapely.segmentize(shapely.MultiPolygon(areas), 0.002)) if areas else 0.0


def drawn(zone: CutZone) -> BaseGeometry:
    """The zone's squares, each as mercantile gives it."""
    return shapely.union_all(
        [shapely.box(*mercantile.bounds(square.column, square.row, square.zoom)) for square in zone.squares]
    )


def judge(outline: BaseGeometry, low: BaseGeometry | None, worst: Worst, name: object) -> None:
    """Compare every zone of a water, and every pair of a finer and a coarser one, with the independent areas."""
    wet = shapely.intersection(outline, low) if low is not None else outline
    shapely.prepare(wet)
    parts: dict[int, list[BaseGeometry]] = {}
    for zone in cut_zones(outline, LADDER_HA, low):
        inside = shapely.intersection(wet, drawn(zone))
        independent = exactly(inside)
        worst.zones += 1
        off = abs(zone.water_ha - independent) / independent
        if off > worst.off:
            worst.off, worst.where["off"] = off, (name, zone.minimum_ha)
        share = independent / zone.minimum_ha
        if share < worst.least:
            worst.least, worst.where["least"] = share, (name, zone.minimum_ha)
        parts.setdefault(zone.minimum_ha, []).append(inside)
    for fine, coarse in pairs(parts):
        tree = shapely.STRtree(parts[coarse])
        for inside in parts[fine]:
            for index in tree.query(inside):
                both = shapely.intersection(inside, parts[coarse][index])
                # Two zones that touch along a side share no water; an overlay may leave a hair of it.
                if (area := exactly(both)) > 1e-3:
                    worst.shared = min(worst.shared, area / fine)


def pairs(parts: dict[int, list[BaseGeometry]]) -> Iterator[tuple[int, int]]:
    """Neighbouring rungs, and the two that the suggested policy uses."""
    rungs = sorted(parts)
    yield from pairwise(rungs)
    if {50, 250} <= set(rungs):
        yield 50, 250


def check(worst: Worst) -> None:
    assert worst.off < 0.01
    assert worst.least >= 1 - 1e-5
    assert worst.shared >= 1 - 1e-4


def test_on_fifty_generated_waters_with_arms_islands_and_slivers() -> None:
    worst = Worst()
    for seed in range(GENERATED):
        water = lake(seed * 97 + 13, 0.35 + 0.02 * seed)
        low = water.buffer(-0.0002) if seed % 5 == 0 else None
        judge(water, low, worst, seed)
    worst.say(f"{GENERATED} generated waters")
    assert worst.zones > 5 * GENERATED
    check(worst)


@pytest.mark.parametrize("name", [water.name for water in waters()])
def test_on_every_zone_of_the_demo_waters(name: str) -> None:
    worst = Worst()
    (water,) = [water for water in waters() if water.name == name]
    judge(water.outline, water.low_pool, worst, name)
    worst.say(name)
    check(worst)


def test_squares_are_mercantiles() -> None:
    """And so are their children: exactly nested."""
    for zoom in range(0, 19):
        for column, row in ((0, 0), (2**zoom - 1, 2**zoom - 1), (2**zoom // 3, 2**zoom // 5)):
            square, tile = Square(zoom, column, row), mercantile.Tile(column, row, zoom)
            assert square.bounds() == pytest.approx(tuple(mercantile.bounds(tile)), abs=1e-10)
            assert {(c.column, c.row) for c in square.children()} == {
                (child.x, child.y) for child in mercantile.children(tile)
            }
            longitude, latitude = (
                (square.bounds()[0] + square.bounds()[2]) / 2,
                sum(square.bounds()[1::2]) / 2,
            )
            assert mercantile.tile(longitude, latitude, zoom) == tile
