"""Fitting the club's parameters: posterior mode by generalised EM with Newton steps, then its spread."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from . import ageing, calls, season
from .engine import Parameters, Pass, of_species, prior_presence, run_pass, visit_evidence
from .findings import find_error
from .grouping import Prepared, prepare
from .leaving_out import OwnShares
from .nesting import nodes_of_spread
from .presence import Grid, effect_grid, effects
from .priors import Priors, positive, positive_inverse
from .results import CallModel, ClubFit
from .squarem import Extrapolation
from .types import Evidence, Float, Int, Options
from .visiting import Returns, learn, log_factor

_PART_VISITS = 8_000
"""Visits worked on at once: keeps a pass within the processor's cache and the memory flat."""
_THREADS = 2
_VISITING_ROUNDS, _SAME_PULL = 4, 0.01
"""How often the pull of good spots is learned, each time when all else has converged, and when it is taken to stand."""
_LEFT_OUT_CALLS = 20_000
"""Up to so many calls each is judged by tables it did not help to learn; in more, one's share is nothing."""
_COARSE_SPOTS, _COARSE_NODES = 1_000, 17
"""From so many spots on a fit goes most of its way on a coarse grid of the effects."""
_LARGE_CLUB_SPOTS = 4_000
"""From here on a fit starts from a fit of a tenth of the spots."""


@dataclass(frozen=True)
class NewtonStep:
    """Joint step of all species and the pooled rates, with the covariance of each species (K, P+3, P+3).

    `through_pool` is the part of it that is due to the pooled rates' own uncertainty.
    """

    theta: Float
    pooled: Float
    covariance: Float
    through_pool: Float


def newton_step(seen: Pass, parameters: Parameters, priors: Priors) -> NewtonStep:
    """Newton step on the log posterior of (theta, pooled), the visits' evidence ratios held.

    The species meet in the pooled rates only, so the system is an arrow and is solved by its Schur
    complement.
    """
    theta, pooled, groups = parameters.theta, parameters.pooled, parameters.groups
    k, width = theta.shape
    gradient, diagonal = priors.derivatives(theta, pooled)
    ratio = np.exp(theta[:, -2:] - pooled)
    inverse = np.empty((k, width, width))
    border = np.zeros((k, width, 2))
    border[:, -2, 0] = priors.rate_weight * ratio[:, 0]
    border[:, -1, 1] = priors.rate_weight * ratio[:, 1]
    corner = np.diag(priors.rate_weight * ratio.sum(axis=0) + priors.pooled_precision)
    corner_gradient = -priors.rate_weight * (1.0 - ratio).sum(axis=0)
    corner_gradient -= priors.pooled_precision * (pooled - priors.pooled_mean)
    for i in range(k):
        gradient[i] += season.spread_groups(seen.score[i], groups)
        hessian = season.spread_groups(seen.curve[i], groups) + np.diag(diagonal[i])
        inverse[i] = positive_inverse(-hessian)
    first = np.einsum("kab,kb->ka", inverse, gradient)
    through = np.einsum("kab,kbc->kac", inverse, border)
    schur = np.linalg.inv(positive(corner - np.einsum("kab,kac->bc", border, through)))
    pooled_step = schur @ (corner_gradient + np.einsum("kab,ka->b", border, first))
    step = first + through @ pooled_step
    shared = np.einsum("kab,bc,kdc->kad", through, schur, through)
    return NewtonStep(_bounded(step), np.clip(pooled_step, -1.0, 1.0), inverse + shared, shared)


def _bounded(step: Float, most: float = 1.0) -> Float:
    largest = np.max(np.abs(step), axis=1, keepdims=True)
    made: Float = step * np.minimum(1.0, most / np.maximum(largest, 1e-300))
    return made


def parts(data: Prepared) -> Iterator[tuple[int, int]]:
    """Ranges of spots with about `_PART_VISITS` visits each, in order."""
    low, spots = 0, len(data.first) - 1
    while low < spots:
        high = int(np.searchsorted(data.first, data.first[low] + _PART_VISITS, side="right")) - 1
        high = min(max(high, low + 1), spots)
        yield low, high
        low = high


def fit(
    evidence: Evidence,
    *,
    seed: int | None = None,
    previous: ClubFit | None = None,
    options: Options | None = None,
) -> ClubFit:
    """Fit the club's parameters to club-scope evidence.

    Posterior mode under weak priors: at each iteration one sweep over the spots with exact visit
    likelihoods, one joint Newton step on season terms, spread and detection rates of all species
    (presence and effects summed out), and one EM step of the call tables. Converged when no parameter,
    table cell or chance of presence moves by more than `options.tolerance`. In a small club each call is judged
    by tables without its own share (`leaving_out`).

    Parameters
    ----------
    evidence : Evidence
        Any number of rows. With none the result is the prior, and `converged` is True.
    seed : int, optional
        Chooses the tenth of the spots from which a large club's fit starts. Nothing else is random.
    previous : ClubFit, optional
        Start from it where species, groups and observers have the same names. The optimum does not
        depend on it beyond the tolerance.
    options : Options, optional

    Returns
    -------
    ClubFit

    Notes
    -----
    Time grows with visits x species x `grid_nodes`; memory beyond the evidence with visits x species.
    """
    options = options or Options()
    data, parameters = begin(evidence, options, previous)
    used = np.unique(evidence.spot)
    if previous is None and len(used) >= _LARGE_CLUB_SPOTS:
        tenth = np.random.default_rng(0 if seed is None else seed).permutation(used)[: len(used) // 10]
        previous = fit(evidence.take(np.isin(evidence.spot, tenth)), options=options)
        data, parameters = begin(evidence, options, previous)
    priors = Priors.of(len(evidence.groups), len(evidence), options)
    fine = effect_grid(options.grid_nodes)
    coarse = len(used) >= _COARSE_SPOTS and options.grid_nodes > _COARSE_NODES
    grid = effect_grid(_COARSE_NODES) if coarse else fine
    psi = prior_presence(data, parameters)
    ranges = list(parts(data))
    k = psi.shape[1]
    converged, iteration, step, log_evidence = False, 0, np.inf, 0.0
    ahead = Extrapolation()
    covariance = through_pool = np.zeros((k, 0, 0))
    curve: Float | None = None
    own: OwnShares | None = None
    few = len(data.call_row) <= _LEFT_OUT_CALLS
    shares = np.zeros((2, len(data.call_row), k + 1)) if few else np.zeros((2, 0, 0))
    bare = np.ones((len(data.call_row), k + 1)) if few and data.filtered.any() else None
    returns = Returns.of(data, np.full(len(evidence.spots), evidence.now))
    visiting, asked = np.zeros((0, 3)), 0
    if previous is not None and previous.taxa.codes == evidence.taxa.codes:
        visiting = previous.visiting
    while not converged and iteration < options.max_iterations:
        iteration += 1
        # Near the end the curvature hardly moves, and a Newton step may take an older one. The last is its own.
        curved = curve is None or iteration % 6 == 0 or not 2.0 * options.tolerance < step < 0.05
        seen, psi_moved = _sweep(
            data, ranges, parameters, grid, psi, curved, own, log_factor(visiting, returns, grid)
        )
        curve = seen.curve if curved or curve is None else curve
        newton = newton_step(replace(seen, curve=curve), parameters, priors)
        log_evidence = seen.log_evidence + priors.log_density(parameters.theta, parameters.pooled)
        covariance, through_pool = newton.covariance, newton.through_pool
        model = calls.update(parameters.calls, seen.tally, evidence.taxa, options)
        if iteration % 5 == 0:
            model = replace(model, kappa=calls.learn_shrinkage(model, options))
        if few and len(model.pair):
            own = calls.shares(model, seen.tally, evidence.taxa, options, shares[0], shares[1], bare)
        step = max(
            float(np.max(np.abs(newton.theta))),
            float(np.max(np.abs(newton.pooled))),
            float(np.max(np.abs(model.pair - parameters.calls.pair), initial=0.0)),
            float(np.max(np.abs(model.method - parameters.calls.method))),
            abs(model.copy - parameters.calls.copy),
            abs(model.copy_other - parameters.calls.copy_other),
            abs(model.tied - parameters.calls.tied),
            float(np.max(np.abs(model.hidden - parameters.calls.hidden), initial=0.0)),
            psi_moved,
        )
        parameters = replace(
            parameters,
            theta=parameters.theta + newton.theta,
            pooled=parameters.pooled + newton.pooled,
            calls=model,
        )
        converged = step < options.tolerance and iteration % 5 != 0 and curved
        if iteration % 5 == 0:
            ahead.restart()
        elif not converged:
            parameters = ahead.after(parameters, step)
        if coarse and step < 5.0 * options.tolerance:  # the way is done on few nodes, the end on all
            coarse, grid, converged = False, fine, False
        if converged and asked < _VISITING_ROUNDS:
            asked += 1
            told = learn(_effect_weights(data, ranges, parameters, grid, psi), returns, grid, visiting)
            if not _same_pull(told, visiting):
                converged, visiting = False, told
    nested = 0 < len(used) < options.nested_below_spots
    weight, node_theta, node_cov = nodes_of_spread(
        data,
        parameters,
        priors,
        fine,
        psi,
        covariance,
        options.spread_nodes if nested else 1,
        through_pool,
        own,
        log_factor(visiting, returns, fine),
    )
    made = ClubFit(
        taxa=evidence.taxa,
        groups=evidence.groups,
        observers=evidence.observers,
        options=options,
        rows=len(evidence),
        visits=len(data.spot),
        spots=len(used),
        proofs=int(parameters.calls.proofs.sum()),
        converged=converged,
        iterations=iteration,
        step=step,
        logposterior=log_evidence,
        beta=parameters.theta[:, :-3],
        log_spread=parameters.theta[:, -3],
        log_rate=parameters.theta[:, -2:],
        pooled_log_rate=parameters.pooled,
        weight=weight,
        node_theta=node_theta,
        node_cov=node_cov,
        calls=parameters.calls,
        find_error=parameters.error,
        half_life_days=float("inf"),
        visiting=visiting,
    )
    return replace(made, half_life_days=ageing.choose_half_life(made, data, parameters, fine))


def parameters_of(fitted: ClubFit) -> Parameters:
    """The mode, as the engine takes it."""
    theta = np.concatenate([fitted.beta, fitted.log_spread[:, None], fitted.log_rate], axis=1)
    return Parameters(theta, fitted.pooled_log_rate, fitted.calls, fitted.find_error, len(fitted.groups))


def _sweep(
    data: Prepared,
    ranges: list[tuple[int, int]],
    parameters: Parameters,
    grid: Grid,
    psi: Float,
    curved: bool,
    own: OwnShares | None,
    extra: Float | None,
) -> tuple[Pass, float]:
    """A pass over all parts; `psi` (V, K) and the shares are replaced in place. Also returns its largest change."""

    def one_part(spots: tuple[int, int]) -> tuple[Pass, float]:
        a, b = int(data.first[spots[0]]), int(data.first[spots[1]])
        c, d = np.searchsorted(data.call_visit, [a, b])
        mine = None if own is None else own.part(int(c), int(d))
        told = None if extra is None else extra[:, spots[0] : spots[1]]
        one, new = run_pass(data.part(*spots), parameters, grid, psi[a:b], told, curved, mine)
        change = float(np.max(np.abs(new - psi[a:b]), initial=0.0))
        psi[a:b] = new
        return one, change

    total: Pass | None = None
    moved = 0.0
    # Parts share nothing, and are added up in their order: the sums do not depend on the number of threads.
    with ThreadPoolExecutor(min(_THREADS, max(1, len(ranges)))) as pool:
        for one, change in pool.map(one_part, ranges):
            moved = max(moved, change)
            total = one if total is None else total + one
    if total is None:  # no spots at all
        total, _ = run_pass(data, parameters, grid, psi, curved=curved)
    return total, moved


def _effect_weights(
    data: Prepared, ranges: list[tuple[int, int]], parameters: Parameters, grid: Grid, psi: Float
) -> Float:
    """Posterior of the spot effects by all but how often their spot is visited, (K, S, Q)."""
    k = psi.shape[1]
    weight = np.empty((k, len(data.first) - 1, len(grid.nodes)))
    for low, high in ranges:
        part = data.part(low, high)
        terms = visit_evidence(part, parameters, psi[int(data.first[low]) : int(data.first[high])])
        linear = parameters.linear(part)
        for i in range(k):
            mine = of_species(part, terms, linear, i)
            weight[i, low:high] = effects(mine, float(parameters.spread[i]), grid).weight
    return weight


def _same_pull(new: Float, old: Float) -> bool:
    pull = old[:, 1] if len(old) else np.zeros(len(new))
    return float(np.max(np.abs(new[:, 1] - pull), initial=0.0)) < _SAME_PULL


def begin(evidence: Evidence, options: Options, previous: ClubFit | None) -> tuple[Prepared, Parameters]:
    """The evidence in the engine's order, and the parameters that a fit starts from."""
    taxa, groups = evidence.taxa, len(evidence.groups)
    mean, _ = season.prior(groups, options)
    pooled = np.log(np.asarray(options.rate_prior)[:, 0])
    start = np.concatenate([mean, [-0.1], pooled])
    theta = np.repeat(start[None], len(taxa.species), axis=0)
    model = calls.start(taxa, options, evidence)
    if previous is not None and previous.taxa.codes == taxa.codes:
        pooled = previous.pooled_log_rate
        theta = _carry_theta(theta, previous, evidence.groups)
        model = _carry_calls(model, previous, evidence)
    parameters = Parameters(theta, pooled, model, find_error(evidence, options), groups)
    tables = calls.table_index(model, evidence.observers)
    return prepare(evidence, options, evidence.groups, tables), parameters


def _carry_theta(theta: Float, previous: ClubFit, groups: tuple[str, ...]) -> Float:
    made = theta.copy()
    made[:, : season.FEATURES] = previous.beta[:, : season.FEATURES]
    made[:, -3] = previous.log_spread
    made[:, -2:] = previous.log_rate
    if len(groups) > 1 and len(previous.groups) > 1:
        for new, name in enumerate(groups):
            if name in previous.groups:
                old = previous.groups.index(name)
                made[:, _own(new)] = previous.beta[:, _own(old)]
    return made


def _own(group: int) -> Int:
    return season.FEATURES * (1 + group) + np.arange(season.FEATURES)


def _carry_calls(model: CallModel, previous: ClubFit, evidence: Evidence) -> CallModel:
    old = previous.calls
    where = calls.table_index(old, previous.observers)
    every = np.concatenate([old.pair, old.method])
    pair = model.pair.copy()
    for i, (m, o) in enumerate(zip(model.pair_method, model.pair_observer, strict=True)):
        pair[i] = every[where.get((int(m), evidence.observers[int(o)]), where[int(m), ""])]
    return replace(
        model,
        club=old.club,
        method=old.method,
        pair=pair,
        kappa=old.kappa,
        copy=old.copy,
        copy_other=old.copy_other,
        tied=old.tied,
    )
