"""How strongly rates are drawn to their mean, learned from the data: the rat tumours of Gelman et al., BDA3 ch. 5."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import beta

from observations.inference.believing import beta_counts
from observations.inference.calls import dirichlet_multinomial


@pytest.fixture
def tumours(references):
    """71 experiments: rats with a tumour, rats without."""
    with (references / "rat_tumor.csv").open() as f:
        rows = list(csv.DictReader(f))
    y, n = (np.array([float(row[c]) for row in rows]) for c in ("y", "n"))
    assert (len(y), y.sum(), n.sum()) == (71, 267, 1739)
    return np.stack([y, n - y], axis=1)


def test_marginal_likelihood_peaks_where_an_independent_fit_has_it(tumours):
    def minus_log(theta):
        a, b = np.exp(theta)
        return -dirichlet_multinomial(tumours, np.array([a, b]), a + b)

    found = np.exp(
        minimize(minus_log, [0.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}).x
    )
    # Empirical Bayes marginal maximum of all 71, by independent code.
    assert found == pytest.approx([2.3416, 14.1148], abs=1e-3)


def test_a_share_is_told_by_the_beta_of_its_mean_and_deviation():
    """Beta(1, 1) and 9 of 10 right; the current group of BDA3 section 5.1, 4 of 14 with Beta(1.4, 8.6)."""
    for (right, wrong), mean, sd in (((10, 2), 0.8333, 0.1034), ((5.4, 18.6), 0.225, 0.0835)):
        told = beta_counts(np.array(right / (right + wrong)), np.array(beta(right, wrong).std()))
        assert told == pytest.approx((right, wrong))
        assert (right / (right + wrong), beta(*told).std()) == pytest.approx((mean, sd), abs=1e-4)
    assert beta(10, 2).ppf([0.025, 0.975]) == pytest.approx([0.5872, 0.9772], abs=1e-4)
