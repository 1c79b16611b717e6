"""Camera and rod: what they found, if a species is present and if it is absent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .grouping import Prepared, sum_sorted
from .types import Evidence, Float, Options

_FLOOR = -60.0
"""Least log-likelihood of the findings of one visit, so that nothing underflows to an impossible world."""


@dataclass(frozen=True)
class FindTerms:
    """Likelihood of the findings of each visit, scaled so that the larger of the two is 1.

    Attributes
    ----------
    found, missed : (V, K)
        If the species is present, if it is absent.
    log_scale : (V, K)
        Log of what was divided out.
    slope, curve : (V, K, 2)
        First and second derivative of the log of `found` (unscaled) in the log rates of camera and rod.
    """

    found: Float
    missed: Float
    log_scale: Float
    slope: Float
    curve: Float


def find_error(evidence: Evidence, options: Options) -> Float:
    """P(another species | seen, landed, verified), shape (3,).

    Unchecked sightings: mean of a Beta worth 50 re-checks, and the blind re-checks counted. A finding
    that a second person confirmed is taken as true.
    """
    weight = 50.0
    seen = (options.seen_error * weight + evidence.recheck_wrong) / (weight + evidence.rechecked)
    return np.array([seen, options.landed_error, 0.0])


def find_terms(data: Prepared, log_rate: Float, pooled_log_rate: Float, error: Float) -> FindTerms:
    """Findings of each visit: `1 - exp(-rate * effort)` a row, given presence.

    Given absence a finding is a mistaken one: its grade's error times the chance of a finding at the pooled
    rate. Not finding an absent species is certain.

    Parameters
    ----------
    log_rate : (K, 2)
    pooled_log_rate : (2,)
    error : (3,)
        By grade, see `find_error`.
    """
    n_visits, k = len(data.spot), data.grade.shape[1]
    expected = np.exp(log_rate).T[data.find_method] * data.effort[:, None]
    pooled = (np.exp(pooled_log_rate)[data.find_method] * data.effort)[:, None]
    seen = data.grade > 0
    clear = ~data.unclear | seen
    u = np.where(seen, np.maximum(expected, 1e-12), expected)
    chance = -np.expm1(-u)
    log_found = np.where(clear, np.where(seen, np.log(np.where(seen, chance, 1.0)), -u), 0.0)
    ratio = np.where(seen, u * np.exp(-u) / np.where(seen, chance, 1.0), -u)
    slope = np.where(clear, ratio, 0.0)
    curve = np.where(clear, np.where(seen, ratio * (1.0 - u / np.where(seen, chance, 1.0)), -u), 0.0)
    with np.errstate(divide="ignore"):
        log_error = np.log(np.concatenate([[1.0], error]))
    false_finding = np.log(-np.expm1(-np.maximum(pooled, 1e-12)))
    log_missed = np.where(seen, log_error[data.grade] + false_finding, 0.0)

    present = sum_sorted(log_found, data.find_visit, n_visits)
    absent = sum_sorted(log_missed, data.find_visit, n_visits)
    slopes, curves = np.zeros((n_visits, k, 2)), np.zeros((n_visits, k, 2))
    for m in (0, 1):
        rows = data.find_method == m
        slopes[:, :, m] = sum_sorted(slope[rows], data.find_visit[rows], n_visits)
        curves[:, :, m] = sum_sorted(curve[rows], data.find_visit[rows], n_visits)
    log_scale = np.maximum(present, absent)
    found = np.exp(np.maximum(present - log_scale, _FLOOR))
    missed = np.exp(absent - log_scale)
    return FindTerms(found, missed, log_scale, slopes, curves)
