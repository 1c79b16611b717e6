"""Catch per rod-hour by month and band: by hand, against scipy, and how often its intervals hold."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.stats import chi2, gamma, nbinom

from observations.inference import LANDED, Evidence
from observations.inference.catches import CELLS, CatchFit, _size, fit_catches, spot_catches

from .simulate import tree

TAXA, ROD = tree(2), 5
NOW = 20_100.0
JANUARY, JULY = 19_738.5, 19_920.5  # 16 Jan and 16 Jul 2024


def fished(hours, caught, *, time=None, spot=None, temp=None, spots=1):
    n = len(hours)
    count = np.zeros((n, 2), dtype=int)
    count[:, 0] = caught
    return Evidence.make(
        TAXA,
        NOW,
        spots=[str(i) for i in range(spots)],
        spot=np.zeros(n) if spot is None else spot,
        time=np.full(n, JULY) if time is None else time,
        method=np.full(n, ROD),
        rod_hours=hours,
        water_temp_c=np.full(n, np.nan) if temp is None else temp,
        grade=np.where(count > 0, LANDED, 0),
        count=count,
    )


def club(rate=0.5, fish=1e9, clump=1e9, spot=2.0, cell=3.0):
    """A club whose rate is the same all year, and known."""
    one = np.ones(2)
    return CatchFit(
        TAXA.species,
        np.full((2, CELLS), rate),
        np.full((2, CELLS), fish),
        clump * one,
        spot * one,
        cell * one,
        1,
    )


def test_fish_and_hours_are_summed_before_dividing_and_counted_once():
    # 3 fish in 1 h and none in 5 h: half a fish an hour, not the mean of 3 and 0.
    told = spot_catches(
        club(spot=1e-9, cell=1e9), fished([1.0, 5.0], [3, 0], time=[JANUARY, JULY], temp=[4, 21])
    )
    assert told.rate[0, 0] == pytest.approx(0.5)
    month = told.caught[1:13, 0].tolist(), told.rod_hours[1:13].tolist()
    assert month == ([3, *[0] * 11], [1.0, 0, 0, 0, 0, 0, 5.0, 0, 0, 0, 0, 0])
    assert told.caught[13:, 0].tolist() == [3, 0, 0, 0, 0, 0] and told.rod_hours[13:].tolist() == [
        1,
        0,
        0,
        0,
        5,
        0,
    ]
    twice = Evidence.make(
        TAXA, NOW, spots=["0"], spot=[0, 0], look=[7, 7], time=[JULY, JULY], method=[ROD, ROD], rod_hours=[2.0, 2.0],
        grade=[[LANDED, 0], [0, LANDED]], count=[[1, 0], [0, 2]],
    )  # fmt: skip
    told = spot_catches(club(), twice)
    assert told.rod_hours[0] == 2.0 and told.caught[0].tolist() == [1, 2], "a look typed as two rows"


def test_the_whole_spot_is_a_gamma_and_a_poisson_number_by_hand():
    # Prior Gamma(2, 2) of the factor, 8 h at half a fish an hour are 4 due, 7 caught: Gamma(9, 6).
    told = spot_catches(club(), fished([3.0, 5.0], [2, 5]))
    assert told.rate[0, 0] == pytest.approx(0.5 * 9 / 6)
    assert told.interval[0, 0] == pytest.approx(0.5 * gamma.ppf([0.05, 0.95], 9, scale=1 / 6))
    assert told.own[0, 0] == pytest.approx(4 / 6)


def test_a_sparse_month_leans_on_the_spots_other_months_then_on_the_club():
    # July: 8 h, 7 fish, 4 due. Months differ by 1/3 about a factor of 9/6: a third of them tells of the spot.
    told = spot_catches(club(), fished([3.0, 5.0], [2, 5]))
    factor = (2 + 7 / 3) / (2 + 4 / 3)
    shape = 1 / ((1 + 1 / (2 + 7 / 3)) * (1 + 1 / 3) - 1)
    assert told.rate[1, 0] == pytest.approx(0.5 * factor) and told.own[1, 0] == 0.0
    assert told.interval[1, 0, 1] == pytest.approx(
        0.5 * gamma.ppf(0.95, shape, scale=factor / shape), rel=1e-6
    )
    # July itself leans on no other month: its prior is the club's, its own 4 due weigh against a shape of 1.
    assert told.own[7, 0] == pytest.approx(4 / (4 + 1))
    assert told.rate[7, 0] == pytest.approx(0.5 * (1 + 7) / (1 + 4))
    nothing = spot_catches(club(), fished([], []))
    assert nothing.rate == pytest.approx(0.5) and not nothing.own.any() and not nothing.rod_hours.any()
    assert np.all(nothing.interval[..., 0] < 0.1) and np.all(nothing.interval[..., 1] > 0.5)


def test_no_catch_is_an_upper_bound_that_hours_bring_down():
    bounds = [spot_catches(club(), fished([h], [0])).interval[7, 0] for h in (1.0, 10.0, 100.0)]
    assert all(low < 0.1 * high for low, high in bounds)
    assert bounds[0][1] > bounds[1][1] > bounds[2][1] > 0.0
    # With hardly a prior: of a Poisson number of 0 the 95th percentile is -ln 0.05 over the hours (Garwood 1936).
    weak = spot_catches(club(spot=1.0, cell=1e9), fished([100.0], [0])).interval[0, 0, 1]
    assert weak == pytest.approx(-np.log(0.05) / (100 + 1 / 0.5))


def test_with_many_fish_the_limits_come_near_the_exact_poisson_ones():
    # Garwood (1936): half the chi-squared quantiles at 2 x and 2 (x + 1), by scipy.
    told = spot_catches(club(spot=1e-6, cell=1e9), fished([100.0], [60])).interval[0, 0] * 100
    low, high = chi2.ppf(0.05, 120) / 2, chi2.ppf(0.95, 122) / 2
    assert (low, high) == pytest.approx((47.85, 74.39), abs=0.01)
    assert told[0] == pytest.approx(low, rel=1e-4), "a flat prior leaves the exact lower limit"
    assert told[1] == pytest.approx(chi2.ppf(0.95, 120) / 2, rel=1e-4) and told[1] < high


def test_the_size_of_clumping_is_that_of_scipys_negative_binomial():
    rng = np.random.default_rng(5)
    expected = rng.uniform(0.2, 3.0, 200)
    counts = rng.poisson(rng.gamma(0.7, expected / 0.7)).astype(float)
    grid = np.linspace(-3, 4, 2001)
    mass = np.array([
        nbinom.logpmf(counts, np.exp(g), 1 / (1 + expected / np.exp(g))).sum() - 0.5 * (g - np.log(2)) ** 2
        for g in grid
    ])  # fmt: skip
    weight = np.exp(mass - mass.max())
    assert _size(counts, expected) == pytest.approx(weight.sum() / (weight @ np.exp(-grid)), rel=2e-3)
    # Nothing known: the mean of one over a log-normal size of median 2 is exp(1/2) / 2 (the grid ends at e^-3).
    assert _size(np.zeros(0), np.zeros(0)) == pytest.approx(2 / np.exp(0.5), rel=0.02)


def drawn(seed, spots=80, clump=0.6):
    """A club whose catches clump, and the true rate of every spot in every month."""
    rng = np.random.default_rng(seed)
    season = 0.6 * np.exp(0.7 * np.cos(2 * np.pi * (np.arange(12) - 5) / 12))
    factor = rng.gamma(2.0, 0.5, spots)
    cell = rng.gamma(5.0, 0.2, (spots, 12))
    true = season * factor[:, None] * cell
    n = rng.poisson(14, spots)
    spot = np.repeat(np.arange(spots), n)
    month = rng.integers(0, 12, len(spot))
    hours = rng.uniform(0.5, 4.0, len(spot))
    mean = hours * true[spot, month]
    caught = rng.poisson(rng.gamma(clump, mean / clump))
    time = 19_723.0 + 30.44 * month + 15 - 365 * rng.integers(0, 2, len(spot))
    return fished(hours, caught, time=time, spot=spot, spots=spots), true


@pytest.mark.parametrize("clump", [0.6, 1e6])
def test_what_months_differ_by_is_told_apart_from_clumping(clump):
    made = [fit_catches(drawn(seed, clump=clump)[0]) for seed in range(4)]
    by_clump, by_month = (np.mean([1 / getattr(one, name)[0] for one in made]) for name in ("clump", "cell"))
    assert by_clump == pytest.approx(1 / clump, abs=0.25) and by_month == pytest.approx(1 / 5, abs=0.08)


@pytest.mark.parametrize("clump", [0.6, 3.0, 1e6])
def test_intervals_of_months_and_spots_hold_nine_times_in_ten(clump):
    """Rates drawn about the club's, catches clumped or not: in cells with hours, and in cells without."""
    hits: dict[str, list[bool]] = {"none caught": [], "some": [], "not fished": []}
    for seed in range(6):
        e, true = drawn(seed, clump=clump)
        made = fit_catches(e)
        for s in range(len(true)):
            told = spot_catches(made, e.of_spot(s))
            low, high = told.interval[1:13, 0].T
            for m in range(12):
                kind = (
                    "not fished"
                    if not told.rod_hours[1 + m]
                    else "some"
                    if told.caught[1 + m, 0]
                    else "none caught"
                )
                hits[kind].append(bool(low[m] <= true[s, m] <= high[m]))
    assert all(len(found) > 1000 for found in hits.values())
    for kind, found in hits.items():
        assert 0.87 <= np.mean(found) <= 0.93, (kind, np.mean(found))


def test_the_clubs_rates_follow_its_season_and_are_kept_bit_for_bit():
    e, _ = drawn(9)
    made = fit_catches(e)
    assert made.rate[0, 6] / made.rate[0, 12] > 1.8, "June against December"
    assert 0.3 < made.clump[0] < 1.2 and 1.0 < made.spot[0] < 5.0
    assert made.rate[1, 0] < 0.01, "never caught"
    again = CatchFit.from_dict(json.loads(json.dumps(made.to_dict())))
    assert np.array_equal(again.rate, made.rate) and np.array_equal(again.cell, made.cell)


def test_hours_that_are_none_or_not_stated_count_for_nothing_and_other_species_are_refused():
    told = spot_catches(club(), fished([0.0, np.nan, 2.0], [3, 4, 1]))
    assert told.rod_hours[0] == 2.0 and told.caught[0, 0] == 1, "fish without hours make no rate"
    for hours in ([np.inf], [-1.0]):
        with pytest.raises(ValueError, match="rod_hours of row 0"):
            fished(hours, [1])
    empty = fit_catches(fished([], []))
    assert empty.looks == 0 and np.isfinite(empty.rate).all() and empty.rate[:, 0] == pytest.approx(0.3)
    single = fit_catches(fished([2.0], [1]))
    assert np.isfinite(spot_catches(single, fished([2.0], [1])).interval).all(), "a club of one visit"
    with pytest.raises(ValueError, match="refit first"):
        spot_catches(club(), Evidence.make(tree(3), NOW, spots=["0"]))
