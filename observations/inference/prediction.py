"""Held-out scores: each later proof predicted from what was known before it, beside simpler forecasts.

Rolling origin. At each origin the club is fitted to the rows before it; every camera and rod look from there to the
next origin is then forecast, species by species, from its spot's rows before the look, calls of the same visit
included, what the look itself settled left out. The simpler forecasts know exactly the same rows.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from .baselines import NAMES, forecasts
from .calls import table_index
from .engine import prior_presence, settle
from .fitting import fit, parameters_of
from .grouping import prepare, visits
from .history import aged
from .presence import effect_grid
from .results import ClubFit
from .scores import calibration_line
from .types import CAMERA, ROD, Bool, Evidence, Float, Int, Options
from .visiting import Returns, log_factor

_WORLDS = 64
"""Looks predicted at once."""
_LEAST = 1e-9
MODEL = "model"


@dataclass(frozen=True)
class Score:
    """How well one forecast did on the held-out looks of one method.

    Attributes
    ----------
    name : str
        "model" or one of the baselines.
    log_score : float
        Mean log probability of what was and was not found, over looks and species; higher is better.
    behind : float
        The model's log score minus this one.
    error : float
        Standard error of `behind`, over looks.
    """

    name: str
    log_score: float
    behind: float
    error: float


@dataclass(frozen=True)
class Held:
    """The held-out looks of one method and how each forecast did.

    Attributes
    ----------
    method : str
        "camera" or "rod".
    looks : int
    findings : int
        Species found in them.
    scores : tuple of Score
        The model first.
    slope, slope_error : float
        Of the outcome's logit on the forecast's: 1 is calibrated, below 1 too sure. NaN where it cannot be told.
    """

    method: str
    looks: int
    findings: int
    scores: tuple[Score, ...]
    slope: float
    slope_error: float


@dataclass(frozen=True)
class Forecasts:
    """Every forecast of every held-out look.

    Attributes
    ----------
    row : int (n,)
        Row of the evidence.
    found : bool (n, K)
    by : mapping of name to (n, K)
        Chance that the look finds the species.
    converged : bool
        Every fit behind them did.
    """

    row: Int
    found: Bool
    by: Mapping[str, Float]
    converged: bool


def held_out(
    evidence: Evidence, *, options: Options | None = None, first: float = 0.6, origins: int = 2
) -> Forecasts:
    """Forecast the later camera and rod looks of a club.

    Parameters
    ----------
    evidence : Evidence
        Club-scope evidence, of any size.
    first : float
        Share of the camera and rod looks that come before the first origin, above 0 and below 1.
    origins : int
        Fits; the looks after the first origin are shared equally among them.

    Returns
    -------
    Forecasts
        Without any later look: arrays of length 0.

    Raises
    ------
    ValueError
        For a share or a number of origins out of range.
    """
    if not 0 < first < 1 or origins < 1:
        raise ValueError("first must lie between 0 and 1, and origins be at least 1")
    finds = np.flatnonzero((evidence.method == CAMERA) | (evidence.method == ROD))
    finds = finds[np.argsort(evidence.time[finds], kind="stable")]
    cuts = np.unique((len(finds) * np.linspace(first, 1.0, origins + 1)).astype(int))
    rows: list[Int] = []
    model: list[Float] = []
    simple: dict[str, list[Float]] = {name: [] for name in NAMES}
    fitted, converged = None, True
    for low, high in pairwise(cuts):
        tested = finds[low:high]
        if low == 0:
            continue
        origin = float(evidence.time[finds[low - 1]])
        known = replace(evidence.take(evidence.time <= origin), now=origin)
        tested = tested[evidence.time[tested] > origin]
        if not len(tested):
            continue
        fitted = fit(known, previous=fitted, options=options)
        converged = converged and fitted.converged
        rows.append(tested)
        model.append(predict(fitted, evidence, tested))
        for name, p in forecasts(evidence, known, tested).items():
            simple[name].append(p)
    k = len(evidence.taxa.species)
    row = np.concatenate([*rows, np.zeros(0, dtype=np.int64)])
    by = {MODEL: _joined(model, k), **{name: _joined(parts, k) for name, parts in simple.items()}}
    return Forecasts(row, evidence.grade[row] > 0, by, converged)


def _joined(parts: list[Float], k: int) -> Float:
    made: Float = np.clip(np.concatenate([*parts, np.zeros((0, k))]), _LEAST, 1.0 - _LEAST)
    return made


def predict(fitted: ClubFit, evidence: Evidence, rows: Int) -> Float:
    """Chance that each of these camera or rod looks finds each species, (n, K).

    From the spot's rows before the look; its own findings, and ties to it, are not known.
    """
    parameters, grid = parameters_of(fitted), effect_grid(fitted.options.grid_nodes)
    tables = table_index(fitted.calls, fitted.observers)
    every_visit = visits(evidence, fitted.options.window_hours)
    made = np.empty((len(rows), len(fitted.taxa.species)))
    for low in range(0, len(rows), _WORLDS):
        lot = rows[low : low + _WORLDS]
        worlds, own = _before(evidence, lot, every_visit)
        data = prepare(worlds, fitted.options, fitted.groups, tables)
        power = aged(fitted, data, evidence.time[lot])
        returned = log_factor(fitted.visiting, Returns.of(data, evidence.time[lot]), grid)
        terms, found = settle(data, parameters, grid, power, returned)
        visit = visits(worlds, fitted.options.window_hours)[own]
        by_row = np.argsort(data.find_row)
        effort = data.effort[by_row[np.searchsorted(data.find_row[by_row], own)]]
        method = (evidence.method[lot] == ROD).astype(int)
        chance = -np.expm1(-np.exp(parameters.theta[:, -2:].T[method]) * effort[:, None])
        wrong = parameters.error[0] * -np.expm1(-np.exp(parameters.pooled[method]) * effort)
        for k, effect in enumerate(found):
            present = effect.presence * terms.present[:, k, None] / effect.mixed
            psi = (effect.weight[data.spot] * present).sum(axis=1)[visit]
            made[low : low + len(lot), k] = psi * chance[:, k] + (1.0 - psi) * wrong
    return made


def visit_presence(fitted: ClubFit, evidence: Evidence, now: float) -> tuple[Int, Float]:
    """Posterior of each visit to one spot: was the species there?

    Returns
    -------
    visit : int (N,)
        Visit of each row of the evidence.
    present : (V, K)
        P(present at the visit | all of the spot's evidence).
    """
    tables = table_index(fitted.calls, fitted.observers)
    data = prepare(evidence, fitted.options, fitted.groups, tables)
    parameters, grid = parameters_of(fitted), effect_grid(fitted.options.grid_nodes)
    power = aged(fitted, data, np.full(len(evidence.spots), now))
    out = np.empty_like(prior_presence(data, parameters))
    returned = log_factor(fitted.visiting, Returns.of(data, np.full(len(evidence.spots), now)), grid)
    terms, found = settle(data, parameters, grid, power, returned)
    for k, effect in enumerate(found):
        present = effect.presence * terms.present[:, k, None] / effect.mixed
        out[:, k] = (effect.weight[data.spot] * present).sum(axis=1)
    return visits(evidence, fitted.options.window_hours), out


def _before(evidence: Evidence, rows: Int, visit: Int) -> tuple[Evidence, Int]:
    """One world for each look: its spot's rows before it, and the look with nothing told; its row there."""
    index: list[Int] = []
    world: list[Int] = []
    own: list[int] = []
    for i, row in enumerate(rows):
        earlier = (evidence.spot == evidence.spot[row]) & (evidence.time < evidence.time[row])
        mine = np.flatnonzero(earlier & (evidence.look != evidence.look[row]))
        index += [mine, np.array([row])]
        world += [np.full(len(mine) + 1, i)]
        own.append(sum(len(w) for w in world) - 1)
    at, spot, last = np.concatenate(index).astype(np.int64), np.concatenate(world), np.array(own)
    part = evidence.take(at)
    grade, count, unclear, tie = (getattr(part, n).copy() for n in ("grade", "count", "unclear", "tie"))
    grade[last], count[last], unclear[last] = 0, 0, True
    tie[visit[at] == visit[rows][spot]] = -1  # a tie in this visit may be to this very look
    worlds = replace(
        part,
        spots=tuple(str(i) for i in range(len(rows))),
        group=evidence.group[evidence.spot[rows]],
        paused=evidence.paused[evidence.spot[rows]],
        spot=spot,
        grade=grade,
        count=count,
        unclear=unclear,
        tie=tie,
    )
    return worlds, last


def scored(evidence: Evidence, made: Forecasts) -> tuple[Held, ...]:
    """Compare the forecasts, camera and rod each."""
    out = []
    for name, method in (("camera", CAMERA), ("rod", ROD)):
        mine = evidence.method[made.row] == method
        if not mine.any():
            continue
        found = made.found[mine]
        by_look = {
            key: np.where(found, np.log(p[mine]), np.log1p(-p[mine])).mean(axis=1)
            for key, p in made.by.items()
        }
        scores = []
        for key, score in by_look.items():
            gain = by_look[MODEL] - score
            error = float(gain.std(ddof=1) / np.sqrt(len(gain))) if len(gain) > 1 else float("nan")
            scores.append(Score(key, float(score.mean()), float(gain.mean()), error))
        slope, slope_error = calibration_line(found.ravel(), made.by[MODEL][mine].ravel())
        out.append(Held(name, int(mine.sum()), int(found.sum()), tuple(scores), slope, slope_error))
    return tuple(out)
