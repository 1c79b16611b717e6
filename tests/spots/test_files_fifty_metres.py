"""Up to 50 m off the outline is a warning, beyond it an error: on the ellipsoid, checked against pyproj.

pyproj's Geod solves the geodesic problem by Karney's algorithm (GeographicLib), independent of PostGIS.
"""

import pytest
from django.contrib.gis.geos import Point
from pyproj import Geod

from spots.files.places import holding_waters, metres_between
from spots.models import Spot, Water
from spots.zones import metres_off_all
from tests.conftest import Cast
from tests.observations.files_kit import errors, gpx_of, imported, planned, warnings

pytestmark = pytest.mark.usefixtures("quiet_queue")
WGS84 = Geod(ellps="WGS84")
WEST, MIDDLE = -93.30, 45.03


def west_of_the_water(metres: float) -> tuple[float, float]:
    """Return (lat, lon) of a point so far west of the middle of the west bank, by pyproj."""
    lon, lat, _ = WGS84.fwd(WEST, MIDDLE, 270, metres)
    return lat, lon


@pytest.mark.parametrize("metres", [0.5, 10, 49.9])
def test_within_fifty_metres_is_a_warning(cast: Cast, water: Water, metres: float) -> None:
    plan = imported(cast.member, "a.gpx", gpx_of((*west_of_the_water(metres), "Bank")))
    assert [rule for _, _, rule in warnings(plan)] == [
        f"The position is {metres:.0f} m off the outline of Test water."
    ]
    assert Spot.objects.count() == 1


@pytest.mark.parametrize("metres", [50.1, 60, 5000])
def test_beyond_fifty_metres_is_an_error(cast: Cast, water: Water, metres: float) -> None:
    data = gpx_of((*west_of_the_water(metres), "Bank"))
    assert (
        f"The nearest is Test water, {metres:,.0f} m away."
        in errors(planned(cast.member, "a.gpx", data))[0][3]
    )
    named = errors(planned(cast.member, "a.gpx", data, water="Test water"))
    assert f"{metres:,.0f} m off Test water" in named[0][3]


@pytest.mark.parametrize("metres", [0.5, 10, 49.9, 50.1, 60, 5000])
def test_the_distance_off_is_the_geodesic_one(water: Water, metres: float) -> None:
    lat, lon = west_of_the_water(metres)
    (off,) = metres_off_all([(water, Point(lon, lat, srid=4326))])
    # The nearest point of a meridian lies a little off the parallel; at 5 km by less than a centimetre.
    assert off == pytest.approx(metres, abs=0.02)


@pytest.mark.parametrize("pair", [(45.0, -93.0, 45.0, -93.001), (45, -93, 46, -92), (-33.5, 151, 60, 10)])
def test_distances_between_points_are_geodesic(db: None, pair: tuple[float, float, float, float]) -> None:
    a, b, c, d = pair
    (metres,) = metres_between([(Point(b, a, srid=4326), Point(d, c, srid=4326))])
    assert metres == pytest.approx(WGS84.inv(b, a, d, c)[2], rel=1e-9)


def test_many_points_keep_their_order(water: Water) -> None:
    inside, far = Point(-93.29, 45.01, srid=4326), Point(0, 0, srid=4326)
    assert holding_waters([far, inside, far]) == [None, water, None]
    assert holding_waters([]) == []


def test_a_spot_near_the_bank_is_still_published_in_a_zone_of_every_minimum(cast: Cast, water: Water) -> None:
    imported(cast.member, "a.gpx", gpx_of((*west_of_the_water(40), "Bank"), (45.01, -93.29, "On")))
    minima = set(water.zones.values_list("minimum_ha", flat=True))
    for spot in Spot.objects.all():
        assert set(spot.zones.values_list("minimum_ha", flat=True)) == minima
