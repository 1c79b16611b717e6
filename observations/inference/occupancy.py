"""The published special cases, by maximum likelihood with flat priors.

MacKenzie et al. 2002: presence with imperfect detection. Royle & Link 2006, Miller et al. 2011: false
positives as well. The club's engine contains them (one species, no calls; or p11/p10 in place of the
target); here they stand alone, so that they can be held against published numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize
from scipy.special import expit, logit

from .types import Float, Int


@dataclass(frozen=True)
class OccupancyFit:
    """Maximum likelihood estimate.

    Attributes
    ----------
    psi_coefficients, p_coefficients : (a,), (b,)
        On the logit scale.
    covariance : (a+b, a+b)
        Inverse of the observed information.
    minus2loglik : float
    conditional : (S,)
        P(present | the site's history).
    at_boundary : bool
        The likelihood is flat: an estimate ran off to 0 or 1, and its covariance means nothing.
    """

    psi_coefficients: Float
    p_coefficients: Float
    covariance: Float
    minus2loglik: float
    conditional: Float
    at_boundary: bool


def occupancy(
    detected: ArrayLike, psi_design: ArrayLike | None = None, p_design: ArrayLike | None = None
) -> OccupancyFit:
    """Single-season occupancy with imperfect detection.

    `L_s = psi prod_j p^y (1-p)^(1-y) + (1-psi) [no detection]`; visits not made drop out.

    Parameters
    ----------
    detected : (S, J)
        1, 0, or NaN where there was no visit.
    psi_design : (S, a), optional
        Default: intercept.
    p_design : (S, J, b), optional
        Default: intercept. Values of visits not made are not used.

    Raises
    ------
    ValueError
        For other values, shapes that do not fit, or no visit at all.

    References
    ----------
    MacKenzie, D. I., et al. (2002), Estimating site occupancy rates when detection probabilities are
    less than one, Ecology 83, 2248-2255.
    """
    y = np.asarray(detected, dtype=np.float64)
    if y.ndim != 2 or not np.all(np.isnan(y) | (y == 0) | (y == 1)) or not np.any(~np.isnan(y)):
        raise ValueError("detected must be (sites, visits) of 0, 1 or NaN, with at least one visit")
    x = np.ones((len(y), 1)) if psi_design is None else np.asarray(psi_design, dtype=np.float64)
    w = np.ones((*y.shape, 1)) if p_design is None else np.asarray(p_design, dtype=np.float64)
    made = ~np.isnan(y)
    if x.shape[0] != len(y) or w.shape[:2] != y.shape or not np.all(np.isfinite(w[made])):
        raise ValueError("designs must have one finite row for each site and each visit made")
    hit, w = np.where(made, y, 0.0), np.where(made[:, :, None], w, 0.0)
    never = hit.sum(axis=1) == 0
    a = x.shape[1]

    def terms(theta: Float) -> tuple[Float, Float, Float, Float]:
        psi, p = expit(x @ theta[:a]), expit(w @ theta[a:])
        p = np.clip(p, 1e-300, 1 - 1e-16)
        given = np.exp(np.sum(np.where(made, hit * np.log(p) + (1 - hit) * np.log1p(-p), 0.0), axis=1))
        return psi, p, psi * given, psi * given + (1 - psi) * never

    def minus_log(theta: Float) -> tuple[float, Float]:
        psi, p, present, total = terms(theta)
        z = present / total
        gradient = np.concatenate(
            [x.T @ (z - psi), np.einsum("s,sj,sjb->b", z, np.where(made, hit - p, 0.0), w)]
        )
        return -float(np.sum(np.log(total))), -gradient

    theta = _minimise(minus_log, np.zeros(a + w.shape[2]))
    _, _, present, total = terms(theta)
    covariance, flat = _inverse_information(minus_log, theta)
    return OccupancyFit(theta[:a], theta[a:], covariance, 2.0 * minus_log(theta)[0], present / total, flat)


@dataclass(frozen=True)
class FalsePositiveFit:
    """Maximum likelihood estimate of the model with false positives.

    Attributes
    ----------
    psi, p11, p10, certain : float
        Presence; P(detected | present); P(detected | absent); P(a true detection is certain), NaN without
        type 3 visits.
    minus_loglik : float
    conditional : (S,)
        P(present | the site's history).
    """

    psi: float
    p11: float
    p10: float
    certain: float
    minus_loglik: float
    conditional: Float


def history_likelihood(
    detected: ArrayLike, kinds: ArrayLike, p11: float, p10: float, certain: float = 0.5
) -> tuple[Float, Float]:
    """Likelihood of detection histories if present and if absent, each (S,).

    Parameters
    ----------
    detected : (S, J)
        0, 1, on type 3 visits also 2 (certain), or NaN.
    kinds : int (J,)
        1: certain method, no false positives; 2: uncertain; 3: uncertain with some certain detections.

    Raises
    ------
    ValueError
        For other kinds or values.
    """
    y, kind = np.asarray(detected, dtype=np.float64), np.asarray(kinds, dtype=np.int64)
    made = ~np.isnan(y)
    allowed = (y == 0) | (y == 1) | ((y == 2) & (kind == 3))
    if not np.all(np.isin(kind, (1, 2, 3))) or not np.all(allowed | ~made):
        raise ValueError("kinds must be 1, 2 or 3, values 0, 1 (type 3: 2) or NaN")
    share = np.where(kind == 3, 1.0 - certain, 1.0)
    present = np.where(y == 0, 1 - p11, np.where(y == 1, p11 * share, p11 * certain))
    mistake = np.where(kind == 1, 0.0, p10)
    absent = np.where(y == 0, 1 - mistake, np.where(y == 1, mistake, 0.0))
    return np.prod(np.where(made, present, 1.0), axis=1), np.prod(np.where(made, absent, 1.0), axis=1)


def conditional_presence(psi: float, present: Float, absent: Float) -> Float:
    """P(present | history) from the two likelihoods."""
    made: Float = psi * present / (psi * present + (1.0 - psi) * absent)
    return made


def false_positive_occupancy(detected: ArrayLike, kinds: ArrayLike) -> FalsePositiveFit:
    """Occupancy with false positives, one p11 for all kinds of visit.

    With type 2 visits alone the likelihood is the same at (1 - psi, p11 and p10 swapped): p11 > p10 is
    then taken.

    Parameters
    ----------
    detected, kinds
        As in `history_likelihood`.

    References
    ----------
    Royle, J. A. & Link, W. A. (2006), Ecology 87, 835-841. Miller, D. A., et al. (2011), Improving
    occupancy estimation when two types of observational error occur, Ecology 92, 1422-1428.
    """
    kind: Int = np.asarray(kinds, dtype=np.int64)
    has_certain = bool(np.any(kind == 3))

    def split(theta: Float) -> tuple[float, float, float, float]:
        p = np.clip(expit(theta), 1e-12, 1 - 1e-12)
        return float(p[0]), float(p[1]), float(p[2]), float(p[3]) if has_certain else 0.5

    def minus_log(theta: Float) -> float:
        psi, p11, p10, certain = split(theta)
        present, absent = history_likelihood(detected, kind, p11, p10, certain)
        return -float(np.sum(np.log(psi * present + (1 - psi) * absent)))

    start = logit(np.array([0.5, 0.6, 0.1, 0.5][: 4 if has_certain else 3]))
    best = minimize(minus_log, start, method="BFGS", options={"gtol": 1e-7})
    # BFGS with differences stops on rounding; a simplex from there cannot do worse.
    theta = minimize(minus_log, best.x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).x
    psi, p11, p10, certain = split(theta)
    if p11 < p10 and set(kind.tolist()) == {2}:
        psi, p11, p10 = 1 - psi, p10, p11
    present, absent = history_likelihood(detected, kind, p11, p10, certain)
    return FalsePositiveFit(
        psi,
        p11,
        p10,
        certain if has_certain else float("nan"),
        minus_log(theta),
        conditional_presence(psi, present, absent),
    )


def _minimise(minus_log, start: Float) -> Float:  # type: ignore[no-untyped-def]
    made: Float = minimize(minus_log, start, jac=True, method="BFGS", options={"gtol": 1e-9}).x
    return made


def _inverse_information(minus_log, theta: Float) -> tuple[Float, bool]:  # type: ignore[no-untyped-def]
    """Inverse Hessian by central differences of the gradient, and whether the surface is flat."""
    h = 1e-5
    hessian = np.stack(
        [(minus_log(theta + e)[1] - minus_log(theta - e)[1]) / (2 * h) for e in h * np.eye(len(theta))]
    )
    hessian = (hessian + hessian.T) / 2
    flat = bool(np.linalg.eigvalsh(hessian).min() < 1e-4)
    return (np.full_like(hessian, np.nan) if flat else np.linalg.inv(hessian)), flat
