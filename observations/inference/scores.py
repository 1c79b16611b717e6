"""Scores of stated probabilities: Brier with its decomposition, log score, reliability diagram."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit
from scipy.stats import beta

from .types import Evidence, Float, Int

_LEAST = 1e-15


def brier(outcome: ArrayLike, stated: ArrayLike) -> float:
    """Brier score, mean of `(stated - outcome)^2`: 0 is perfect, 0.25 is always saying one half.

    Parameters
    ----------
    outcome : (n,) of 0 or 1
    stated : (n,) of float
        Probabilities, 0 to 1.

    Raises
    ------
    ValueError
        For lengths that differ, outcomes other than 0 and 1, or probabilities outside 0 to 1. No pairs:
        NaN.

    References
    ----------
    Brier, G. W. (1950), Monthly Weather Review 78, 1-3.
    """
    y, f = _checked(outcome, stated)
    return float(np.mean((f - y) ** 2)) if len(y) else float("nan")


def multiclass_brier(outcome: ArrayLike, stated: ArrayLike) -> float:
    """Brier score over classes, mean of the sum of squares, 0 to 2.

    Parameters
    ----------
    outcome : (n,) of int
        Class that came true.
    stated : (n, c) of float
        Rows sum to 1.
    """
    y, f = np.asarray(outcome, dtype=np.int64), np.asarray(stated, dtype=np.float64)
    if f.ndim != 2 or len(y) != len(f) or not np.allclose(f.sum(axis=1), 1.0):
        raise ValueError("stated must be (n, c) with rows that sum to 1, one for each outcome")
    if len(y) == 0:
        return float("nan")
    hit = np.zeros_like(f)
    hit[np.arange(len(y)), y] = 1.0
    return float(np.mean(np.sum((f - hit) ** 2, axis=1)))


def log_score(outcome: ArrayLike, stated: ArrayLike) -> float:
    """Mean of minus the natural log of the probability stated for what came true; lower is better.

    Probabilities are kept 1e-15 away from 0 and 1, as a certain mistake would otherwise cost infinitely
    much.

    References
    ----------
    Good, I. J. (1952), Journal of the Royal Statistical Society B 14, 107-114.
    """
    y, f = _checked(outcome, stated)
    if not len(y):
        return float("nan")
    f = np.clip(f, _LEAST, 1.0 - _LEAST)
    return float(-np.mean(np.where(y > 0, np.log(f), np.log1p(-f))))


@dataclass(frozen=True)
class Murphy:
    """Brier score split as `reliability - resolution + uncertainty`, exact for the values stated."""

    score: float
    reliability: float
    resolution: float
    uncertainty: float


def murphy(outcome: ArrayLike, stated: ArrayLike) -> Murphy:
    """Murphy's decomposition over the distinct values stated, so that the identity is exact.

    Reliability: how far what was stated is from how often it came true (0 is best). Resolution: how far the
    frequencies differ from the overall one (high is best). Uncertainty: of the events themselves.

    References
    ----------
    Murphy, A. H. (1973), Journal of Applied Meteorology 12, 595-600.
    """
    y, f = _checked(outcome, stated)
    if not len(y):
        return Murphy(*[float("nan")] * 4)
    value, group = np.unique(f, return_inverse=True)
    n = np.bincount(group)
    came_true = np.bincount(group, weights=y) / n
    base = y.mean()
    weight = n / len(y)
    return Murphy(
        brier(y, f),
        float(np.sum(weight * (value - came_true) ** 2)),
        float(np.sum(weight * (came_true - base) ** 2)),
        float(base * (1.0 - base)),
    )


@dataclass(frozen=True)
class Bins:
    """Reliability diagram: one entry a bin, empty bins left out.

    Attributes
    ----------
    stated : (b,)
        Mean stated probability.
    observed : (b,)
        How often it came true.
    interval : (b, 2)
        90 % interval of the frequency: Beta(1/2 + hits, 1/2 + misses) (Jeffreys).
    count : int (b,)
    """

    stated: Float
    observed: Float
    interval: Float
    count: Int


def reliability_bins(outcome: ArrayLike, stated: ArrayLike, bins: int = 10) -> Bins:
    """Pairs binned by stated probability in `bins` equal parts of 0 to 1 (1 falls into the last)."""
    y, f = _checked(outcome, stated)
    which = np.minimum((f * bins).astype(np.int64), bins - 1)
    count = np.bincount(which, minlength=bins)
    used = np.flatnonzero(count)
    hits = np.bincount(which, weights=y, minlength=bins)[used]
    total = np.bincount(which, weights=f, minlength=bins)[used]
    n = count[used].astype(np.int64)
    interval = np.stack(
        [np.asarray(beta.ppf(q, hits + 0.5, n - hits + 0.5), dtype=np.float64) for q in (0.05, 0.95)], axis=1
    ).reshape(-1, 2)
    return Bins(total / n, hits / n, interval, n)


def calibration_line(outcome: ArrayLike, stated: ArrayLike) -> tuple[float, float]:
    """Slope of the outcome's logit on the stated probability's, and its standard error.

    Logistic regression of outcome on logit (Cox 1958, Biometrika 45, 562-565): 1 is calibrated, below 1 says
    that the forecasts are too sure. NaN without both outcomes or with fewer than three different values stated.
    """
    y, f = _checked(outcome, stated)
    if len(np.unique(f)) < 3 or y.min(initial=1.0) == y.max(initial=0.0):
        return float("nan"), float("nan")
    x = np.stack([np.ones(len(f)), logit(np.clip(f, _LEAST, 1.0 - _LEAST))], axis=1)
    line, information = np.array([0.0, 1.0]), np.eye(2)
    for _ in range(50):
        p = expit(x @ line)
        information = (x * (p * (1.0 - p))[:, None]).T @ x + 1e-9 * np.eye(2)
        step = np.linalg.solve(information, x.T @ (y - p))
        line = line + step * min(1.0, 1.0 / max(1e-300, float(np.abs(step).max())))
        if float(np.abs(step).max()) < 1e-9:
            break
    return float(line[1]), float(np.sqrt(np.linalg.inv(information)[1, 1]))


@dataclass(frozen=True)
class StatedScores:
    """How well stated probabilities held, over proved sealed calls.

    Attributes
    ----------
    proofs : int
    murphy : Murphy
        NaN without proofs.
    log_score : float
    bins : Bins
    """

    proofs: int
    murphy: Murphy
    log_score: float
    bins: Bins


def stated_scores(
    evidence: Evidence, observer: int | None = None, *, random_only: bool = False
) -> StatedScores:
    """Score stated probabilities of sealed calls whose *same fish* proof is in.

    A call is right if the truth lies under the called node; calls without a stated probability are left
    out.

    Parameters
    ----------
    observer : int, optional
        Only this one's calls.
    random_only : bool
        Only looks that the server's draw asked to be proved: free of members proving what looks good.
    """
    e = evidence
    used = e.sealed & (e.tie >= 0) & (e.outcome >= 0) & ~np.isnan(e.stated)
    if observer is not None:
        used &= e.observer == observer
    if random_only:
        used &= e.random_check
    rows = np.flatnonzero(used)
    right = e.taxa.covers[e.outcome[rows], e.tie[rows]].astype(np.float64)
    stated = e.stated[rows]
    return StatedScores(
        len(rows), murphy(right, stated), log_score(right, stated), reliability_bins(right, stated)
    )


def _checked(outcome: ArrayLike, stated: ArrayLike) -> tuple[Float, Float]:
    y, f = np.asarray(outcome, dtype=np.float64), np.asarray(stated, dtype=np.float64)
    if y.ndim != 1 or y.shape != f.shape:
        raise ValueError(f"outcome and stated must have one length, not {y.shape} and {f.shape}")
    if not np.all((y == 0) | (y == 1)):
        raise ValueError("outcomes must be 0 or 1")
    if not np.all((f >= 0) & (f <= 1)):
        raise ValueError("stated probabilities must be 0 to 1")
    return y, f
