"""A target's point from the boat's, by bearing and range: pyproj's geodesic is the independent computation."""

import pytest
from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError
from pyproj import Geod

from spots.bearings import Sighting

WGS84 = Geod(ellps="WGS84")
pytestmark = pytest.mark.django_db


def test_the_target_lies_where_pyproj_puts_it() -> None:
    worst = 0.0
    for north, east in ((45.03, -93.27), (-37.9, 144.4), (64.8, 179.9999), (0.0, 0.0)):
        for bearing in (0, 37.5, 90, 135, 225.25, 300, 360):
            for metres in (0.5, 24, 180, 1000):
                ours = Sighting(Point(east, north, srid=4326), bearing, metres).target()
                x, y, _ = WGS84.fwd(east, north, bearing, metres)
                worst = max(worst, WGS84.inv(x, y, ours.x, ours.y)[2])
    print(f"\nat most {worst * 1000:.4f} mm from pyproj")
    assert worst < 0.001


def test_bearings_and_ranges_that_are_none_are_refused_by_name() -> None:
    boat = Point(-93.27, 45.03, srid=4326)
    for bearing, metres, field, value in (
        (361, 20, "bearing", "361 is not a bearing"),
        (float("nan"), 20, "bearing", "nan"),
        (10, 0, "range", "0 m is not possible"),
        (10, 1001, "range", "at most 1000 m"),
        (10, float("inf"), "range", "inf"),
    ):
        with pytest.raises(ValidationError) as refused:
            Sighting(boat, bearing, metres).target()
        assert list(refused.value.message_dict) == [field] and value in refused.value.messages[0]


def test_how_far_it_may_be_off_grows_with_the_range() -> None:
    boat = Point(-93.27, 45.03, srid=4326)
    near, far = (Sighting(boat, 90, metres).error_m(4.0) for metres in (5, 100))
    # Worked by hand: hypot(4, 100 tan 10° = 17.63, 10) = 20.66 m.
    assert far == pytest.approx(20.66, abs=0.01)
    assert 4.0 < near < 4.2
