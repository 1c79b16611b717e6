"""What Evidence accepts, refuses and fills in; visits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from observations.inference import NO_ECHOES, NO_OUTCOME, SEEN, UNCALLED, Evidence, Taxa, visits
from observations.inference.types import utc_month

from .simulate import tree

TAXA = tree(3)
NOW = 1000.0


def one_row(**changes):
    row = {"spot": [0], "time": [999.0], "method": [0], "look": [0], "outcome": [NO_ECHOES]} | changes
    return Evidence.make(TAXA, NOW, spots=["a", "b"], **row)


def camera_row(**changes):
    return one_row(**({"method": [4], "outcome": [NO_OUTCOME]} | changes))


def test_defaults_are_filled_in_and_arrays_are_frozen():
    e = camera_row(grade=[[SEEN, 0, 0]])
    assert len(e) == 1 and list(e.count[0]) == [1, 0, 0] and bool(e.sealed[0])
    assert np.isnan(e.minutes[0]) and e.tie[0] == -1 and e.month[0] == utc_month(999.0)
    with pytest.raises(ValueError):
        e.time[0] = 3.0


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"time": [np.nan]}, "time of row 0: must be finite"),
        ({"time": [np.inf]}, "time of row 0"),
        ({"time": [1000.5]}, "must not be in the future"),
        ({"minutes": [-1.0]}, "minutes of row 0"),
        ({"rod_hours": [np.inf]}, "rod_hours of row 0"),
        ({"secchi_m": [-0.5]}, "secchi_m"),
        ({"depth_m": [np.inf]}, "depth_m"),
        ({"stated": [1.2]}, "stated"),
        ({"spot": [2]}, "spot of row 0"),
        ({"spot": [-1]}, "spot of row 0"),
        ({"method": [9]}, "method of row 0"),
        ({"observer": [4]}, "observer"),
        ({"outcome": [99]}, "outcome"),
        ({"outcome": [NO_OUTCOME]}, "calls belong to sonar"),
        ({"placement": [11]}, "placement"),
        ({"month": [13]}, "month"),
        ({"tie": [3], "outcome": [2]}, "tie"),
        ({"tie": [1]}, "settles echoes"),
        ({"grade": [[SEEN, 0, 0]]}, "findings belong to camera"),
        ({"time": [1.0, 2.0]}, "time has shape"),
        ({"look": [np.nan]}, "look must be whole numbers"),
        ({"colour": [1]}, "unknown arrays"),
    ],
)
def test_bad_rows_are_refused_with_the_field_and_the_rule(changes, says):
    with pytest.raises(ValueError, match=says):
        one_row(**changes)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"outcome": [2]}, "calls belong"),
        ({"grade": [[4, 0, 0]]}, "grade"),
        ({"grade": [[SEEN, 0, 0]], "count": [[0, 0, 0]]}, "count"),
        ({"grade": [[0, 0, 0]], "count": [[-2, 0, 0]]}, "count"),
    ],
)
def test_bad_findings_are_refused(changes, says):
    with pytest.raises(ValueError, match=says):
        camera_row(**changes)


def test_trees_with_a_cycle_or_species_above_species_are_refused():
    with pytest.raises(ValueError, match="cycle"):
        Taxa(("a", "b", "c"), np.array([1, 2, 1]), np.array([True, False, False]))
    with pytest.raises(ValueError, match="above another species"):
        Taxa(("a", "b"), np.array([-1, 0]), np.array([True, True]))
    with pytest.raises(ValueError, match="at least one"):
        Taxa(("a",), np.array([-1]), np.array([False]))


def test_a_wider_kind_covers_its_species_and_not_fish_covers_none():
    assert TAXA.species == ("s0", "s1", "s2")
    assert list(TAXA.covers[TAXA.node("pair")]) == [True, True, False]
    assert TAXA.covers[TAXA.node("fish")].all()
    assert not TAXA.covers[TAXA.node("bait")].any() and not TAXA.covers[TAXA.node("not-fish")].any()


def test_months_are_calendar_months():
    days = (np.array(["2024-02-29", "2026-01-01", "1969-12-31"], dtype="datetime64[D]")).astype(int)
    assert list(utc_month(days + 0.5)) == [2, 1, 12]


def looks(*hours, spot=None, look=None):
    n = len(hours)
    return Evidence.make(
        TAXA,
        NOW,
        spots=["a", "b"],
        spot=spot or [0] * n,
        time=900 + np.array(hours) / 24,
        method=[0] * n,
        outcome=[UNCALLED] * n,
        **({"look": look} if look else {}),
    )


def test_a_gap_below_the_window_keeps_a_visit_and_the_window_itself_ends_it():
    assert list(visits(looks(0, 5.99, 11.98, 18))) == [0, 0, 0, 1]
    assert list(visits(looks(0, 6.0))) == [0, 1]
    assert list(visits(looks(0, 6.0), window_hours=6.1)) == [0, 0]


def test_visits_do_not_join_spots_and_any_order_of_rows_will_do():
    assert list(visits(looks(20, 0, 1, 0.5), 6)) == [1, 0, 0, 0]
    assert list(visits(looks(0, 1, 2, spot=[1, 0, 1]))) == [1, 0, 1]


def test_all_rows_of_a_look_fall_into_one_visit():
    assert list(visits(looks(0, 7, 7, look=[1, 1, 2]))) == [0, 0, 1]


def test_no_rows_make_no_visits_and_a_window_must_be_positive():
    assert len(visits(looks())) == 0
    with pytest.raises(ValueError, match="window_hours"):
        visits(looks(0), 0.0)


@given(st.lists(st.floats(0, 200), min_size=1, max_size=20), st.randoms(use_true_random=False))
def test_visits_do_not_depend_on_the_order_of_the_rows(hours, shuffle):
    order = list(range(len(hours)))
    shuffle.shuffle(order)
    plain = visits(looks(*hours))
    mixed = visits(looks(*[hours[i] for i in order]))
    assert [plain[i] for i in order] == list(mixed)
