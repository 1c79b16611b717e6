"""How strongly rates are drawn to their mean, learned from the data: the rat tumours of Gelman et al., BDA3 ch. 5."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from scipy.optimize import minimize

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
