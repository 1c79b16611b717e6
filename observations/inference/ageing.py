"""How fast a spot's evidence ages."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
from scipy.special import expit

from .engine import Parameters, of_species, prior_presence, visit_evidence
from .grouping import Prepared
from .presence import Grid
from .results import ClubFit
from .types import Float

_LEAST_VISITS = 30
"""Predicted visits below which the data cannot choose: evidence then does not age."""
_PART_SPOTS, _THREADS = 200, 2


def power(age_days: Float, half_life_days: float | Float) -> Float:
    """Weight of evidence of this age: `2^(-age / half-life)`; 1 for an infinite half-life."""
    made: Float = np.exp2(-np.maximum(age_days, 0.0) / half_life_days)
    return made


def choose_half_life(fitted: ClubFit, data: Prepared, parameters: Parameters, grid: Grid) -> float:
    """The longest candidate within one standard error of the best held-out log score.

    Each visit with a camera or rod is predicted from the spot's earlier visits, aged, at the club's
    parameters; the score is the log probability of what was found and not found. Differences are taken
    visit by visit, so the standard error is that of the paired difference.
    """
    candidates = sorted(fitted.options.half_lives_days)
    scores = predictive_scores(data, parameters, grid, np.array(candidates))
    if scores.shape[1] < _LEAST_VISITS:
        return candidates[-1]
    best = int(np.argmax(scores.mean(axis=1)))
    behind = scores[best] - scores
    error = behind.std(axis=1, ddof=1) / np.sqrt(scores.shape[1])
    return max(h for h, d, e in zip(candidates, behind.mean(axis=1), error, strict=True) if d <= e)


def predictive_scores(data: Prepared, parameters: Parameters, grid: Grid, half_lives_days: Float) -> Float:
    """Log probability of the findings of each visit that has any earlier one at its spot, (H, n), under each of H
    half-lives."""
    lows = range(0, len(data.first) - 1, _PART_SPOTS)
    parts = [data.part(low, min(low + _PART_SPOTS, len(data.first) - 1)) for low in lows]
    with ThreadPoolExecutor(_THREADS) as pool:
        made = list(pool.map(lambda part: _part_scores(part, parameters, grid, half_lives_days), parts))
    return np.concatenate([*made, np.zeros((len(half_lives_days), 0))], axis=1)


def _part_scores(data: Prepared, parameters: Parameters, grid: Grid, half_lives_days: Float) -> Float:
    terms = visit_evidence(data, parameters, prior_presence(data, parameters))
    linear, spread = parameters.linear(data), parameters.spread
    sizes = np.diff(data.first)
    has_finds = np.zeros(len(data.spot), dtype=np.bool_)
    has_finds[data.find_visit] = True
    score = np.zeros((len(half_lives_days), len(data.spot)))
    by_rank = [np.flatnonzero(sizes > rank) for rank in range(int(sizes.max(initial=0)))]
    for k in range(linear.shape[1]):
        mine = of_species(data, terms, linear, k)
        psi = expit(mine.linear[:, None] + spread[k] * grid.nodes)
        log_mixed = np.log(mine.absent[:, None] + psi * (mine.present - mine.absent)[:, None])
        # Aged evidence of each spot so far, under each half-life.
        kept = np.zeros((len(half_lives_days), len(sizes), len(grid.nodes)))
        for rank, spots in enumerate(by_rank):
            visit = data.first[spots] + rank
            mine_so_far = kept[:, spots]
            if rank:
                age = data.time[visit] - data.time[visit - 1]
                mine_so_far *= power(age, half_lives_days[:, None])[:, :, None]
            joint = np.exp(mine_so_far - mine_so_far.max(axis=2, keepdims=True) + grid.log_weight)
            chance = (joint * psi[visit]).sum(axis=2) / joint.sum(axis=2)
            found, missed = terms.find.found[visit, k], terms.find.missed[visit, k]
            score[:, visit] += np.log(chance * found + (1.0 - chance) * missed)
            kept[:, spots] = mine_so_far + log_mixed[visit]
    first = np.zeros(len(data.spot), dtype=np.bool_)
    first[data.first[:-1][sizes > 0]] = True
    return score[:, has_finds & ~first]
