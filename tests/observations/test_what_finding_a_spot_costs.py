"""Search hours and fuel-hours per spot found: sums that were done by hand."""

import pytest

from observations.debrief.effort import Search, by_method, by_structure

DAYS = [
    Search("side-scan sonar", 2 * 3600, 1 * 3600, ("point", "point", "hump")),
    Search("side-scan sonar", 4 * 3600, 3 * 3600),
    Search("2D sonar", 1 * 3600, 0.5 * 3600, ("hump",)),
]


def test_days_that_found_nothing_cost_their_method_as_well() -> None:
    side, plain = by_method(DAYS)
    assert (side.what, side.days, side.spots) == ("side-scan sonar", 2, 3)
    assert (side.search_per_spot, side.fuel_per_spot) == pytest.approx((6 / 3, 4 / 3))
    assert (plain.search_per_spot, plain.fuel_per_spot) == pytest.approx((1.0, 0.5))


def test_a_days_hours_are_divided_over_what_it_found() -> None:
    point, hump = by_structure(DAYS)
    # Two of the first day's three finds; its third one, and the third day's only one.
    assert (point.what, point.spots, point.search_h) == ("point", 2, pytest.approx(2 * 2 / 3))
    assert (hump.spots, hump.search_h, hump.fuel_h) == (
        2,
        pytest.approx(2 / 3 + 1),
        pytest.approx(1 / 3 + 0.5),
    )
    assert hump.search_per_spot == pytest.approx((2 / 3 + 1) / 2)


def test_a_method_that_found_none_has_no_hours_per_spot() -> None:
    [row] = by_method([DAYS[1]])
    assert (row.search_per_spot, row.fuel_per_spot, row.search_h) == (None, None, 4)
    assert by_structure([DAYS[1]]) == []
