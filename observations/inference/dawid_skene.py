"""Observer error rates without truth: Dawid & Skene 1979, by EM, for many calls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.sparse import csr_array

from .types import Float, Int


@dataclass(frozen=True)
class DawidSkene:
    """Estimates.

    Attributes
    ----------
    posterior : (I, C)
        P(class of item | calls).
    marginals : (C,)
    error_rates : (O, C, C)
        P(call l | true class j) of each observer; rows of classes an observer never met stay at 0.
    loglik : float
        At the estimates, without the multinomial coefficient.
    iterations : int
    """

    posterior: Float
    marginals: Float
    error_rates: Float
    loglik: float
    iterations: int


def dawid_skene(
    item: ArrayLike,
    observer: ArrayLike,
    call: ArrayLike,
    *,
    classes: int | None = None,
    iterations: int = 1000,
    tolerance: float = 1e-12,
    marginal_prior: float = 0.0,
    row_prior: ArrayLike = 0.0,
) -> DawidSkene:
    """Maximum likelihood (or posterior mode) of class marginals and error rates.

    Starts from each item's vote shares, as the paper does. The likelihood has other, even higher maxima;
    this start is what reproduces the published solution.

    Parameters
    ----------
    item, observer, call : int (n,)
        Indices from 0. An observer may call an item several times.
    classes : int, optional
        Default: largest call + 1.
    iterations, tolerance
        Stop after so many steps, or when the log-likelihood (or log posterior) moves by less; a
        tolerance below 0 never stops early.
    marginal_prior : float
        Dirichlet pseudo-count added to each class (its parameter - 1).
    row_prior : float or (C, C)
        Dirichlet pseudo-counts added to each observer's rows.

    Raises
    ------
    ValueError
        For lengths that differ, negative indices, a call beyond `classes`, or no calls.

    References
    ----------
    Dawid, A. P. & Skene, A. M. (1979), Maximum likelihood estimation of observer error-rates using the
    EM algorithm, Applied Statistics 28, 20-28.
    """
    i, o, c = (np.asarray(v, dtype=np.int64) for v in (item, observer, call))
    if not (i.shape == o.shape == c.shape) or i.ndim != 1 or len(i) == 0:
        raise ValueError("item, observer and call must have one length, at least 1")
    if min(i.min(), o.min(), c.min()) < 0:
        raise ValueError("indices must be >= 0")
    n_class = int(c.max()) + 1 if classes is None else classes
    if c.max() >= n_class:
        raise ValueError(f"call {int(c.max())} is beyond the {n_class} classes")
    n_item, n_observer = int(i.max()) + 1, int(o.max()) + 1
    if np.any(np.bincount(i, minlength=n_item) == 0):
        raise ValueError("every item needs a call")
    # How often each item was given each call by each observer: both halves of a step are one product with it.
    by_item = csr_array((np.ones(len(i)), (i, o * n_class + c)), shape=(n_item, n_observer * n_class))
    by_cell = by_item.T.tocsr()
    counts = _call_counts(i, c, n_item, n_class)
    posterior = counts / counts.sum(axis=1, keepdims=True)
    prior = np.broadcast_to(np.asarray(row_prior, dtype=np.float64), (n_class, n_class))
    before, steps, loglik = -np.inf, 0, -np.inf
    marginals, rates = np.zeros(n_class), np.zeros((n_observer, n_class, n_class))
    while steps < iterations:
        steps += 1
        marginals = posterior.sum(axis=0) + marginal_prior
        marginals /= marginals.sum()
        rates = _rates(by_cell @ posterior, n_observer, n_class, prior)
        with np.errstate(divide="ignore"):
            log_rates = np.log(rates).transpose(0, 2, 1).reshape(-1, n_class)
            log_marginals = np.log(marginals)
        log_joint: Float = by_item @ log_rates + log_marginals
        top = log_joint.max(axis=1, keepdims=True)
        joint = np.exp(log_joint - top)
        total = joint.sum(axis=1, keepdims=True)
        posterior = joint / total
        loglik = float(np.sum(top + np.log(total)))
        goal = loglik + _log_prior(rates, prior) + marginal_prior * float(np.sum(_safe_log(marginals)))
        if abs(goal - before) < tolerance:
            break
        before = goal
    return DawidSkene(posterior, marginals, rates, loglik, steps)


def _call_counts(item: Int, call: Int, n_item: int, n_class: int) -> Float:
    flat = np.bincount(item * n_class + call, minlength=n_item * n_class)
    return flat.reshape(n_item, n_class).astype(np.float64)


def _rates(counts: Float, n_observer: int, n_class: int, prior: Float) -> Float:
    """Rows P(call | class) of each observer, (O, class, call), from soft counts (O * call, class)."""
    smoothed: Float = counts.reshape(n_observer, n_class, n_class).transpose(0, 2, 1) + prior
    total = smoothed.sum(axis=2, keepdims=True)
    made: Float = np.divide(smoothed, total, out=np.zeros_like(smoothed), where=total > 0)
    return made


def _safe_log(p: Float) -> Float:
    return np.log(np.maximum(p, 1e-300))


def _log_prior(rates: Float, prior: Float) -> float:
    return float(np.sum(prior * _safe_log(rates))) if np.any(prior) else 0.0
