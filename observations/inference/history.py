"""What one spot's evidence says at one moment, with its interval and its reasons."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit, ndtr

from . import ageing, season
from .bands import BandFit
from .calls import table_index
from .engine import Parameters, VisitEvidence, settle, stacked, stacks, visit_evidence
from .fitting import parameters_of
from .grouping import Prepared, prepare, visits
from .narrowing import PLANS, expected_narrowing
from .presence import Effects, Grid, effect_grid, effect_moves, effects
from .results import ClubFit, Reason, SpotResult
from .types import Evidence, Float, Int
from .visiting import Returns, log_factor

_REASONS = 3
_RECOMPUTED = 5
_LEAST_CHANGE = 5e-4
"""A change below this is no reason worth a sentence."""
_SAME_CHANGE = 7
"""Decimals to which changes are compared: equal looks move a probability equally but for the last bits, which
depend on where arrays lie in memory; they come in the order of their rows then."""
_HERMITE = np.polynomial.hermite_e.hermegauss(7)


def spot_history(
    fitted: ClubFit, evidence: Evidence, now: float, *, reasons: bool = True, bands: BandFit | None = None
) -> SpotResult:
    """Presence at one spot at one moment, by its own evidence and the club's parameters.

    Parameters
    ----------
    fitted : ClubFit
    evidence : Evidence
        Of one spot (`Evidence.of_spot`), in any scope. Rows after `now` are left out. Groups and
        observers are matched to the fit by name.
    now : float
        Days since 1970-01-01T00:00Z.
    reasons : bool
        Also the rows that moved each probability most; they take about half of the time.
    bands : BandFit, optional
        Also the chance in each band of water temperature. Its species are the fit's.

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
    _check(fitted, evidence, now)
    rows = np.flatnonzero(evidence.time <= now)
    used = evidence.take(rows)
    visit = visits(used, fitted.options.window_hours)
    context = _Context.of(fitted, used, now, visit)
    data = prepare(used, fitted.options, fitted.groups, context.tables, visit)
    settled = context.settle(data)
    states = context.states(data, settled[0])
    chance, interval = context.summary(states, *_moments(now, bands, len(fitted.taxa.species)))
    moved = _reasons(context, used, visit, data, settled, chance[0]) if reasons else [[]] * context.species
    return SpotResult(
        spot=evidence.spots[0],
        now=float(now),
        paused=bool(evidence.paused[0]),
        species=fitted.taxa.species,
        probability=chance[0],
        interval=interval[0],
        month_probability=chance[1:13],
        month_interval=interval[1:13],
        reasons=tuple(tuple(Reason(int(rows[r.row]), r.change) for r in of_k) for of_k in moved),
        visits=len(data.spot),
        narrowed=context.narrowed(states),
        band_probability=chance[13:],
        band_interval=interval[13:],
    )


def _moments(now: float, bands: BandFit | None, k: int) -> tuple[Float, Float, Float]:
    """Season features (T, 3), shift of logit psi and its variance (T, K): now, the months, and the bands if any."""
    x = season.features(np.append(now, _month_middles(now)))
    none = np.zeros((len(x), k))
    if bands is None or not bands.readings:
        return x, none, none
    if len(bands.deviation) != k:
        raise ValueError(f"the bands are of {len(bands.deviation)} species, the fit of {k}: refit first")
    x = np.concatenate([x, bands.features])
    return x, np.concatenate([none, bands.deviation.T]), np.concatenate([none, bands.variance.T])


def distribution_now(fitted: ClubFit, evidence: Evidence, now: float, at: Float) -> Float:
    """Posterior P(psi <= at) of each species at one spot and moment, (K,), for `at` (K,) between 0 and 1.

    The distribution whose 5th and 95th percentiles `spot_history` gives, and with the same errors.
    """
    _check(fitted, evidence, now)
    used = evidence.take(evidence.time <= now)
    visit = visits(used, fitted.options.window_hours)
    context = _Context.of(fitted, used, now, visit)
    data = prepare(used, fitted.options, fitted.groups, context.tables, visit)
    states = context.states(data, context.settle(data)[0])
    where, weight, sd = context.mixture(states, season.features([now]), np.zeros(1, dtype=np.int64))
    below: Float = (weight * ndtr((logit(at)[None, :, None, None] - where) / sd)).sum(axis=(-2, -1))[0]
    return below


def _check(fitted: ClubFit, evidence: Evidence, now: float) -> None:
    if len(evidence.spots) != 1:
        raise ValueError(f"spot_history needs the evidence of one spot, not {len(evidence.spots)}")
    if evidence.taxa.codes != fitted.taxa.codes or not np.array_equal(evidence.taxa.leaf, fitted.taxa.leaf):
        raise ValueError("the evidence's species are not the fit's: refit first")
    if not np.isfinite(now):
        raise ValueError("now must be finite")


def aged(fitted: ClubFit, data: Prepared, now: Float) -> Float | None:
    """Weight of each visit's evidence at its spot's moment `now` (S,); None: evidence does not age."""
    half_life = fitted.half_life_days
    return ageing.power(now[data.spot] - data.time, half_life) if np.isfinite(half_life) else None


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
    covariance: Float
    """(M, K, 6, 6): of the group's own season terms, log spread and log rates."""
    returned: Float | None
    """(K, 1, Q): log chance of the spot's returns at each node of its effect; the same whichever row is left out."""

    @classmethod
    def of(cls, fitted: ClubFit, evidence: Evidence, now: float, visit: Int) -> _Context:
        name = evidence.groups[int(evidence.group[0])]
        group = fitted.groups.index(name) if name in fitted.groups else len(fitted.groups)
        tables = table_index(fitted.calls, fitted.observers)
        lift = season.own_terms(group, len(fitted.groups))
        grid = effect_grid(fitted.options.grid_nodes)
        returns = Returns(np.zeros(1), np.zeros(1))
        if len(visit):
            returns = Returns.since(
                np.array([visit.max() + 1]), evidence.time.min(keepdims=True), np.array([now])
            )
        return cls(
            fitted,
            parameters_of(fitted),
            grid,
            tables,
            group,
            now,
            lift @ fitted.node_cov @ lift.T,
            log_factor(fitted.visiting, returns, grid),
        )

    @property
    def species(self) -> int:
        return len(self.fitted.taxa.species)

    @property
    def nodes(self) -> int:
        return len(self.fitted.weight)

    def power(self, data: Prepared) -> Float | None:
        return aged(self.fitted, data, np.full(len(data.first) - 1, self.now))

    def settle(self, data: Prepared) -> tuple[VisitEvidence, list[Effects]]:
        return settle(data, self.parameters, self.grid, self.power(data), self.of_returns(data))

    def of_returns(self, data: Prepared) -> Float | None:
        """What the returns say, for each copy of the spot, (K, S, Q)."""
        if self.returned is None:
            return None
        k, _, q = self.returned.shape
        return np.broadcast_to(self.returned, (k, len(data.first) - 1, q))

    def states(self, data: Prepared, terms: VisitEvidence) -> list[SpotState]:
        """The effects under the parameters of each spread node, the evidence ratios held."""
        f = self.fitted
        k_species, spots, power = len(f.taxa.species), len(data.first) - 1, self.power(data)
        extra = self.of_returns(data)
        linear = np.concatenate(
            [replace(self.parameters, theta=theta).linear(data) for theta in f.node_theta], axis=1
        )
        spread = np.exp(f.node_theta[:, :, -3]).ravel()
        weight = np.empty((len(spread), spots, len(self.grid.nodes)))
        moves = np.empty((len(spread), spots, 6))
        for lot in stacks(data, len(spread), self.grid):
            mine = stacked(data, terms, linear[:, lot], lot % k_species, power)
            each = np.repeat(spread[lot], spots)
            told = None if extra is None else extra[lot % k_species].reshape(-1, len(self.grid.nodes))
            posterior = effects(mine, each, self.grid, told)
            weight[lot] = posterior.weight.reshape(len(lot), spots, -1)
            moves[lot] = effect_moves(mine, posterior, each, self.grid).reshape(len(lot), spots, 6)
        by_node = (self.nodes, k_species)
        return [
            SpotState(w, m)
            for w, m in zip(
                weight.reshape(*by_node, spots, -1), moves.reshape(*by_node, spots, 6), strict=True
            )
        ]

    def summary(
        self, states: list[SpotState], x: Float, shift: Float, variance: Float
    ) -> tuple[Float, Float]:
        """Mean (T, K) and 5th and 95th percentile (T, K, 2) of psi of the first spot at these season features.

        `shift` is added to logit psi, `variance` is the shift's own, both (T, K).
        """
        where, weight, sd = self.mixture(states, x, np.zeros(len(x), dtype=np.int64))
        where = where + shift[:, :, None, None]
        sd = np.sqrt(sd**2 + variance[:, :, None, None])
        mean = _mixture_mean(where, weight, sd)
        low, high = (expit(_mixture_quantile(where, weight, sd, q)) for q in (0.05, 0.95))
        # Of a very skew chance the mean can pass the 95th percentile: the interval always holds it.
        interval: Float = np.stack([np.minimum(low, mean), np.maximum(high, mean)], axis=-1)
        return mean, interval

    def narrowed(self, states: list[SpotState]) -> Float:
        """Expected narrowing by each plan, (K, plans); by sampling alone, the parameters' own spread left out."""
        where, weight, _ = self.mixture(states, season.features([self.now]), np.zeros(1, dtype=np.int64))
        k = where.shape[1]
        rate = np.exp(self.fitted.log_rate)
        points, mass = where[0].reshape(k, -1), weight[0].reshape(k, -1)
        return np.stack([expected_narrowing(points, mass, rate, plan) for plan in PLANS], axis=1)

    def means_now(self, states: list[SpotState], spots: int) -> Float:
        """Mean of psi at `now` of each spot, (S, K)."""
        return _mixture_mean(
            *self.mixture(states, season.features(np.full(spots, self.now)), np.arange(spots))
        )

    def mixture(self, states: list[SpotState], x: Float, spot: Int) -> tuple[Float, Float, Float]:
        """logit psi at T moments, given by their season features (T, 3), each of one spot, as a mixture of normals.

        Returns
        -------
        centres, weights, standard deviations : (T, K, M, Q), (T, K, M, Q), (T, K, M, 1)
        """
        f = self.fitted
        groups = len(f.groups)
        g = self.grid.nodes
        shape = (len(x), len(f.taxa.species), self.nodes, len(g))
        where, weight, sd = np.empty(shape), np.empty(shape), np.empty((*shape[:3], 1))
        for m, state in enumerate(states):
            theta = f.node_theta[m]
            spread = np.exp(theta[:, -3])
            coefficients = season.by_group(theta[:, :-3], groups)[:, self.group]
            p = state.weight[:, spot].transpose(1, 0, 2)
            where[:, :, m] = (x @ coefficients.T)[:, :, None] + spread[:, None] * g
            weight[:, :, m] = f.weight[m][:, None] * p
            # How logit psi moves with the parameters, the mean effect moving along.
            jacobian = spread[:, None] * state.effect_score[:, spot].transpose(1, 0, 2)
            jacobian[:, :, 3] += spread * (p @ g)
            jacobian[:, :, : season.FEATURES] += x[:, None]
            variance = np.einsum("tka,kab,tkb->tk", jacobian, self.covariance[m], jacobian)
            if self.group == groups and groups > 1:  # a group the club has never looked at
                variance += f.options.group_intercept_sd**2 + f.options.group_harmonic_sd**2
            sd[:, :, m, 0] = np.sqrt(np.maximum(variance, 1e-12))
        return where, weight, sd


def _mixture_mean(where: Float, weight: Float, sd: Float) -> Float:
    z, w = _HERMITE
    total = np.zeros(where.shape)
    for zi, wi in zip(z, w / w.sum(), strict=True):
        total += wi * expit(where + zi * sd)
    made: Float = (weight * total).sum(axis=(-2, -1))
    return made


def _mixture_quantile(where: Float, weight: Float, sd: Float, q: float) -> Float:
    """Quantile of mixtures of normals, by Newton steps kept inside a shrinking bracket."""
    shape = where.shape[:-2]
    mixtures = int(np.prod(shape))
    centre = where.reshape(mixtures, -1)
    w = weight.reshape(mixtures, -1)
    s = np.broadcast_to(sd, where.shape).reshape(mixtures, -1)
    low, high = (centre - 8.0 * s).min(axis=1), (centre + 8.0 * s).max(axis=1)
    mean = (w * centre).sum(axis=1)
    spread = np.sqrt((w * ((centre - mean[:, None]) ** 2 + s**2)).sum(axis=1))
    at: Float = np.clip(mean + (1.645 if q > 0.5 else -1.645) * spread, low, high)
    active = np.arange(mixtures)
    for _ in range(60):
        if not len(active):
            break
        here = at[active]
        z = (here[:, None] - centre[active]) / s[active]
        below = (w[active] * ndtr(z)).sum(axis=1) - q
        density = (w[active] * np.exp(-0.5 * z * z) / s[active]).sum(axis=1) / np.sqrt(2.0 * np.pi)
        low[active] = np.where(below < 0, here, low[active])
        high[active] = np.where(below < 0, high[active], here)
        newton = here - below / np.maximum(density, 1e-300)
        inside = (newton > low[active]) & (newton < high[active])
        at[active] = np.where(inside, newton, 0.5 * (low[active] + high[active]))
        active = active[np.abs(at[active] - here) > 1e-5]  # Newton: the error is of the order of its square
    return at.reshape(shape)


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
        size = np.abs(screened).round(_SAME_CHANGE)
        first = np.argsort(-size, axis=0, kind="stable")[:_RECOMPUTED]
        worth = np.take_along_axis(size, first, axis=0) >= _LEAST_CHANGE
        top = np.unique(first[worth])
    else:
        top = np.arange(n)
    exact = {
        int(row): full - without for row, without in zip(top, _left_out(context, evidence, top), strict=True)
    }
    made = []
    for i in range(k):
        sizes = {row: round(abs(float(change[i])), _SAME_CHANGE) for row, change in exact.items()}
        ranked = sorted(exact, key=lambda row: (-sizes[row], row))[:_REASONS]
        made.append([Reason(row, float(exact[row][i])) for row in ranked if sizes[row] >= _LEAST_CHANGE])
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
    states = context.states(data, settled[0])
    return list(context.means_now(states, len(rows)))


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
