"""The demo's spots: on the water, as deep as the chart says, near the bank where they must be."""

from collections import Counter

import pytest
from pyproj import Geod
from shapely.geometry import Point
from shapely.ops import nearest_points

from observations.demo import lake
from observations.demo.chart import waters
from observations.demo.people import BY_NAME, TEAMS
from observations.demo.rows import SpotRow
from observations.demo.spotlist import spots

WGS84 = Geod(ellps="WGS84")
WATERS = {water.key: water for water in waters()}


def metres_to_shore(spot: SpotRow) -> float:
    """Distance to the outline on the ellipsoid, by pyproj; 0 on it."""
    place = Point(spot.longitude, spot.latitude)
    _, shore = nearest_points(place, WATERS[spot.water].outline.boundary)
    return float(WGS84.inv(place.x, place.y, shore.x, shore.y)[2])


def test_every_spot_lies_on_its_water() -> None:
    off = [s.name for s in spots() if not WATERS[s.water].outline.contains(Point(s.longitude, s.latitude))]
    assert off == []


def test_docks_laydowns_and_riprap_lie_near_the_bank() -> None:
    for spot in spots():
        if spot.cover in ("dock", "riprap") or spot.structure == "bank":
            assert metres_to_shore(spot) <= 90, spot.name


def test_no_spot_lies_in_the_closure_at_the_dam() -> None:
    closure = next(f.shape for f in WATERS["marrowby"].features if f.kind == "closure")
    assert [s.name for s in spots() if closure.contains(Point(s.longitude, s.latitude))] == []


def test_depths_agree_with_the_chart() -> None:
    """A spot's depths are those around it: its deepest reaches the depth area in which it lies."""
    for spot in spots():
        place = Point(spot.longitude, spot.latitude)
        inside = max(
            (m for m, area in WATERS[spot.water].depth_areas.items() if area.contains(place)), default=0
        )
        assert 0 < spot.depth_min_m <= spot.depth_max_m
        assert spot.depth_max_m >= inside - 0.8, spot.name
        assert spot.depth_max_m <= 12.5, spot.name


def test_depths_agree_with_the_ground() -> None:
    for spot in spots():
        bottom = lake.marrowby() if spot.water == "marrowby" else lake.tansy()
        depth = bottom.depth(*bottom.frame.metres(spot.longitude, spot.latitude))
        assert spot.depth_min_m - 0.6 <= depth <= spot.depth_max_m + 0.6, spot.name


def test_names_are_told_apart() -> None:
    names = Counter((spot.water, spot.name) for spot in spots())
    assert max(names.values()) == 1


def test_most_spots_are_the_clubs_some_private_some_a_teams() -> None:
    owners = Counter(spot.owner.partition(":")[0] for spot in spots())
    assert 140 <= sum(owners.values()) <= 175
    assert owners["club"] > 100
    assert 30 <= owners["member"] <= 40
    assert 10 <= owners["team"] <= 14


def test_private_spots_are_shared_in_every_way() -> None:
    private = [spot for spot in spots() if spot.owner != "club"]
    levels = {(grant.audience.partition(":")[0], grant.level) for spot in private for grant in spot.grants}
    assert {("members", 2), ("members", 3), ("member", 3), ("members", 1), ("public", None)} <= levels
    assert any(not spot.grants for spot in private), "some are hidden"
    assert any(grant.starts_at for spot in private for grant in spot.grants), "some are under embargo"


@pytest.mark.parametrize("kind", ["agency", "club", "found"])
def test_every_provenance_is_there(kind: str) -> None:
    assert sum(spot.provenance == kind for spot in spots()) >= 10


def test_owners_and_audiences_are_people_and_teams_of_the_club() -> None:
    for spot in spots():
        for said in [spot.owner, *(grant.audience for grant in spot.grants)]:
            kind, _, name = said.partition(":")
            assert kind in ("club", "members", "guest", "public") or name in BY_NAME or name in TEAMS
