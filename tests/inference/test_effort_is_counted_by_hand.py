"""Effort, grades and catch rates, each checked by counting."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, poisson

from observations.inference import LANDED, NO_ECHOES, NO_OUTCOME, SEEN, VERIFIED, Evidence
from observations.inference.effort import (
    catch_rate,
    grade_counts,
    last_verified,
    month_effort,
    poisson_limits,
)

from .simulate import tree

TAXA = tree(3)
S0, S1, PAIR = TAXA.node("s0"), TAXA.node("s1"), TAXA.node("pair")
NOW = 20_100.0


def day(text):
    return float(np.datetime64(text, "D").astype(int)) + 0.5


def evidence(*rows):
    """Rows of (look, day, method, outcome, minutes, rod_hours, grades)."""
    return Evidence.make(
        TAXA,
        NOW,
        spots=["a"],
        spot=np.zeros(len(rows)),
        look=[r[0] for r in rows],
        time=[day(r[1]) for r in rows],
        method=[r[2] for r in rows],
        outcome=[r[3] for r in rows],
        minutes=[r[4] for r in rows],
        rod_hours=[r[5] for r in rows],
        grade=[r[6] for r in rows],
    )


NAN, NONE = math.nan, [0, 0, 0]
BOOK = evidence(
    (1, "2024-03-02", 0, S0, NAN, NAN, NONE),  # a look of two groups, both called s0
    (1, "2024-03-02", 0, S0, NAN, NAN, NONE),
    (2, "2024-03-02", 4, NO_OUTCOME, 4.0, NAN, [SEEN, 0, 0]),
    (3, "2024-03-30", 4, NO_OUTCOME, 2.5, NAN, [VERIFIED, SEEN, 0]),
    (4, "2024-07-01", 5, NO_OUTCOME, NAN, 1.5, [0, LANDED, 0]),
    (4, "2024-07-01", 5, NO_OUTCOME, NAN, 1.5, [0, 0, 0]),  # the same look typed as two rows
    (5, "2023-07-04", 5, NO_OUTCOME, NAN, 0.5, NONE),
    (6, "2024-07-04", 3, NO_ECHOES, NAN, NAN, NONE),
    (7, "2024-12-31", 3, PAIR, NAN, NAN, NONE),
)


def test_effort_by_month_counts_each_look_once():
    effort = month_effort(BOOK)
    looks = [0, 0, 3, 0, 0, 0, 3, 0, 0, 0, 0, 1]
    assert list(effort.looks) == looks
    assert effort.camera_minutes == pytest.approx([0, 0, 6.5] + [0] * 9)
    assert effort.rod_hours == pytest.approx([0] * 6 + [2.0] + [0] * 5)


def test_grades_count_each_look_once_at_its_highest():
    # called, seen, landed, verified; the wider call counts for no species
    assert grade_counts(BOOK).tolist() == [[1, 1, 0, 1], [0, 1, 1, 0], [0, 0, 0, 0]]


def test_last_verified_is_the_latest_and_nan_where_never():
    last = last_verified(BOOK)
    assert last[0] == day("2024-03-30") and np.isnan(last[1]) and np.isnan(last[2])


def test_no_rows_count_nothing():
    nothing = BOOK.take(np.zeros(0, dtype=int))
    assert month_effort(nothing).looks.sum() == 0
    assert grade_counts(nothing).sum() == 0
    assert math.isnan(catch_rate(nothing, 0).rate)


def test_catch_rate_is_fish_over_hours_with_mid_p_poisson_limits():
    rate = catch_rate(BOOK, 1)
    assert (rate.caught, rate.rod_hours, rate.trips) == (1, 2.0, 2)
    assert rate.rate == 0.5
    for count in (1, 4, 17):
        low, high = poisson_limits(count)
        # Cohen & Yang (1994): half of the count's own chance on either side, by scipy's Poisson distribution.
        for mean, level in ((low, 0.95), (high, 0.05)):
            below = poisson.cdf(count - 1, mean) + 0.5 * poisson.pmf(count, mean)
            assert below == pytest.approx(level, abs=1e-9)
        # Inside Garwood's exact limits (1936), which hold too often; of one event 0.0513 and 4.744, from any table.
        assert chi2.ppf(0.05, 2 * count) / 2 < low < count < high < chi2.ppf(0.95, 2 * count + 2) / 2
    assert rate.interval == pytest.approx([m / 2.0 for m in poisson_limits(1)])


def test_no_catch_has_an_upper_bound_of_2_3_over_the_hours():
    rate = catch_rate(BOOK, 0)
    assert rate.caught == 0 and rate.rate == 0.0 and rate.interval[0] == 0.0
    assert rate.interval[1] == pytest.approx(-math.log(0.1) / 2.0)


def test_clumped_catches_widen_the_interval():
    def fished(counts):
        return Evidence.make(
            TAXA,
            NOW,
            spots=["a"],
            spot=np.zeros(len(counts)),
            time=np.arange(len(counts)) + 1.0,
            method=np.full(len(counts), 5),
            rod_hours=np.ones(len(counts)),
            grade=[[LANDED if c else 0, 0, 0] for c in counts],
            count=[[c, 0, 0] for c in counts],
        )

    even, clumped = (
        catch_rate(fished([2, 1, 2, 3, 1, 2, 2, 3]), 0),
        catch_rate(fished([0, 0, 0, 0, 16, 0, 0, 0]), 0),
    )
    assert even.rate == clumped.rate == 2.0
    assert math.isinf(even.clumping) and clumped.clumping < 1
    assert clumped.interval[1] - clumped.interval[0] > 2 * (even.interval[1] - even.interval[0])


def test_catch_intervals_cover_about_right_whether_catches_clump_or_not():
    for size in (np.inf, 0.5):
        rng = np.random.default_rng(11)
        hits = 0
        for _ in range(300):
            hours = rng.uniform(0.5, 3, 25)
            lam = 0.8 * hours if np.isinf(size) else rng.gamma(size, 0.8 * hours / size)
            counts = rng.poisson(lam)
            e = Evidence.make(
                TAXA,
                NOW,
                spots=["a"],
                spot=np.zeros(25),
                time=np.arange(25) + 1.0,
                method=np.full(25, 5),
                rod_hours=hours,
                grade=[[LANDED if c else 0, 0, 0] for c in counts],
                count=[[c, 0, 0] for c in counts],
            )
            low, high = catch_rate(e, 0).interval
            hits += low <= 0.8 <= high
        # The trial had .77 for the clumped.
        assert 0.83 < hits / 300 < 0.94, size
