"""Season terms by cover/structure group: the fixed part of logit psi."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .types import Float, Int, Options

YEAR_DAYS = 365.2425
FEATURES = 3


def features(time: ArrayLike) -> Float:
    """Season features `[1, cos, sin]` of the time of year, shape (..., 3).

    Parameters
    ----------
    time : array_like of float
        Days since 1970-01-01T00:00Z.
    """
    phase = 2.0 * np.pi * (np.asarray(time, dtype=np.float64) / YEAR_DAYS)
    return np.stack([np.ones_like(phase), np.cos(phase), np.sin(phase)], axis=-1)


def circular_mean(days: Float, period: float = YEAR_DAYS, least: float = 1e-9) -> float:
    """Mean day of a cycle, 0 to `period`: the direction of the summed unit vectors.

    NaN where their sum is shorter than the share `least` of their number: days that cancel out have no middle.
    """
    at = np.exp(2j * np.pi * np.asarray(days, dtype=np.float64) / period)
    whole = at.sum()
    if abs(whole) <= least * max(len(at), 1):
        return float("nan")
    return float(np.angle(whole) / (2.0 * np.pi) * period % period)


def columns(groups: int) -> int:
    """Number P of season coefficients: three shared ones, and three deviations for each of several
    groups."""
    return FEATURES + (FEATURES * groups if groups > 1 else 0)


def by_group(beta: Float, groups: int) -> Float:
    """Coefficients of each group, shape (..., G+1, 3), from beta (..., P); the last row is an unknown
    group."""
    shared = beta[..., None, :FEATURES]
    if groups <= 1:
        return np.repeat(shared, groups + 1, axis=-2)
    own = beta[..., FEATURES:].reshape(*beta.shape[:-1], groups, FEATURES)
    none = np.zeros((*beta.shape[:-1], 1, FEATURES))
    made: Float = shared + np.concatenate([own, none], axis=-2)
    return made


def design(time: ArrayLike, group: Int, groups: int) -> Float:
    """Rows of the season design, shape (V, P), for group indices (V,); index G (unknown) has shared
    terms only."""
    base = features(time)
    made = np.zeros((len(base), columns(groups)))
    made[:, :FEATURES] = base
    if groups > 1:
        known = np.flatnonzero(group < groups)
        for f in range(FEATURES):
            made[known, FEATURES + FEATURES * group[known] + f] = base[known, f]
    return made


def prior(groups: int, options: Options) -> tuple[Float, Float]:
    """Prior mean and precision of beta, each (P,)."""
    mean = np.zeros(columns(groups))
    mean[0] = options.intercept_prior[0]
    sd = np.full(columns(groups), options.harmonic_sd)
    sd[0] = options.intercept_prior[1]
    if groups > 1:
        own = [options.group_intercept_sd, options.group_harmonic_sd, options.group_harmonic_sd]
        sd[FEATURES:] = np.tile(own, groups)
    return mean, sd**-2.0


def spread_groups(block: Float, groups: int) -> Float:
    """Lift per-group 3+e dimensional sums to P+e dimensional ones.

    Parameters
    ----------
    block : (G+1, 3+e) or (G+1, 3+e, 3+e)
        Sums over the spots of each group (the last: unknown group) of gradients or Hessians in the season
        features and e further parameters.

    Returns
    -------
    (P+e,) or (P+e, P+e)
    """
    e = block.shape[1] - FEATURES
    p = columns(groups)
    whole = block.sum(axis=0)
    index_shared = np.r_[0:FEATURES, p : p + e]
    if block.ndim == 2:
        out = np.zeros(p + e)
        out[index_shared] = whole
        if groups > 1:
            out[FEATURES:p] = block[:groups, :FEATURES].ravel()
        return out
    out = np.zeros((p + e, p + e))
    out[np.ix_(index_shared, index_shared)] = whole
    if groups > 1:
        for g in range(groups):
            own = FEATURES + FEATURES * g + np.arange(FEATURES)
            out[np.ix_(own, own)] = block[g, :FEATURES, :FEATURES]
            out[np.ix_(own, index_shared)] = block[g, :FEATURES, :]
            out[np.ix_(index_shared, own)] = block[g, :, :FEATURES]
    return out


def own_terms(group: int, groups: int) -> Float:
    """Matrix (6, P+3) that adds a group's deviations to the shared terms and keeps spread and rates."""
    p = columns(groups)
    lift = np.zeros((FEATURES + 3, p + 3))
    lift[:FEATURES, :FEATURES] = np.eye(FEATURES)
    lift[FEATURES:, p:] = np.eye(3)
    if groups > 1 and group < groups:
        own = FEATURES * (1 + group)
        lift[:FEATURES, own : own + FEATURES] = np.eye(FEATURES)
    return lift
