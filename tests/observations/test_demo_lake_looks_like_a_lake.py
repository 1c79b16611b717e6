"""The invented waters: big enough, valid, nested, named in the right places, and the same every time."""

import time
from datetime import date, timedelta

import pytest
from pyproj import Geod
from shapely.geometry import MultiPolygon, Point

from observations.demo import chart, lake
from observations.demo.chart import DemoWater, pool_level, waters

WGS84 = Geod(ellps="WGS84")


def hectares(area: MultiPolygon) -> float:
    """Area on the ellipsoid by pyproj (GeographicLib), which the generator does not use."""
    return abs(WGS84.geometry_area_perimeter(area)[0]) / 10_000


@pytest.fixture(params=[0, 1], ids=["marrowby", "tansy"])
def water(request: pytest.FixtureRequest) -> DemoWater:
    return waters()[request.param]


def test_the_reservoir_holds_at_least_2500_hectares_even_at_low_pool() -> None:
    marrowby = waters()[0]
    assert hectares(marrowby.outline) >= 2_500
    assert hectares(marrowby.low_pool) >= 2_500


def test_the_pond_holds_about_sixty_hectares() -> None:
    assert 50 <= hectares(waters()[1].outline) <= 80


def test_areas_in_the_frame_agree_with_areas_on_the_ellipsoid() -> None:
    plane = lake.marrowby().full.area / 10_000
    assert plane == pytest.approx(hectares(waters()[0].outline), rel=2e-3)


def test_outlines_are_valid_and_in_one_piece(water: DemoWater) -> None:
    assert water.outline.is_valid
    assert water.low_pool.is_valid
    assert len(water.outline.geoms) == 1


def test_the_reservoir_has_islands_and_a_shore_of_a_charts_detail() -> None:
    shore = waters()[0].outline.geoms[0]
    points = len(shore.exterior.coords) + sum(len(island.coords) for island in shore.interiors)
    assert 1_500 <= points <= 4_000
    assert len(shore.interiors) >= 5


def test_depth_areas_are_nested_and_end_at_the_outline(water: DemoWater) -> None:
    outer = water.outline
    for depth in sorted(water.depth_areas):
        area = water.depth_areas[depth]
        assert area.is_valid
        assert area.difference(outer).area <= 1e-9 * outer.area, f"{depth} m"
        assert area.area < outer.area
        outer = area


def test_low_pool_bares_shore_and_nothing_beyond_full_pool(water: DemoWater) -> None:
    assert water.low_pool.area < water.outline.area
    assert water.low_pool.difference(water.outline).area <= 1e-9 * water.outline.area


def test_soundings_agree_with_the_depth_areas(water: DemoWater) -> None:
    """A charted depth may differ from its contour by what thinning the lines has moved them."""
    for longitude, latitude, depth in water.soundings:
        place = Point(longitude, latitude)
        assert water.outline.contains(place)
        inside = max(
            (level for level, area in water.depth_areas.items() if area.contains(place)), default=0.0
        )
        outside = min((level for level, area in water.depth_areas.items() if level > inside), default=99.0)
        assert inside - 1.0 <= depth <= outside + 1.0


def test_names_of_water_lie_on_water_and_names_of_land_on_land(water: DemoWater) -> None:
    for feature in water.features:
        if feature.kind == "name":
            on_water = water.outline.contains(feature.shape)
            assert on_water == (feature.detail in ("reach", "arm", "creek")), feature.name


def test_hazards_float_ramps_touch_the_shore_and_zones_keep_to_the_water(water: DemoWater) -> None:
    for feature in water.features:
        if feature.kind == "hazard":
            assert water.outline.contains(feature.shape), feature.name
        if feature.kind == "ramp":
            assert water.outline.boundary.distance(feature.shape) < 1e-6, feature.name
        if feature.kind in ("closure", "no-wake"):
            assert feature.shape.difference(water.outline.buffer(1e-9)).is_empty, feature.name


def test_the_reservoir_has_ramps_a_no_wake_zone_and_a_closure_at_the_dam() -> None:
    kinds = [feature.kind for feature in waters()[0].features]
    assert kinds.count("ramp") >= 2
    assert kinds.count("no-wake") >= 1
    assert kinds.count("closure") == 1


def test_generating_the_waters_again_gives_the_same_waters_within_ten_seconds() -> None:
    before = waters()
    start = time.process_time()
    lake.marrowby.cache_clear()
    lake.tansy.cache_clear()
    again = chart.waters.__wrapped__()
    assert time.process_time() - start < 10
    for one, other in zip(before, again, strict=True):
        assert one.outline.equals_exact(other.outline, 0)
        assert one.soundings == other.soundings
        assert [f.name for f in one.features] == [f.name for f in other.features]


def test_the_pool_is_full_in_spring_and_drawn_down_in_winter_and_never_beyond_its_low_pool() -> None:
    days = [date(2024, 1, 1) + timedelta(n) for n in range(1_060)]
    levels = [pool_level(day) for day in days]
    assert 0.0 <= min(levels) <= max(levels) <= lake.DRAWDOWN
    assert pool_level(date(2026, 5, 1)) < 0.5 < pool_level(date(2026, 12, 20))
