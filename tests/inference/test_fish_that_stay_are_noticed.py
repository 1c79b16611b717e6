"""Presence at visits close together is taken as independent; how far it is not, is measured by lag."""

from __future__ import annotations

from observations.inference import fit
from observations.inference.staying import LAGS_DAYS, staying

from . import broken_world
from .forecasts import as_evidence


def _by_lag(*breaks: str):
    e = as_evidence(broken_world.world(1, breaks, species=3, spots=70, visits=18.0))
    return staying(fit(e), e)


def test_fish_that_stay_for_days_correlate_at_short_lags_and_not_at_long_ones():
    near, *_, far = told = _by_lag("roaming")
    assert [bin.from_days for bin in told] == list(LAGS_DAYS)
    assert near.correlation > 3 * near.error and near.correlation > 0.15
    assert abs(far.correlation) < 3 * far.error


def test_where_fish_are_drawn_anew_each_day_nothing_correlates():
    assert all(abs(bin.correlation) < 3 * bin.error for bin in _by_lag())
