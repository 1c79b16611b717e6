"""Simpler forecasts of what a camera or rod look finds: what a member could do by counting.

Each knows the club's rows up to an origin for its parameters, and the rows before the look for its counts.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, logit

from .coverage import camera_coverage
from .types import CAMERA, ROD, VERIFIED, Bool, Evidence, Float, Int

NAMES = (
    "club mean",
    "club mean × exposure",
    "shrunken counts",
    "last verified",
    "stated probability",
    "regression on all",
)
_WEIGHTS = np.geomspace(0.5, 100.0, 16)
_AGES = (90.0, 365.0)
"""Ages in days at which the forecast by the last verified finding changes."""
_VISIT_DAYS = 0.25


def forecasts(evidence: Evidence, known: Evidence, rows: Int) -> dict[str, Float]:
    """Chance that each of these looks finds each species, by each simpler forecast, (n, K).

    Parameters
    ----------
    evidence : Evidence
        All rows; of each look only the rows before it are used.
    known : Evidence
        The rows up to the origin.
    rows : int (n,)
        Camera and rod rows to forecast.
    """
    train = np.flatnonzero((known.method == CAMERA) | (known.method == ROD))
    made = {name: np.empty((len(rows), evidence.grade.shape[1])) for name in NAMES}
    for method in (CAMERA, ROD):
        old, new = train[known.method[train] == method], np.flatnonzero(evidence.method[rows] == method)
        if not len(new):
            continue
        features = _of_method(known, old, known, old)
        told = _of_method(known, old, evidence, rows[new])
        for name, p in told.items():
            made[name][new] = p
        made[NAMES[-1]][new] = _regression(
            features, known.grade[old] > 0, _exposure(known, old), told, _exposure(evidence, rows[new])
        )
    return made


def _of_method(known: Evidence, old: Int, evidence: Evidence, new: Int) -> dict[str, Float]:
    found, exposure = known.grade[old] > 0, _exposure(known, old)
    mean = (found.sum(axis=0) + 0.5) / (len(old) + 1.0)
    rate = np.array([_rate(found[:, k], exposure) for k in range(found.shape[1])])
    by_counts = np.empty((len(new), len(mean)))
    hits, tries = _spot_counts(known, old, known, old)
    new_hits, new_tries = _spot_counts(evidence, _finds_like(evidence, new), evidence, new)
    for k in range(len(mean)):
        weight = _shrinkage(hits[:, k], tries, found[:, k], float(mean[k]))
        by_counts[:, k] = (new_hits[:, k] + weight * mean[k]) / (new_tries + weight)
    return {
        NAMES[0]: np.broadcast_to(mean, by_counts.shape).copy(),
        NAMES[1]: -np.expm1(-rate * _exposure(evidence, new)[:, None]),
        NAMES[2]: by_counts,
        NAMES[3]: _by_last_verified(known, old, evidence, new, mean),
        NAMES[4]: _by_stated(evidence, new, mean),
    }


def _finds_like(evidence: Evidence, rows: Int) -> Int:
    return np.flatnonzero(np.isin(evidence.method, np.unique(evidence.method[rows])))


def _exposure(e: Evidence, rows: Int) -> Float:
    """Covered minutes or rod-hours; not stated counts as 3 minutes or half an hour."""
    minutes = np.nan_to_num(e.minutes[rows], nan=3.0) * camera_coverage(
        e.secchi_m[rows], e.cover_height_m[rows], e.cover_size_m[rows]
    )
    hours = np.nan_to_num(e.rod_hours[rows], nan=0.5)
    made: Float = np.maximum(np.where(e.method[rows] == ROD, hours, minutes), 1e-3)
    return made


def _rate(found: Bool, exposure: Float) -> float:
    """Rate of `1 - exp(-rate exposure)` by likelihood, with half a find in one more look of mean exposure."""
    log_rates = np.linspace(-9.0, 3.0, 121)
    u = np.exp(log_rates)[:, None] * np.append(exposure, exposure.mean() if len(exposure) else 1.0)
    hit = np.append(found, 0.5)
    score = (hit * np.log(np.maximum(-np.expm1(-u), 1e-300)) - (1.0 - hit) * u).sum(axis=1)
    return float(np.exp(log_rates[int(np.argmax(score))]))


def _spot_counts(source: Evidence, finds: Int, at: Evidence, rows: Int) -> tuple[Float, Float]:
    """Findings (n, K) and looks (n,) of the same kind at the look's spot before it."""
    hits, tries = np.zeros((len(rows), source.grade.shape[1])), np.zeros(len(rows))
    for i, row in enumerate(rows):
        mine = finds[(source.spot[finds] == at.spot[row]) & (source.time[finds] < at.time[row])]
        hits[i], tries[i] = (source.grade[mine] > 0).sum(axis=0), len(mine)
    return hits, tries


def _shrinkage(hits: Float, tries: Float, found: Bool, mean: float) -> float:
    """Weight of the club's mean that predicts the next look best, one look ahead."""
    scores = []
    for weight in _WEIGHTS:
        p = np.clip((hits + weight * mean) / (tries + weight), 1e-6, 1.0 - 1e-6)
        scores.append(float(np.sum(np.where(found, np.log(p), np.log1p(-p)))))
    return float(_WEIGHTS[int(np.argmax(scores))])


def _by_last_verified(known: Evidence, old: Int, evidence: Evidence, new: Int, mean: Float) -> Float:
    before, now = _age_class(known, old), _age_class(evidence, new)
    made = np.empty(now.shape)
    found = known.grade[old] > 0
    for age in range(len(_AGES) + 2):
        # All species share the ratio to their own mean: a species has too few of each class.
        there = before == age
        ratio = (found[there].sum() + 2.0) / (np.broadcast_to(mean, before.shape)[there].sum() + 2.0)
        made = np.where(now == age, np.minimum(mean * ratio, 0.99), made)
    return made


def _age_class(e: Evidence, rows: Int) -> Int:
    """0: verified within 90 days before the look, 1: within a year, 2: longer ago, 3: never."""
    made = np.full((len(rows), e.grade.shape[1]), len(_AGES) + 1, dtype=np.int64)
    verified = np.flatnonzero((e.grade == VERIFIED).any(axis=1))
    for i, row in enumerate(rows):
        mine = verified[(e.spot[verified] == e.spot[row]) & (e.time[verified] < e.time[row])]
        for k in range(made.shape[1]):
            times = e.time[mine[e.grade[mine, k] == VERIFIED]]
            if len(times):
                made[i, k] = int(np.searchsorted(_AGES, e.time[row] - times.max()))
    return made


def _by_stated(e: Evidence, rows: Int, mean: Float) -> Float:
    """What the calls of the last six hours say by their stated probability (not stated: one half); else the mean."""
    covers = e.taxa.covers
    calls = np.flatnonzero(e.outcome >= 0)
    made = np.broadcast_to(mean, (len(rows), len(mean))).copy()
    for i, row in enumerate(rows):
        age = e.time[row] - e.time[calls]
        for call in calls[(e.spot[calls] == e.spot[row]) & (age > 0) & (age < _VISIT_DAYS)]:
            stated = float(np.nan_to_num(e.stated[call], nan=0.5))
            named = covers[e.outcome[call]]
            if named.any():
                made[i] = np.where(named, stated * mean / mean[named].sum(), made[i])
    return np.clip(made, 0.005, 0.995)


def _regression(
    old: dict[str, Float],
    found: Bool,
    old_exposure: Float,
    new: dict[str, Float],
    new_exposure: Float,
) -> Float:
    """Logistic regression, ridge of weight 1, on the logits of all others and the log of the exposure."""

    def design(told: dict[str, Float], exposure: Float) -> Float:
        columns = [logit(np.clip(p, 1e-3, 1 - 1e-3)).ravel() for p in told.values()]
        log_exposure = np.repeat(np.log(exposure), found.shape[1])
        return np.stack([np.ones(len(log_exposure)), log_exposure, *columns], axis=1)

    x, y = design(old, old_exposure), found.ravel().astype(np.float64)
    ridge = np.append(0.0, np.ones(x.shape[1] - 1))

    def minus_log(beta: Float) -> tuple[float, Float]:
        eta = x @ beta
        value = np.sum(np.logaddexp(0.0, eta) - y * eta) + 0.5 * np.sum(ridge * beta**2)
        return float(value), x.T @ (expit(eta) - y) + ridge * beta

    beta = minimize(minus_log, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B").x
    made: Float = expit(design(new, new_exposure) @ beta).reshape(-1, found.shape[1])
    return made
