"""Zones: every one holds its minimum, coarser ones are unions of finer ones, and squares are the standard's.

Areas are checked against pyproj's Geod (Karney 2013, geodesic polygon area on WGS 84), squares against
PostGIS's ST_TileEnvelope; both are independent of the code under test.
"""

import math
from collections import defaultdict

import pytest
import shapely
from django.db import connection
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Transformer
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from club.models import LADDER_HA
from spots.geometry.equalarea import area_ha
from spots.geometry.squares import Square, square_holding
from spots.geometry.zones import CutZone, cut_zones

GEOD = Geod(ellps="WGS84")
DEGREES_OF_A_KILOMETRE = 1 / 111.32


def geodesic_ha(shape: shapely.Geometry) -> float:
    return abs(GEOD.geometry_area_perimeter(shapely.orient_polygons(shape))[0]) / 1e4


def lake(seed: int, kilometres: float = 3.0) -> Polygon:
    """A water with arms, an island and a sliver, made from a number; never a real one."""
    turn = seed * 0.7
    reach = kilometres * DEGREES_OF_A_KILOMETRE
    ring = []
    for i in range(360):
        a = math.radians(i)
        r = reach * (0.6 + 0.25 * math.sin(3 * a + turn) + 0.15 * math.sin(7 * a + 2 * turn))
        ring.append((-97.0 + 1.35 * r * math.cos(a), 44.0 + r * math.sin(a)))
    body = Polygon(ring).buffer(0)
    arm = LineString([(-97.0, 44.0), (-97.0 + 2.2 * reach, 44.0 + 0.7 * reach)]).buffer(0.06 * reach)
    island = Point(-97.0 + 0.2 * reach, 44.0 + 0.1 * reach).buffer(0.12 * reach)
    sliver = box(-97.0 - 2 * reach, 44.0, -97.0 - reach, 44.0 + 0.01 * reach)
    shape = shapely.union_all([body, arm, sliver]).difference(island)
    return shape if isinstance(shape, Polygon) else max(shape.geoms, key=lambda part: part.area)


def by_minimum(zones: list[CutZone]) -> dict[int, list[CutZone]]:
    out: dict[int, list[CutZone]] = defaultdict(list)
    for zone in zones:
        out[zone.minimum_ha].append(zone)
    return out


def finest(square: Square, zoom: int = 18) -> set[tuple[int, int]]:
    left, right, top, bottom = square.at_zoom(zoom)
    return {(x, y) for x in range(left, right) for y in range(top, bottom)}


def test_areas_agree_with_pyproj() -> None:
    """Sides are straight in the projection, not geodesics: many short ones make the two the same."""
    for seed in range(6):
        assert area_ha(lake(seed)) == pytest.approx(geodesic_ha(lake(seed)), rel=1e-4)
        fine = shapely.segmentize(lake(seed), 0.0005)
        assert area_ha(fine) == pytest.approx(geodesic_ha(fine), rel=1e-7)


@given(seed=st.integers(0, 10_000), kilometres=st.floats(0.4, 4.0))
@settings(max_examples=25, deadline=None)
def test_the_water_of_every_zone_is_at_least_its_minimum(seed: int, kilometres: float) -> None:
    """All the water of a zone is what its spots' places could be: the pre-image of what is shown."""
    water = lake(seed, kilometres)
    whole = geodesic_ha(water)
    zones = by_minimum(cut_zones(water, LADDER_HA))
    assert set(zones) == {minimum for minimum in LADDER_HA if minimum <= whole}
    for minimum, rows in zones.items():
        shapely_water = [geodesic_ha(shapely.intersection(zone.polygon(), water)) for zone in rows]
        assert min(shapely_water) >= minimum * (1 - 1e-5)
        assert sum(shapely_water) == pytest.approx(whole, rel=1e-4)
        for zone, independent in zip(rows, shapely_water, strict=True):
            assert zone.water_ha == pytest.approx(independent, rel=0.01)


def test_coarser_zones_are_unions_of_finer_ones() -> None:
    """So that what two audiences are shown never meets in less than the finer one's minimum."""
    for seed in (1, 5):
        zones = by_minimum(cut_zones(lake(seed, 1.5), LADDER_HA))
        for fine, coarse in zip(sorted(zones), sorted(zones)[1:], strict=False):
            owner = {cell: number for number, zone in enumerate(zones[coarse]) for square in zone.squares
                     for cell in finest(square)}  # fmt: skip
            for zone in zones[fine]:
                parents = {owner[cell] for square in zone.squares for cell in finest(square) if cell in owner}
                assert len(parents) == 1


def test_squares_do_not_overlap_and_cover_the_water() -> None:
    water = lake(3)
    for rows in by_minimum(cut_zones(water, LADDER_HA)).values():
        cells = [cell for zone in rows for square in zone.squares for cell in finest(square)]
        assert len(cells) == len(set(cells))
        union = shapely.union_all([zone.polygon() for zone in rows])
        assert geodesic_ha(water.difference(union.buffer(1e-9))) < 1e-3


def test_the_cut_depends_on_the_outline_alone_and_is_the_same_every_time() -> None:
    assert cut_zones(lake(4), LADDER_HA) == cut_zones(lake(4), LADDER_HA)


def test_at_low_pool_the_smaller_water_counts() -> None:
    full = lake(2)
    low = full.buffer(-0.0015)
    for zone in cut_zones(full, (25, 100), low):
        assert geodesic_ha(shapely.intersection(zone.polygon(), low)) >= zone.minimum_ha * (1 - 1e-5)


def test_a_water_smaller_than_the_minimum_has_no_zone_for_it() -> None:
    pond = lake(1, 0.3)
    assert {zone.minimum_ha for zone in cut_zones(pond, LADDER_HA)} == {
        m for m in LADDER_HA if m <= geodesic_ha(pond)
    }


@pytest.mark.parametrize(
    "square", [Square(0, 0, 0), Square(12, 980, 1475), Square(16, 15787, 23610), Square(18, 1, 1)]
)
def test_squares_are_those_of_the_standard_grid(db: None, square: Square) -> None:
    """PostGIS's ST_TileEnvelope is an independent implementation of the OGC WebMercatorQuad grid."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT ST_AsText(ST_TileEnvelope(%s, %s, %s), 9)", [square.zoom, square.column, square.row]
        )
        envelope = shapely.from_wkt(cursor.fetchone()[0])
    to_degrees = Transformer.from_crs(3857, 4326, always_xy=True)
    west, south = to_degrees.transform(envelope.bounds[0], envelope.bounds[1])
    east, north = to_degrees.transform(envelope.bounds[2], envelope.bounds[3])
    assert square.bounds() == pytest.approx((west, south, east, north), abs=1e-9)


def test_the_smallest_square_that_holds_a_box_holds_it() -> None:
    bounds = (-97.1, 43.9, -96.9, 44.1)
    square = square_holding(bounds)
    west, south, east, north = square.bounds()
    assert west <= bounds[0] and south <= bounds[1] and east >= bounds[2] and north >= bounds[3]
    assert not any(box(*child.bounds()).contains(box(*bounds)) for child in square.children())


def test_a_zone_is_drawn_as_its_squares_merged() -> None:
    for zone in cut_zones(lake(6), (50,)):
        polygon = zone.polygon()
        assert isinstance(polygon, MultiPolygon) and polygon.is_valid
        assert polygon.area == pytest.approx(sum(square.polygon().area for square in zone.squares))


def test_no_square_is_dry_or_much_larger_than_the_minimum() -> None:
    water = lake(7)
    for zone in cut_zones(water, LADDER_HA):
        for square in zone.squares:
            assert shapely.intersection(square.polygon(), water).area > 0
            assert geodesic_ha(square.polygon()) <= 4.01 * zone.minimum_ha or square.zoom == 18
