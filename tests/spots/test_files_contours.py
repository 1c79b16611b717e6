"""Contours in: lines and areas with a depth become what is deeper, nested,, and bands of depth are cut.

Hectares are pyproj's (Geod); what lies within which line is worked out by hand.
"""

import json
from typing import Any

import pytest
import shapely
from pyproj import Geod
from shapely import wkb

from spots.files import contours
from spots.models import DepthArea, Water
from tests.conftest import Cast, see
from tests.observations.files_kit import errors, imported, planned

pytestmark = pytest.mark.usefixtures("quiet_queue")


def box(inset: float, **depth: float) -> dict[str, Any]:
    """A closed line so many degrees inside the test water's square."""
    return line(shapely.box(-93.30 + inset, 45.00 + inset, -93.24 - inset, 45.06 - inset).exterior, **depth)


def line(geometry: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": json.loads(shapely.to_geojson(geometry)), "properties": properties}


def file_of(*features: dict[str, Any]) -> bytes:
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


def hectares(shape: Any) -> float:
    return abs(Geod(ellps="WGS84").geometry_area_perimeter(shapely.segmentize(shape, 0.001))[0]) / 10_000


def test_lines_become_what_is_deeper_and_its_bands_are_cut(
    cast: Cast, water: Water, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where they are cut, and that they never are again, is tested with the bands themselves."""
    asked: list[int] = []
    monkeypatch.setattr(contours, "publish_bands", lambda of: asked.append(of.depth_areas.count()))
    data = file_of(box(0.02, depth_m=6), box(0.01, depth_m=3), box(0.0, depth_m=0))
    plan = imported(cast.organiser, "a.geojson", data, water="Test water")
    assert plan.counts == [("depth contours", 2)]
    areas = {item.depth_m: wkb.loads(bytes(item.area.wkb)) for item in DepthArea.objects.all()}
    for depth, inset in ((3.0, 0.01), (6.0, 0.02)):
        square = shapely.box(-93.30 + inset, 45.00 + inset, -93.24 - inset, 45.06 - inset)
        assert hectares(areas[depth]) == pytest.approx(hectares(square), rel=1e-6)
    again = file_of(box(0.015, depth_m=4))
    assert (
        "which stay unless they are replaced"
        in errors(planned(cast.organiser, "b.geojson", again, water="Test water"))[0][3]
    )
    imported(cast.organiser, "b.geojson", again, water="Test water", replace=True)
    assert [item.depth_m for item in DepthArea.objects.all()] == [4.0]
    assert asked == [2, 1]
    with see(cast, "nobody"):
        assert DepthArea.objects.count() == 1


def test_a_line_within_a_line_is_a_hump_and_pieces_are_joined(cast: Cast, water: Water) -> None:
    basin, hump = shapely.box(-93.29, 45.01, -93.25, 45.05), shapely.box(-93.28, 45.02, -93.26, 45.04)
    ring = list(basin.exterior.coords)
    data = file_of(
        line(shapely.LineString(ring[:3]), depth_m=3),
        line(shapely.LineString(ring[2:]), depth_m=3),
        line(hump.exterior, depth_m=3),
    )
    (deeper,) = planned(cast.organiser, "a.geojson", data, water="Test water").contours.areas
    assert deeper.area.equals(basin.difference(hump))
    assert deeper.area_ha == pytest.approx(hectares(basin) - hectares(hump), rel=1e-5)


def test_feet_elevations_and_areas(cast: Cast, water: Water) -> None:
    Water.objects.update(full_pool_m=200.0)
    middle = shapely.box(-93.285, 45.015, -93.255, 45.045)
    data = file_of(box(0.01, depth_ft=10), line(middle, elevation_ft=640), box(0.02, elevation_m=195))
    areas = planned(cast.organiser, "a.geojson", data, water="Test water").contours.areas
    # 10 ft are 3.048 m; 200 m less 640 ft (195.072 m) are 4.928 m.
    assert [item.depth_m for item in areas] == [3.048, 4.928, 5.0]


@pytest.mark.parametrize(
    ("features", "column", "rule"),
    [
        (
            [line(shapely.LineString([(-93.29, 45.01), (-93.25, 45.01), (-93.25, 45.05)]), depth_m=3)],
            "depth",
            "not a closed line",
        ),
        ([box(-0.02, depth_m=3)], "depth", "outside the water’s outline"),
        ([box(0.02, depth_m=3), box(0.01, depth_m=6)], "depth", "outside what is deeper than 3 m"),
        ([box(0.01, depth_m="deep")], "depth_m", "not a number"),
        ([box(0.01, depth_m=900)], "depth_m", "between 0 and 500"),
        ([box(0.01, depth_m=3, depth_ft=10)], "depth", "one of depth_m"),
        ([box(0.01, elevation_m=190)], "elevation_m", "no full pool"),
        (
            [
                {
                    "type": "Feature",
                    "geometry": {"type": "LineString", "coordinates": [1]},
                    "properties": {"depth_m": 3},
                }
            ],
            "geometry",
            "line or an area",
        ),
    ],
)
def test_what_cannot_be_a_contour_is_named(
    cast: Cast, water: Water, features: list[dict[str, Any]], column: str, rule: str
) -> None:
    told = errors(planned(cast.organiser, "a.geojson", file_of(*features), water="Test water"))
    assert told[0][1] == column and rule in told[0][3]


def test_only_an_organiser_and_only_of_a_water_with_an_outline(cast: Cast, water: Water) -> None:
    data = file_of(box(0.01, depth_m=3))
    assert "Only an organiser" in errors(planned(cast.member, "a.geojson", data, water="Test water"))[0][3]
    assert "Say of which water" in errors(planned(cast.organiser, "a.geojson", data))[0][3]
    Water.objects.create(name="Bare", time_zone="UTC")
    assert "no outline yet" in errors(planned(cast.organiser, "a.geojson", data, water="Bare"))[0][3]
