"""Depth at `area`: every band leaves its minimum, and so does what two audiences see together.

Areas are pyproj's (Geod, Karney 2013), of intersections by shapely; the grouping of what is shown is done here.
"""

from collections import Counter, defaultdict
from dataclasses import dataclass

import pytest
import shapely
from django.contrib.gis.geos import MultiPolygon, Point, Polygon
from django.utils import timezone
from hypothesis import given, settings
from hypothesis import strategies as st

from club.models import LADDER_HA, AudiencePolicy
from spots.disclosure_models import Channel
from spots.geometry.bands import DepthCell, PublishedZone, cut_bands
from spots.geometry.squares import Square
from spots.geometry.zones import cut_zones
from spots.models import DepthArea, Spot, SpotZone, Water
from spots.models import DepthCell as StoredCell
from spots.precision import ReleasedSpot, released_spots
from spots.services import SpotDraft, create_spot, save_water
from spots.zones import publish_bands
from tests.conftest import Cast, see
from tests.spots.test_zones_keep_their_promise import geodesic_ha, lake

# Room for overlays by floating point: one part in 100,000.
ALMOST = 1 - 1e-5
Contours = list[tuple[float, shapely.Geometry]]


def contours_of(water: shapely.Geometry, steps: int, step: float = 0.002) -> Contours:
    """Rings towards the middle, the last ones in several basins."""
    return [(2.5 * n, water.buffer(-step * n)) for n in range(1, steps + 1)]


def exactly(shape: shapely.Geometry) -> float:
    """Hectares by pyproj. Sides are straight in degrees, not geodesics: short ones make the two the same."""
    areas = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return geodesic_ha(shapely.segmentize(shapely.MultiPolygon(areas), 0.002))


@dataclass(frozen=True)
class Case:
    water: shapely.Geometry
    zones: list[PublishedZone]
    contours: Contours
    cells: list[DepthCell]

    def view(self, cell: DepthCell, minimum: int) -> tuple[int, object]:
        """What a spot in this cell is shown as at a minimum: the zone that holds it, and its band."""
        inside = cell.area.representative_point()
        (zone,) = [z.key for z in self.zones if z.minimum_ha == minimum and z.squares.covers(inside)]
        return zone, cell.bands.get(minimum)

    def check(self) -> list[float]:
        """Assert that each minimum's and each pair's water is enough; return it as shares of the finer minimum."""
        minima = sorted({zone.minimum_ha for zone in self.zones})
        areas = [exactly(cell.area) for cell in self.cells]
        views = [{minimum: self.view(cell, minimum) for minimum in minima} for cell in self.cells]
        shares = []
        for fine in minima:
            for coarse in (minimum for minimum in minima if minimum >= fine):
                left: dict[object, float] = defaultdict(float)
                for view, area in zip(views, areas, strict=True):
                    left[view[fine], view[coarse]] += area
                shares += [area / fine for area in left.values()]
        assert min(shares, default=1.0) >= ALMOST
        return shares


def lake_case(seed: int, kilometres: float, ladder: tuple[int, ...], step: float) -> Case:
    water = lake(seed, kilometres)
    cut = cut_zones(water, ladder)
    zones = [PublishedZone(number, zone.minimum_ha, zone.polygon()) for number, zone in enumerate(cut)]
    contours = contours_of(water, 4, step)
    return Case(water, zones, contours, cut_bands(water, zones, contours))


def roomy_case(columns: int, rows: int, blocks: tuple[int, ...], slopes: list[tuple[float, float]]) -> Case:
    """A water of whole squares of some 77 ha, in zones with room to spare: there bands are common.

    `blocks` are how many squares a zone is wide, at minima of 50, 150 and 450 ha; each contour is the part
    of the water on one side of a line, given by where it crosses the south and the north shore.
    """
    west, south, _, _ = Square(15, 7500, 11900).bounds()
    side = 360 / 2**15

    def block(size: int, x: int, y: int) -> shapely.Geometry:
        squares = [
            Square(15, 7500 + i, 11900 - j).polygon()
            for i in range(x * size, min((x + 1) * size, columns))
            for j in range(y * size, min((y + 1) * size, rows))
        ]
        return shapely.union_all(squares)

    zones: list[PublishedZone] = []
    size = 1
    for minimum, factor in zip((50, 150, 450), blocks, strict=False):
        size *= factor
        for x in range(-(-columns // size)):
            for y in range(-(-rows // size)):
                squares = block(size, x, y)
                if exactly(squares) >= minimum:
                    zones.append(PublishedZone(len(zones), minimum, squares))
    water = shapely.union_all([zone.squares for zone in zones if zone.minimum_ha == 50])
    north = water.bounds[3]
    contours: Contours = []
    for n, (at_south, at_north) in enumerate(slopes, 1):
        ends = (west + at_south * columns * side, west + at_north * columns * side)
        line = [(ends[0], south - 1), (ends[0], south), (ends[1], north), (ends[1], north + 1)]
        contours.append((5.0 * n, shapely.Polygon([*line, (west + 2, north + 1), (west + 2, south - 1)])))
    return Case(water, zones, contours, cut_bands(water, zones, contours))


@given(
    seed=st.integers(0, 10_000),
    kilometres=st.floats(0.5, 3.0),
    ladder=st.sampled_from([(50, 250), (25, 100, 500), (10, 50), (100,), LADDER_HA[2:]]),
    step=st.floats(0.0005, 0.003),
)
@settings(max_examples=15, deadline=None)
def test_on_a_lake_with_arms_what_is_shown_leaves_the_minimum_alone_and_in_pairs(
    seed: int, kilometres: float, ladder: tuple[int, ...], step: float
) -> None:
    """Also that no band is shown is something shown."""
    lake_case(seed, kilometres, ladder, step).check()


@given(
    size_and_blocks=st.sampled_from(
        [
            ((6, 6), (1, 2, 3)),
            ((6, 6), (2, 3)),
            ((8, 8), (2, 2)),
            ((8, 8), (2, 2, 2)),
            ((9, 6), (3,)),
            ((12, 4), (2, 2)),
        ]
    ),
    slopes=st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=4),
)
@settings(max_examples=60, deadline=None)
def test_where_there_is_room_for_bands_they_leave_the_minimum_alone_and_in_pairs(
    size_and_blocks: tuple[tuple[int, int], tuple[int, ...]], slopes: list[tuple[float, float]]
) -> None:
    size, blocks = size_and_blocks
    roomy_case(*size, blocks, slopes).check()


def test_bands_are_shown_where_there_is_room_for_them() -> None:
    """Or the promise would be kept by never showing a depth. A zone that they would cut badly is told none."""
    case = roomy_case(8, 8, (2, 2), [(0.5, 0.5), (0.9, 0.7)])
    fine = {cell.bands.get(50) for cell in case.cells}
    coarse = {cell.bands.get(150) for cell in case.cells}
    assert {None, (0.0, 10.0), (10.0, None)} <= fine
    assert {None} < coarse


@given(
    size=st.sampled_from([4, 6]),
    slopes=st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=3),
)
@settings(max_examples=25, deadline=None)
def test_cells_cover_the_water_once_and_their_bands_are_true(
    size: int, slopes: list[tuple[float, float]]
) -> None:
    case = roomy_case(size, size, (2,), slopes)
    assert sum(exactly(cell.area) for cell in case.cells) == pytest.approx(exactly(case.water), rel=1e-6)
    for cell in case.cells:
        for low, high in cell.bands.values():
            for depth, deeper in case.contours:
                # Deeper than an edge of the band is where a contour of that depth, or of a greater one, runs.
                at_least = shapely.union_all([area for at, area in case.contours if at >= depth])
                if depth == low:
                    assert exactly(cell.area.difference(at_least)) < 1e-3
                if depth == high:
                    assert exactly(cell.area.intersection(deeper)) < 1e-3


def test_a_water_without_contours_has_no_bands() -> None:
    water = lake(2, 1.0)
    zones = [PublishedZone(i, z.minimum_ha, z.polygon()) for i, z in enumerate(cut_zones(water, (10,)))]
    assert cut_bands(water, zones, []) == []


def test_at_low_pool_the_smaller_water_counts() -> None:
    water = lake(4, 1.5)
    low = water.buffer(-0.001)
    zones = [PublishedZone(i, z.minimum_ha, z.polygon()) for i, z in enumerate(cut_zones(water, (25,), low))]
    left: dict[object, float] = defaultdict(float)
    for cell in cut_bands(water, zones, contours_of(water, 4), low):
        left[cell.zone, cell.bands.get(25)] += exactly(cell.area.intersection(low))
    assert min(left.values()) >= 25 * ALMOST


# One square of some 75 ha and half of the next: a single zone of 50 ha, with room for two bands.
WEST, SOUTH, EAST, NORTH = Square(15, 7894, 11806).bounds()
SIDE = EAST - WEST


def deep_basin(water: Water) -> None:
    """Two contours: the western half is deeper than 5 m, and a part of that too small for a band than 10 m."""
    for depth, share in ((5.0, 0.75), (10.0, 0.2)):
        area = MultiPolygon(Polygon.from_bbox((WEST, SOUTH, WEST + share * SIDE, NORTH)), srid=4326)
        DepthArea.objects.create(water=water, depth_m=depth, area=area)


def at(share: float) -> float:
    """Longitude, by the side of a square from the western shore."""
    return WEST + share * SIDE


MIDDLE = (SOUTH + NORTH) / 2


def placed(cast: Cast, water: Water, lon: float, lat: float, **more: object) -> Spot:
    with see(cast, "organiser"):
        draft = SpotDraft(water=water, name="Canary", scope="club", point=Point(lon, lat, srid=4326), **more)  # type: ignore[arg-type]
        return create_spot(draft, cast.viewer("organiser"), timezone.now())[0]


def released(cast: Cast, persona: str, spot: Spot) -> ReleasedSpot:
    with see(cast, persona):
        (found,) = released_spots(ids=[spot.pk], channel=Channel.UNSEEN)
        return found


@pytest.fixture
def deep(cast: Cast) -> Water:
    AudiencePolicy.objects.filter(audience="public").update(default_level=2, ceiling_level=2, minimum_ha=100)
    outline = MultiPolygon(Polygon.from_bbox((WEST, SOUTH, at(1.52), NORTH)), srid=4326)
    return save_water(Water(name="Long pond", time_zone="UTC", outline=outline))


@pytest.fixture
def charted(deep: Water) -> Water:
    deep_basin(deep)
    assert publish_bands(deep) == 2
    return deep


def told(spot: ReleasedSpot) -> object:
    return spot.zone_id, spot.zone_ha, spot.band_from_m, spot.band_to_m


def test_the_charts_depth_decides_not_the_stated_one(cast: Cast, charted: Water) -> None:
    """Whoever searches goes by the chart."""
    shallow = placed(cast, charted, at(0.3), MIDDLE, depth_min_m=1.0, depth_max_m=2.0)
    deep = placed(cast, charted, at(0.3), MIDDLE, depth_min_m=20.0)
    shown = released(cast, "member", shallow)
    assert told(shown) == told(released(cast, "member", deep))
    assert (shown.band_from_m, shown.band_to_m, shown.depth_min_m) == (5.0, None, None)
    assert released(cast, "member", placed(cast, charted, at(1.2), MIDDLE)).band_to_m == 5.0
    assert released(cast, "nobody", shallow).band_from_m is None


def test_what_is_shown_of_a_grid_of_spots_leaves_the_minimum(cast: Cast, charted: Water) -> None:
    """Counted from the answers: each spot stands for its part of the water, of some 1.2 ha."""
    steps = [
        (at(0.01 + 0.125 * i), SOUTH + (0.0625 + 0.125 * j) * (NORTH - SOUTH))
        for i in range(12)
        for j in range(8)
    ]
    spots = [placed(cast, charted, lon, lat) for lon, lat in steps]
    part = exactly(shapely.box(WEST, SOUTH, at(1.52), NORTH)) / len(spots)
    views: dict[str, dict[object, object]] = {}
    for persona in ("member", "nobody"):
        with see(cast, persona):
            views[persona] = {spot.id: told(spot) for spot in released_spots(channel=Channel.UNSEEN)}
    alone = Counter(views["member"].values())
    both = Counter((views["member"][spot.pk], views["nobody"][spot.pk]) for spot in spots)
    assert len(alone) == 2
    assert min(alone.values()) * part >= 50 and min(both.values()) * part >= 50


def test_a_later_contour_and_a_second_cut_change_nothing(cast: Cast, charted: Water) -> None:
    spot = placed(cast, charted, at(0.3), MIDDLE)
    before = list(SpotZone.objects.order_by("id").values())
    cells = list(StoredCell.objects.order_by("id").values("id", "bands"))
    DepthArea.objects.filter(water=charted).delete()
    area = MultiPolygon(Polygon.from_bbox((at(0.2), SOUTH, at(1.4), NORTH)), srid=4326)
    DepthArea.objects.create(water=charted, depth_m=1.0, area=area)
    publish_bands(charted)
    assert list(SpotZone.objects.order_by("id").values()) == before
    assert list(StoredCell.objects.order_by("id").values("id", "bands")) == cells
    twin = placed(cast, charted, at(0.3), MIDDLE)
    assert told(released(cast, "member", spot)) == told(released(cast, "member", twin))


def test_a_spot_published_before_the_contours_keeps_showing_no_depth(cast: Cast, deep: Water) -> None:
    spot = placed(cast, deep, at(0.3), MIDDLE)
    deep_basin(deep)
    assert publish_bands(deep) == 2
    assert released(cast, "member", spot).band_from_m is None


def test_a_finer_minimum_set_later_does_not_cut_the_bands(cast: Cast, charted: Water) -> None:
    """A band of one audience and a finer zone of another would meet in a sliver."""
    spot = placed(cast, charted, at(0.3), MIDDLE)
    before = released(cast, "member", spot)
    AudiencePolicy.objects.filter(audience="members").update(minimum_ha=2)
    assert told(released(cast, "member", spot)) == told(before)


def test_neither_cover_nor_structure_nor_their_absence_is_told(cast: Cast, charted: Water) -> None:
    """To withhold only what is seen from the bank would tell it: no cover shown would mean the bank."""
    shown = [
        released(cast, "member", placed(cast, charted, at(0.3), MIDDLE, cover=cover, structure=structure))
        for cover, structure in (("brush pile", "hump"), ("dock", ""), ("", "point"), ("none", "flat"))
    ]
    assert {(spot.cover, spot.structure, told(spot)) for spot in shown} == {("", None, told(shown[0]))}
