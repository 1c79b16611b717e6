"""Brier, Murphy and log score against worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from observations.inference.scores import brier, log_score, multiclass_brier, murphy, reliability_bins

Y = [1, 0, 1, 1, 0, 1, 0, 0, 1, 1]
F = [0.9, 0.9, 0.9, 0.9, 0.5, 0.5, 0.5, 0.1, 0.1, 0.5]


def test_brier_matches_the_scikit_learn_example():
    assert brier([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]) == pytest.approx(0.0375)


def test_multiclass_brier_matches_the_scikit_learn_example():
    f = [[0.8, 0.1, 0.1], [0.2, 0.7, 0.1], [0.2, 0.2, 0.6]]
    assert multiclass_brier([0, 1, 2], f) == pytest.approx(0.146667, abs=1e-6)


def test_log_score_matches_the_scikit_learn_example():
    assert log_score([1, 0, 0, 1], [0.9, 0.1, 0.2, 0.65]) == pytest.approx(0.216162, abs=1e-6)


def test_murphy_split_matches_the_worked_example():
    # References, section 5: BS .266 = .041 - .015 + .240, log score .779920.
    split = murphy(Y, F)
    assert (split.score, split.reliability, split.resolution, split.uncertainty) == pytest.approx(
        (0.266, 0.041, 0.015, 0.240)
    )
    assert log_score(Y, F) == pytest.approx(0.779920, abs=1e-6)


@given(st.lists(st.tuples(st.booleans(), st.sampled_from([0, 0.1, 0.25, 0.5, 0.8, 1])), min_size=1))
def test_murphy_identity_is_exact(pairs):
    split = murphy([int(y) for y, _ in pairs], [f for _, f in pairs])
    assert split.score == pytest.approx(split.reliability - split.resolution + split.uncertainty)


def test_always_one_half_scores_a_quarter_and_ln_two():
    y = np.array([0, 1, 1, 0, 1])
    assert brier(y, np.full(5, 0.5)) == 0.25
    assert log_score(y, np.full(5, 0.5)) == pytest.approx(math.log(2))


def test_bins_hold_every_pair_and_their_frequencies():
    bins = reliability_bins(Y, F, bins=10)
    assert list(bins.count) == [2, 4, 4]
    assert bins.stated == pytest.approx([0.1, 0.5, 0.9])
    assert bins.observed == pytest.approx([0.5, 0.5, 0.75])
    assert np.all((bins.interval[:, 0] < bins.observed) & (bins.observed < bins.interval[:, 1]))
    assert list(reliability_bins([1], [1.0]).count) == [1]


def test_no_calls_have_no_score_and_bad_ones_are_refused():
    assert math.isnan(brier([], [])) and math.isnan(murphy([], []).score)
    assert len(reliability_bins([], []).count) == 0
    for bad in (([2], [0.5]), ([1], [1.5]), ([1], [float("nan")]), ([1, 0], [0.5])):
        with pytest.raises(ValueError):
            brier(*bad)
