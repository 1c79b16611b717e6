"""Seasons by water temperature: bands, the visit's temperature, and what a band adds to the season."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.stats import circmean

from observations.inference import SEEN, Evidence, fit, season, spot_history
from observations.inference.bands import (
    BANDS,
    EDGES_C,
    BandFit,
    as_usual,
    band_of,
    ends_of,
    fit_bands,
    temperatures,
)

from .simulate import tree

NOW = 20_000.0
CAMERA = 4
NAN = np.nan


def test_each_band_holds_its_lower_edge_and_nan_is_in_none():
    assert band_of([-2.0, 4.9, 5.0, 19.99, 20.0, 24.9, 25.0, 45.0, NAN]).tolist() == [
        0,
        0,
        1,
        3,
        4,
        4,
        5,
        5,
        -1,
    ]
    assert [ends_of(b) for b in (0, 1, BANDS - 1)] == [(None, 5.0), (5.0, 10.0), (EDGES_C[-1], None)]


@pytest.mark.parametrize("bad", [-2.1, 45.1, np.inf, -np.inf])
def test_a_temperature_that_no_water_has_is_refused_by_name(bad):
    with pytest.raises(ValueError, match=r"water_temp_c of row 1: must be -2 to 45 or NaN"):
        looks([1.0, 2.0], [4.0, bad])


def looks(days, temps, *, spot=None, grade=None, spots=1, minutes=10.0, taxa=None):
    taxa = taxa or tree(2)
    n = len(days)
    return Evidence.make(
        taxa,
        NOW,
        spots=[str(i) for i in range(spots)],
        spot=np.zeros(n) if spot is None else spot,
        time=np.asarray(days, dtype=float),
        method=np.full(n, CAMERA),
        minutes=np.full(n, minutes),
        secchi_m=np.full(n, 5.0),
        water_temp_c=temps,
        grade=np.zeros((n, len(taxa.species))) if grade is None else grade,
    )


def test_a_look_without_a_reading_takes_the_nearest_of_its_own_visit_and_no_other():
    hour = 1 / 24
    e = looks(
        [1.0, 1.0 + hour, 1.0 + 3 * hour, 2.0, 2.0 + hour, 1.0], [10.0, NAN, 14.0, NAN, NAN, NAN],
        spot=[0, 0, 0, 0, 0, 1], spots=2,
    )  # fmt: skip
    # The second row is 1 h from the first and 2 h from the third; the next day and the other spot read nothing.
    assert temperatures(e).tolist()[:3] == [10.0, 10.0, 14.0]
    assert np.isnan(temperatures(e)[3:]).all()
    assert temperatures(e.take([])).shape == (0,)


def test_the_year_of_temperature_is_found_again_and_each_band_lies_on_its_own_days():
    rng = np.random.default_rng(1)
    days = rng.uniform(NOW - 1000, NOW, 400)
    truth = np.array([15.0, -9.0, -5.0])
    temps = season.features(days) @ truth + rng.normal(0, 1.5, 400)
    e = looks(days, np.clip(temps, -2, 45))
    made = fit_bands(fit(e), e)
    assert made.readings == 400 and made.curve == pytest.approx(truth, abs=0.5)
    assert made.scatter == pytest.approx(1.5, abs=0.25)
    # 5 to 10 degrees: spring and autumn, against the year's own days counted one by one.
    year = season.features(np.arange(0.5, 365.0))
    usual = year @ made.curve
    assert made.days == pytest.approx([((band_of(usual) == b).mean()) for b in range(BANDS)], abs=0.003)
    summer = year[usual >= 22]
    assert made.features[BANDS - 1] == pytest.approx(summer.mean(axis=0), abs=0.15)
    again = BandFit.from_dict(json.loads(json.dumps(made.to_dict())))
    assert np.array_equal(again.deviation, made.deviation) and np.array_equal(again.features, made.features)


def drawn(seed, deviation, spots=60, visits=12):
    """One species at `psi = logit^-1(-0.2 + effect + deviation of the band)`, the year's temperature scattered."""
    rng = np.random.default_rng(seed)
    spot = np.repeat(np.arange(spots), visits)
    days = rng.uniform(NOW - 730, NOW, len(spot))
    temps = np.clip(season.features(days) @ [15.0, -8.0, -4.0] + rng.normal(0, 5.0, len(spot)), 0, 40)
    at = -0.2 + 0.8 * rng.normal(size=spots)[spot] + np.asarray(deviation)[band_of(temps)]
    there = rng.random(len(spot)) < 1 / (1 + np.exp(-at))
    grade = np.zeros((len(spot), 2))
    grade[:, 0] = np.where(there & (rng.random(len(spot)) < 0.9), SEEN, 0)
    return looks(days, temps, spot=spot, spots=spots, grade=grade)


def test_what_a_band_adds_is_found_where_the_season_does_not_explain_it():
    truth = np.array([0.0, 0.0, 0.9, 0.0, -0.9, 0.0])
    e = drawn(2, truth)
    fitted = fit(e)
    made = fit_bands(fitted, e)
    away = (made.deviation[0] - truth) / np.sqrt(made.variance[0])
    assert made.deviation[0, 2] > 0.35 and made.deviation[0, 4] < -0.35 and np.abs(away).max() < 3.0
    assert np.abs(made.deviation[0, [0, 5]]).max() < 0.6
    one = e.of_spot(0)
    told = spot_history(fitted, one, NOW, reasons=False, bands=made)
    assert told.band_probability.shape == (BANDS, 2) and told.band_interval.shape == (BANDS, 2, 2)
    assert told.band_probability[2, 0] > told.band_probability[4, 0]
    low, high = told.band_interval[..., 0], told.band_interval[..., 1]
    assert np.all((low >= 0) & (low <= told.band_probability) & (told.band_probability <= high) & (high <= 1))
    plain = spot_history(fitted, one, NOW, reasons=False)
    assert np.array_equal(plain.probability, told.probability) and plain.band_probability.shape == (0, 2)
    assert np.array_equal(plain.month_interval, told.month_interval)


def test_a_band_that_adds_nothing_of_its_own_is_its_own_days():
    e = drawn(3, np.zeros(BANDS), spots=20, visits=6)
    fitted = fit(e)
    made = fit_bands(fitted, e)
    still = BandFit(**{**vars(made), "deviation": made.deviation * 0, "variance": made.variance * 0 + 1e-12})
    # With every band on today's own season features, each band says what now says.
    today = BandFit(**{**vars(still), "features": np.repeat(season.features([NOW]), BANDS, axis=0)})
    told = spot_history(fitted, e.of_spot(0), NOW, reasons=False, bands=today)
    assert told.band_probability == pytest.approx(np.tile(told.probability, (BANDS, 1)), abs=1e-9)


def test_a_spot_without_looks_of_the_club_leaves_the_bands_alone_to_the_last_bit():
    e = drawn(4, np.zeros(BANDS), spots=12, visits=4)
    fitted = fit(e)
    more = Evidence(**{
        **vars(e), "spots": (*e.spots[:5], "secret", *e.spots[5:]),
        "group": np.zeros(13, dtype=int), "paused": np.zeros(13, dtype=bool), "spot": e.spot + (e.spot >= 5),
    })  # fmt: skip
    assert fit_bands(fitted, e).to_dict() == fit_bands(fitted, more).to_dict()


def test_without_any_reading_there_are_no_bands():
    e = looks([1.0, 200.0], [NAN, NAN])
    fitted = fit(e)
    made = fit_bands(fitted, e)
    assert made.readings == 0 and not made.visits.any()
    assert spot_history(fitted, e, NOW, reasons=False, bands=made).band_probability.shape == (0, 2)
    assert np.isnan(as_usual(made, e).water_temp_c).all()
    other = fit_bands(fitted, looks([1.0], [12.0]))
    assert other.readings == 1 and other.visits.sum() == 1, "one look is a club"
    with pytest.raises(ValueError, match="bands are of 2 species, the fit of 3"):
        three = Evidence.make(tree(3), NOW, spots=["0"])
        spot_history(fit(three), three, NOW, bands=other)


def test_below_exact_a_look_lies_in_the_band_of_its_month_whatever_was_read():
    e = looks([NOW - 30, NOW - 30.3], [4.0, 30.0])
    made = BandFit(**{**vars(fit_bands(fit(e), e)), "curve": np.array([15.0, -10.0, 0.0])})
    shown = as_usual(made, e).water_temp_c
    assert shown[0] == shown[1] == pytest.approx(float(made.usual(e.month[:1])[0]))


def test_the_middle_of_days_about_new_year_is_at_new_year():
    """Values of scipy.stats.circmean with a period of 365, recomputed here beside ours."""
    for days, expected in (((359, 5), 364.5), ((350, 360, 5, 15), 365.0)):
        ours = season.circular_mean(np.array(days, dtype=float), 365.0)
        assert circmean(days, high=365.0) % 365 == pytest.approx(expected % 365, abs=1e-6)
        assert min(abs(ours - expected), 365 - abs(ours - expected)) < 1e-9
    assert np.isnan(season.circular_mean(np.array([]), 365.0))
    assert np.isnan(season.circular_mean(np.array([0.0, 182.5]), 365.0)), "two opposite days have no middle"
    spring_and_autumn = np.array([110.0, 120.0, 290.0, 300.0])
    assert np.isnan(season.circular_mean(spring_and_autumn, 365.0, least=0.5))
    assert season.circular_mean(np.array([110.0, 120.0]), 365.0, least=0.5) == pytest.approx(115.0)
