"""What one spot's evidence says at one moment, with its interval and its reasons."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, ndtr

from . import ageing, season
from .calls import table_index
from .engine import Parameters, VisitEvidence, of_species, settle, visit_evidence
from .fitting import parameters_of
from .grouping import Prepared, prepare, visits
from .presence import Effects, Grid, effect_grid, effects, slopes
from .results import ClubFit, Reason, SpotResult
from .types import Evidence, Float, Int

_REASONS = 3
_RECOMPUTED = 5
_LEAST_CHANGE = 5e-4
"""A change below this is no reason worth a sentence."""
_HERMITE = np.polynomial.hermite_e.hermegauss(7)


def spot_history(fitted: ClubFit, evidence: Evidence, now: float) -> SpotResult:
    """Presence at one spot at one moment, by its own evidence and the club's parameters.

    Parameters
    ----------
    fitted : ClubFit
    evidence : Evidence
        Of one spot (`Evidence.of_spot`), in any scope. Rows after `now` are left out. Groups and
        observers are matched to the fit by name.
    now : float
        Days since 1970-01-01T00:00Z.

    Returns
    -------
    SpotResult
        Without rows: the prior of the spot's group, with its wide interval, and no reasons.

    Raises
    ------
    ValueError
        If the evidence is not about exactly one spot, its species are not the fit's, or `now` is not
        finite.
    """
    if len(evidence.spots) != 1:
        raise ValueError(f"spot_history needs the evidence of one spot, not {len(evidence.spots)}")
    if evidence.taxa.codes != fitted.taxa.codes or not np.array_equal(evidence.taxa.leaf, fitted.taxa.leaf):
        raise ValueError("the evidence's species are not the fit's: refit first")
    if not np.isfinite(now):
        raise ValueError("now must be finite")
    rows = np.flatnonzero(evidence.time <= now)
    used = evidence.take(rows)
    context = _Context.of(fitted, used, now)
    visit = visits(used, fitted.options.window_hours)
    data = prepare(used, fitted.options, fitted.groups, context.tables, visit)
    settled = context.settle(data)
    states = [context.state(data, *settled, m) for m in range(context.nodes)]
    probability, interval = context.summary(states, np.array([now]))
    months, month_interval = context.summary(states, _month_middles(now))
    reasons = _reasons(context, used, visit, data, settled, probability[0])
    return SpotResult(
        spot=evidence.spots[0],
        now=float(now),
        paused=bool(evidence.paused[0]),
        species=fitted.taxa.species,
        probability=probability[0],
        interval=interval[0],
        month_probability=months,
        month_interval=month_interval,
        reasons=tuple(tuple(Reason(int(rows[r.row]), r.change) for r in of_k) for of_k in reasons),
        visits=len(data.spot),
    )


@dataclass(frozen=True)
class SpotState:
    """Posterior of spots' effects at one spread node.

    Attributes
    ----------
    weight : (K, S, Q)
    effect_score : (K, S, 6)
        How the mean effect moves with each parameter.
    """

    weight: Float
    effect_score: Float


@dataclass(frozen=True)
class _Context:
    fitted: ClubFit
    parameters: Parameters
    grid: Grid
    tables: dict[tuple[int, str], int]
    group: int
    now: float

    @classmethod
    def of(cls, fitted: ClubFit, evidence: Evidence, now: float) -> _Context:
        name = evidence.groups[int(evidence.group[0])]
        group = fitted.groups.index(name) if name in fitted.groups else len(fitted.groups)
        tables = table_index(fitted.calls, fitted.observers)
        return cls(fitted, parameters_of(fitted), effect_grid(fitted.options.grid_nodes), tables, group, now)

    @property
    def nodes(self) -> int:
        return len(self.fitted.weight)

    def power(self, data: Prepared) -> Float | None:
        half_life = self.fitted.half_life_days
        return ageing.power(self.now - data.time, half_life) if np.isfinite(half_life) else None

    def settle(self, data: Prepared) -> tuple[VisitEvidence, list[Effects]]:
        return settle(data, self.parameters, self.grid, self.power(data))

    def state(self, data: Prepared, terms: VisitEvidence, found: list[Effects], node: int) -> SpotState:
        """The effects under the parameters of one spread node, the evidence ratios held."""
        theta = self.fitted.node_theta[node]
        here = Parameters(
            theta,
            self.parameters.pooled,
            self.parameters.calls,
            self.parameters.error,
            self.parameters.groups,
        )
        linear, spread, power = here.linear(data), here.spread, self.power(data)
        k_species, spots = len(theta), len(data.first) - 1
        weight = np.empty((k_species, spots, len(self.grid.nodes)))
        moves = np.empty((k_species, spots, 6))
        for k in range(k_species):
            mine = of_species(data, terms, linear, k, power)
            posterior = effects(mine, float(spread[k]), self.grid)
            weight[k] = posterior.weight
            moves[k] = slopes(mine, posterior, float(spread[k]), self.grid, curves=False).effect_score
        return SpotState(weight, moves)

    def summary(self, states: list[SpotState], times: Float, spot: int = 0) -> tuple[Float, Float]:
        """Mean (T, K) and 5th and 95th percentile (T, K, 2) of psi at these times."""
        where, weight, sd = self._mixture(states, times, spot)
        mean = _mixture_mean(where, weight, sd)
        low, high = (expit(_mixture_quantile(where, weight, sd, q)) for q in (0.05, 0.95))
        # Of a very skew chance the mean can pass the 95th percentile: the interval always holds it.
        interval: Float = np.stack([np.minimum(low, mean), np.maximum(high, mean)], axis=-1)
        return mean, interval

    def mean_now(self, states: list[SpotState], spot: int) -> Float:
        """Mean of psi at `now`, (K,)."""
        mean: Float = _mixture_mean(*self._mixture(states, np.array([self.now]), spot))[0]
        return mean

    def _mixture(self, states: list[SpotState], times: Float, spot: int) -> tuple[Float, Float, Float]:
        """logit psi as a mixture of normals: centres, weights and standard deviations (T, K, M, Q)."""
        f = self.fitted
        x = season.features(times)
        groups = len(f.groups)
        design = season.design(times, np.full(len(times), self.group), groups)
        g = self.grid.nodes
        k = len(f.taxa.species)
        shape = (len(times), k, self.nodes, len(g))
        where, weight, sd = np.empty(shape), np.empty(shape), np.empty(shape)
        for m, state in enumerate(states):
            theta = f.node_theta[m]
            spread = np.exp(theta[:, -3])
            coefficients = season.by_group(theta[:, :-3], groups)[:, self.group]
            p = state.weight[:, spot]
            where[:, :, m] = (x @ coefficients.T)[:, :, None] + spread[:, None] * g
            weight[:, :, m] = f.weight[m][:, None] * p
            moves = spread[:, None] * state.effect_score[:, spot]
            moves[:, 3] += spread * (p @ g)
            lifted = np.stack([season.spread_groups(self._own_block(v), groups) for v in moves])
            jacobian = lifted[None] + np.concatenate([design, np.zeros((len(times), 3))], axis=1)[:, None, :]
            variance = np.einsum("tka,kab,tkb->tk", jacobian, f.node_cov[m], jacobian)
            if self.group == groups:  # a group the club has never looked at
                o = f.options
                variance += o.group_intercept_sd**2 + o.group_harmonic_sd**2 if groups > 1 else 0.0
            sd[:, :, m] = np.sqrt(np.maximum(variance, 1e-12))[:, :, None]
        return where, weight, sd

    def _own_block(self, values: Float) -> Float:
        block = np.zeros((len(self.fitted.groups) + 1, 6))
        block[self.group] = values
        return block


def _mixture_mean(where: Float, weight: Float, sd: Float) -> Float:
    z, w = _HERMITE
    total = np.zeros(where.shape)
    for zi, wi in zip(z, w / w.sum(), strict=True):
        total += wi * expit(where + zi * sd)
    made: Float = (weight * total).sum(axis=(-2, -1))
    return made


def _mixture_quantile(where: Float, weight: Float, sd: Float, q: float) -> Float:
    """Quantile of a mixture of normals, by Newton steps kept inside a shrinking bracket."""
    low = (where - 8.0 * sd).min(axis=(-2, -1))
    high = (where + 8.0 * sd).max(axis=(-2, -1))
    mean = (weight * where).sum(axis=(-2, -1))
    spread = np.sqrt((weight * ((where - mean[..., None, None]) ** 2 + sd**2)).sum(axis=(-2, -1)))
    at: Float = np.clip(mean + (1.645 if q > 0.5 else -1.645) * spread, low, high)
    for _ in range(60):
        z = (at[..., None, None] - where) / sd
        below = (weight * ndtr(z)).sum(axis=(-2, -1)) - q
        density = (weight * np.exp(-0.5 * z * z) / sd).sum(axis=(-2, -1)) / np.sqrt(2.0 * np.pi)
        low, high = np.where(below < 0, at, low), np.where(below < 0, high, at)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            newton = at - below / density
        inside = (newton > low) & (newton < high)
        following = np.where(inside, newton, 0.5 * (low + high))
        if float(np.max(np.abs(following - at))) < 1e-10:
            break
        at = following
    return at


def _month_middles(now: float) -> Float:
    """The middle of each calendar month of the year of `now` (UTC), in days."""
    year = (np.datetime64("1970-01-01") + np.timedelta64(int(np.floor(now)), "D")).astype("datetime64[Y]")
    starts = year.astype("datetime64[M]") + np.arange(13)
    days = starts.astype("datetime64[D]").astype(np.int64).astype(np.float64)
    middles: Float = (days[:-1] + days[1:]) / 2.0
    return middles


def _reasons(
    context: _Context,
    evidence: Evidence,
    visit: Int,
    data: Prepared,
    settled: tuple[VisitEvidence, list[Effects]],
    full: Float,
) -> list[list[Reason]]:
    """Leave-one-out changes of the probability now: all rows screened, the largest five recomputed
    exactly."""
    n, k = len(evidence), len(full)
    if n == 0:
        return [[] for _ in range(k)]
    if n > _RECOMPUTED:
        screened = _screen(context, evidence, visit, data, settled)
        top = np.unique(np.argsort(-np.abs(screened), axis=0, kind="stable")[:_RECOMPUTED])
    else:
        top = np.arange(n)
    exact = {
        int(row): full - without for row, without in zip(top, _left_out(context, evidence, top), strict=True)
    }
    made = []
    for i in range(k):
        ranked = sorted(exact, key=lambda row: (-abs(exact[row][i]), row))[:_REASONS]
        made.append(
            [Reason(row, float(exact[row][i])) for row in ranked if abs(exact[row][i]) >= _LEAST_CHANGE]
        )
    return made


def _left_out(context: _Context, evidence: Evidence, rows: Int) -> list[Float]:
    """Probability now, (K,), without each of these rows: the whole of it again, all copies at once."""
    if len(rows) == 0:
        return []
    n = len(evidence)
    keep = np.array([np.delete(np.arange(n), row) for row in rows], dtype=np.int64).ravel()
    copies = np.repeat(np.arange(len(rows)), n - 1)
    worlds = _worlds(evidence, keep, copies, len(rows))
    data = prepare(worlds, context.fitted.options, context.fitted.groups, context.tables)
    settled = context.settle(data)
    states = [context.state(data, *settled, m) for m in range(context.nodes)]
    return [context.mean_now(states, spot) for spot in range(len(rows))]


def _worlds(evidence: Evidence, rows: Int, copies: Int, number: int) -> Evidence:
    """Copies of one spot as spots of their own."""

    return replace(
        evidence.take(rows),
        spots=tuple(f"{i}" for i in range(number)),
        group=np.repeat(evidence.group, number),
        paused=np.repeat(evidence.paused, number),
        spot=copies,
    )


def _screen(
    context: _Context,
    evidence: Evidence,
    visit: Int,
    data: Prepared,
    settled: tuple[VisitEvidence, list[Effects]],
) -> Float:
    """Approximate change of psi now by each row (N, K): its visit's factor swapped, nothing else moved."""
    _, found = settled
    n = len(evidence)
    # One world for each row: its visit, without it.
    mates = visit[:, None] == visit[None, :]
    np.fill_diagonal(mates, False)
    copies, rows = np.nonzero(mates)
    k = len(found)
    parameters, grid = context.parameters, context.grid
    alone = prepare(
        _worlds(evidence, rows, copies, n), context.fitted.options, context.fitted.groups, context.tables
    )
    psi = np.stack([_cavity(found[i], data.spot) for i in range(k)], axis=1)
    without = visit_evidence(alone, parameters, psi[visit[alone.spot]])
    linear, power = parameters.linear(data), context.power(data)
    here = season.features(np.array([context.now]))[0]
    coefficients = season.by_group(parameters.theta[:, :-3], parameters.groups)[:, context.group]
    change = np.empty((n, k))
    for i in range(k):
        ratio = np.zeros((n, len(grid.nodes)))
        effect = parameters.spread[i] * grid.nodes
        ratio[alone.spot] = np.log(
            without.absent[:, i, None]
            + expit(linear[visit[alone.spot], i, None] + effect)
            * (without.present - without.absent)[:, i, None]
        )
        ratio -= np.log(found[i].mixed[visit])
        if power is not None:
            ratio *= power[visit][:, None]
        now = expit(here @ coefficients[i] + effect)
        p = found[i].weight[0]
        swapped = p * np.exp(ratio - ratio.max(axis=1, keepdims=True))
        change[:, i] = p @ now - (swapped @ now) / swapped.sum(axis=1)
    return change


def _cavity(found: Effects, spot: Int) -> Float:
    without = found.weight[spot] / found.mixed
    made: Float = (without * found.presence).sum(axis=1) / without.sum(axis=1)
    return np.clip(made, 1e-12, 1.0 - 1e-12)
