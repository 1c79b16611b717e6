"""The order of an event's spots is small, pure and honest about what it cannot tell apart."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from observations.event_ranking import Chance, chance_of, month_weights, rank


def chance(p: float, low: float, high: float) -> Chance:
    return Chance(p, low, high, 0, 0.0, 0.0)


def year(**months: tuple[float, float, float]) -> list[dict[str, float]]:
    rows = []
    for month in range(1, 13):
        p, low, high = months.get(f"m{month}", (0.1, 0.05, 0.2))
        rows.append({"month": month, "probability": p, "low": low, "high": high, "looks": month,
                     "camera_minutes": 1.5, "rod_hours": 0.5})  # fmt: skip
    return rows


def test_days_are_weighed_by_their_months() -> None:
    days = [date(2026, 9, 29), date(2026, 9, 30), date(2026, 10, 1), date(2026, 10, 2)]
    assert month_weights(days) == {9: 0.5, 10: 0.5}
    assert month_weights(days[:3]) == pytest.approx({9: 2 / 3, 10: 1 / 3})
    assert month_weights([date(2026, 12, 31), date(2027, 1, 1)]) == {1: 0.5, 12: 0.5}


def test_an_event_over_two_months_takes_each_month_by_its_days() -> None:
    """By hand: (2 * 0.6 + 1 * 0.3) / 3 = 0.5, and the ends alike."""
    months = year(m9=(0.6, 0.4, 0.8), m10=(0.3, 0.1, 0.5))
    got = chance_of(months, {9: 2 / 3, 10: 1 / 3})
    assert (got.probability, got.low, got.high) == pytest.approx((0.5, 0.3, 0.7))
    assert (got.looks, got.camera_minutes, got.rod_hours) == (19, 3.0, 1.0)


def test_the_likeliest_comes_first_and_who_overlaps_it_is_said_to_be_level() -> None:
    got = rank(
        [
            ("c", "Third", chance(0.20, 0.10, 0.30)),
            ("a", "First", chance(0.80, 0.60, 0.90)),
            ("b", "Second", chance(0.50, 0.30, 0.65)),
        ]
    )
    assert [(row.key, row.place, row.level_with_first) for row in got] == [
        ("a", 1, True),
        ("b", 2, True),
        ("c", 3, False),
    ]


def test_equal_chances_share_a_place_and_the_next_place_is_left_out() -> None:
    got = rank(
        [
            ("x", "X", chance(0.404, 0.2, 0.6)),
            ("y", "Y", chance(0.396, 0.3, 0.6)),
            ("z", "Z", chance(0.31, 0.1, 0.6)),
        ]
    )
    assert [(row.key, row.place, row.tied) for row in got] == [
        ("y", 1, True),
        ("x", 1, True),
        ("z", 3, False),
    ]


def test_nothing_ranks_as_nothing() -> None:
    assert rank([]) == []


spots = st.lists(
    st.tuples(
        st.integers(0, 10**6), st.sampled_from("ABC"), st.lists(st.floats(0, 1), min_size=3, max_size=3)
    ),
    max_size=12,
    unique_by=lambda item: item[0],
)


# No time limit: what is checked is the order, on whatever machine.
@settings(deadline=None)
@given(spots)
def test_the_order_does_not_depend_on_how_spots_come_in_and_falls(
    rows: list[tuple[int, str, list[float]]],
) -> None:
    given_rows = [(key, label, chance(*(sorted(p)[i] for i in (1, 0, 2)))) for key, label, p in rows]
    got = rank(given_rows)
    assert got == rank(given_rows[::-1])
    assert sorted(row.key for row in got) == sorted(key for key, _, _ in given_rows)
    shown = [round(row.chance.probability * 100) for row in got]
    assert shown == sorted(shown, reverse=True)
    for row in got:
        better = sum(p > round(row.chance.probability * 100) for p in shown)
        assert row.place == better + 1
        # Level with the first exactly when the two intervals have a point in common.
        first = got[0].chance
        assert row.level_with_first == (max(first.low, row.chance.low) <= row.chance.high)
