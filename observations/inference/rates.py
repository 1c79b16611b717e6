"""Detection rates of camera and rod: their posterior, with intervals."""

from __future__ import annotations

import numpy as np
from scipy.stats import gamma

from .results import ClubFit
from .types import Float


def rate_distribution(fitted: ClubFit, at: Float) -> Float:
    """Posterior P(rate <= at), (K, 2): camera per covered minute, rod per rod-hour.

    Findings are counts of a kind, so a rate's posterior is close to a Gamma: the one whose log density in log rate has
    the mode and the curvature that the fit found (shape 1 / variance). It leans to small rates, as a Laplace
    approximation of the log rate does not; of a species never found that matters. Mixed over the spread nodes.

    Parameters
    ----------
    at : (K, 2)
        Rates, >= 0.
    """
    mode = np.exp(fitted.node_theta[:, :, -2:])
    variance = np.diagonal(fitted.node_cov, axis1=2, axis2=3)[:, :, -2:]
    shape = 1.0 / np.maximum(variance, 1e-12)
    below = np.asarray(gamma.cdf(at / mode * shape, shape), dtype=np.float64)
    made: Float = np.einsum("mk,mkr->kr", fitted.weight, below)
    return made


def rate_interval(fitted: ClubFit) -> Float:
    """5th and 95th percentile of each detection rate, (K, 2, 2)."""
    ends = []
    for q in (0.05, 0.95):
        low, high = np.full(fitted.log_rate.shape, -40.0), np.full(fitted.log_rate.shape, 20.0)
        for _ in range(60):  # bisection on the log rate
            middle = 0.5 * (low + high)
            below = rate_distribution(fitted, np.exp(middle)) < q
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        ends.append(np.exp(0.5 * (low + high)))
    return np.stack(ends, axis=-1)
