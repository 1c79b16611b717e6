"""How fast a spot's evidence ages."""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from .engine import Parameters, of_species, prior_presence, visit_evidence
from .grouping import Prepared
from .presence import Grid
from .results import ClubFit
from .types import Float

_LEAST_VISITS = 30
"""Predicted visits below which the data cannot choose: evidence then does not age."""
_PART_SPOTS = 500


def power(age_days: Float, half_life_days: float) -> Float:
    """Weight of evidence of this age: `2^(-age / half-life)`; 1 for an infinite half-life."""
    return np.exp2(-np.maximum(age_days, 0.0) / half_life_days)


def choose_half_life(fitted: ClubFit, data: Prepared, parameters: Parameters, grid: Grid) -> float:
    """The longest candidate within one standard error of the best held-out log score.

    Each visit with a camera or rod is predicted from the spot's earlier visits, aged, at the club's
    parameters; the score is the log probability of what was found and not found. Differences are taken
    visit by visit, so the standard error is that of the paired difference.
    """
    candidates = sorted(fitted.options.half_lives_days)
    scores = np.stack([predictive_scores(data, parameters, grid, h) for h in candidates])
    if scores.shape[1] < _LEAST_VISITS:
        return candidates[-1]
    best = int(np.argmax(scores.mean(axis=1)))
    behind = scores[best] - scores
    error = behind.std(axis=1, ddof=1) / np.sqrt(scores.shape[1])
    return max(h for h, d, e in zip(candidates, behind.mean(axis=1), error, strict=True) if d <= e)


def predictive_scores(data: Prepared, parameters: Parameters, grid: Grid, half_life_days: float) -> Float:
    """Log probability of the findings of each visit that has any earlier one at its spot, shape (n,)."""
    lows = range(0, len(data.first) - 1, _PART_SPOTS)
    made = [
        _part_scores(
            data.part(low, min(low + _PART_SPOTS, len(data.first) - 1)), parameters, grid, half_life_days
        )
        for low in lows
    ]
    return np.concatenate([*made, np.zeros(0)])


def _part_scores(data: Prepared, parameters: Parameters, grid: Grid, half_life_days: float) -> Float:
    terms = visit_evidence(data, parameters, prior_presence(data, parameters))
    linear, spread = parameters.linear(data), parameters.spread
    sizes = np.diff(data.first)
    has_finds = np.zeros(len(data.spot), dtype=np.bool_)
    has_finds[data.find_visit] = True
    score = np.zeros(len(data.spot))
    for k in range(linear.shape[1]):
        mine = of_species(data, terms, linear, k)
        psi = expit(mine.linear[:, None] + spread[k] * grid.nodes)
        log_mixed = np.log(mine.absent[:, None] + psi * (mine.present - mine.absent)[:, None])
        kept = np.zeros((len(sizes), len(grid.nodes)))  # aged evidence of each spot so far
        before = np.zeros(len(sizes))
        for rank in range(int(sizes.max(initial=0))):
            spots = np.flatnonzero(sizes > rank)
            visit = data.first[spots] + rank
            if rank:
                kept[spots] *= power(data.time[visit] - before[spots], half_life_days)[:, None]
            joint = np.exp(kept[spots] - kept[spots].max(axis=1, keepdims=True) + grid.log_weight)
            chance = (joint * psi[visit]).sum(axis=1) / joint.sum(axis=1)
            found, missed = terms.find.found[visit, k], terms.find.missed[visit, k]
            score[visit] += np.log(chance * found + (1.0 - chance) * missed)
            kept[spots] += log_mixed[visit]
            before[spots] = data.time[visit]
    first = np.zeros(len(data.spot), dtype=np.bool_)
    first[data.first[:-1][sizes > 0]] = True
    return score[has_finds & ~first]
