"""Spot effects: their posterior on a grid, one species at a time, and what the parameters gain by it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .types import Float, Int

_MULTIPLIED = 8


@dataclass(frozen=True)
class Grid:
    """Nodes of a standard normal spot effect: (Q,) values and log weights."""

    nodes: Float
    log_weight: Float


def effect_grid(nodes: int, reach: float = 4.0) -> Grid:
    """Equally spaced nodes within plus and minus `reach`.

    The trapezoid rule on a smooth, fast falling integrand converges faster than any power of the
    spacing; 31 nodes serve posteriors down to a standard deviation of about 0.2.
    """
    g = np.linspace(-reach, reach, nodes)
    log_weight = -0.5 * g * g
    return Grid(g, log_weight - np.log(np.exp(log_weight).sum()))


@dataclass(frozen=True)
class SpotVisits:
    """Visits of one species, sorted by spot.

    Attributes
    ----------
    first : (S+1,)
        Visits of spot s: first[s] to first[s+1].
    spot : (V,)
    season : (V, 3)
    linear : (V,)
        Season part of logit psi.
    present, absent : (V,)
        P(visit's data | present), | absent, up to a common factor.
    slope, curve : (V, 2)
        Derivatives of log `present` in the log rates.
    power : (V,) or None
        Exponent of each visit's evidence, for ageing; None: 1.
    """

    first: Int
    spot: Int
    season: Float
    linear: Float
    present: Float
    absent: Float
    slope: Float
    curve: Float
    power: Float | None = None


@dataclass(frozen=True)
class Effects:
    """Posterior of the spot effects of one species.

    Attributes
    ----------
    weight : (S, Q)
        Posterior weight of each node.
    log_evidence : (S,)
    presence : (V, Q)
        psi of each visit at each node.
    mixed : (V, Q)
        `(1 - psi) absent + psi present`.
    """

    weight: Float
    log_evidence: Float
    presence: Float
    mixed: Float

    def split(self, n: int) -> list[Effects]:
        """The effects of n equal lots of spots, for visits that were stacked."""
        return [
            Effects(*parts)
            for parts in zip(
                self.weight.reshape(n, -1, self.weight.shape[1]),
                self.log_evidence.reshape(n, -1),
                self.presence.reshape(n, -1, self.weight.shape[1]),
                self.mixed.reshape(n, -1, self.weight.shape[1]),
                strict=True,
            )
        ]


def sum_spots(values: Float, first: Int) -> Float:
    """Sums of visits by spot, shape (S, ...); spots without visits get 0."""
    out = np.zeros((len(first) - 1, *values.shape[1:]))
    used = np.flatnonzero(first[1:] > first[:-1])
    if len(used):
        out[used] = np.add.reduceat(values, first[used], axis=0)
    return out


def effects(data: SpotVisits, spread: float | Float, grid: Grid, extra: Float | None = None) -> Effects:
    """Posterior of each spot's effect: `p(g) ~ N(g) prod_v [(1 - psi_v(g)) absent_v + psi_v(g) present_v]`.

    Parameters
    ----------
    spread : float or (S,)
        sigma, the coefficient of the effect: one for all, or of each spot.
    extra : (S, Q), optional
        A further log-likelihood of each spot's effect.
    """
    psi = _presence(data, spread, grid)
    mixed = data.absent[:, None] + psi * (data.present - data.absent)[:, None]
    if data.power is None:
        log_joint = _log_products(mixed, data.first) + grid.log_weight
    else:
        log_joint = sum_spots(np.log(mixed) * data.power[:, None], data.first) + grid.log_weight
    if extra is not None:
        log_joint = log_joint + extra
    top = log_joint.max(axis=1, keepdims=True)
    weight = np.exp(log_joint - top)
    total = weight.sum(axis=1, keepdims=True)
    return Effects(weight / total, (top + np.log(total))[:, 0], psi, mixed)


def _presence(data: SpotVisits, spread: float | Float, grid: Grid) -> Float:
    """psi of each visit at each node, (V, Q): its odds are a product, so that nothing of this size needs an exp."""
    steps = np.exp(np.clip(np.multiply.outer(spread, grid.nodes), -300.0, 300.0))
    odds = np.exp(np.clip(data.linear, -300.0, 300.0))[:, None] * (
        steps if steps.ndim == 1 else steps[data.spot]
    )
    made: Float = odds / (1.0 + odds)
    return made


def _log_products(mixed: Float, first: Int) -> Float:
    """`sum_spots(log(mixed))`, with one logarithm for up to eight visits.

    Eight factors of 1e-35, far below any that evidence gives, still are a number.
    """
    sizes = np.diff(first)
    runs = -(-sizes // _MULTIPLIED)
    if not len(mixed):
        return sum_spots(mixed, first)
    ends = np.concatenate([[0], np.cumsum(runs)])
    starts = np.repeat(first[:-1] - _MULTIPLIED * ends[:-1], runs) + _MULTIPLIED * np.arange(ends[-1])
    return sum_spots(np.log(np.multiply.reduceat(mixed, starts, axis=0)), ends)


def cavity_presence(data: SpotVisits, found: Effects) -> Float:
    """Chance of presence at each visit by the spot's other visits alone, shape (V,)."""
    power = found.mixed if data.power is None else found.mixed ** data.power[:, None]
    without = found.weight[data.spot] / power
    made: Float = (without * found.presence).sum(axis=1) / without.sum(axis=1)
    return made


def cavity_and_score(data: SpotVisits, found: Effects, spread: float, grid: Grid) -> tuple[Float, Float]:
    """`cavity_presence` (V,) and `Slopes.score` (S, 6) of evidence that does not age, at a third of their cost.

    Both are means over the effect of the same products.
    """
    by = np.stack([np.ones_like(grid.nodes), grid.nodes], axis=1)
    weight = found.weight[data.spot]
    without = weight / found.mixed
    held = without * found.presence
    weight *= found.presence
    chance = held @ by
    present = data.present[:, None] * chance
    residual = present - weight @ by
    cavity: Float = chance[:, 0] / (without @ by[:, 0])
    score = np.empty((len(data.first) - 1, 6))
    score[:, :3] = sum_spots(residual[:, :1] * data.season, data.first)
    score[:, 3] = spread * sum_spots(residual[:, 1], data.first)
    score[:, 4:] = sum_spots(present[:, :1] * data.slope, data.first)
    return cavity, score


@dataclass(frozen=True)
class Slopes:
    """Per spot, in (three season features, log spread, two log rates).

    Attributes
    ----------
    score : (S, 6)
        Gradient of the log evidence.
    curve : (S, 6, 6)
        Hessian of the log evidence.
    """

    score: Float
    curve: Float


def effect_moves(data: SpotVisits, found: Effects, spread: float | Float, grid: Grid) -> Float:
    """How the mean effect moves with each parameter, (S, 6): `Slopes.effect_score` alone, visit by visit.

    The covariance of the effect and the score is a sum over visits, so no (S, Q, 6) array is needed.
    """
    g, psi = grid.nodes, found.presence
    w = psi * data.present[:, None] / found.mixed
    about = (found.weight * (g - (found.weight @ g)[:, None]))[data.spot]
    if data.power is not None:
        about *= data.power[:, None]
    residual = about * (w - psi)
    moves = np.empty((len(data.first) - 1, 6))
    moves[:, :3] = sum_spots(residual.sum(axis=1)[:, None] * data.season, data.first)
    moves[:, 3] = spread * sum_spots((residual * g).sum(axis=1), data.first)
    moves[:, 4:] = sum_spots((about * w).sum(axis=1)[:, None] * data.slope, data.first)
    return moves


def slopes(data: SpotVisits, found: Effects, spread: float, grid: Grid) -> Slopes:
    """Exact derivatives of each spot's log evidence, presence and effect summed out.

    The Hessian is the mean of the complete Hessian plus the covariance of the score over the effect;
    presence is summed out first. (From the complete-data curvature, the spread would collapse.)
    """
    n_spots = len(data.first) - 1
    g = grid.nodes
    psi, p = found.presence, found.weight
    w = psi * data.present[:, None] / found.mixed
    residual = w - psi
    if data.power is not None:
        power = data.power[:, None]
        residual, held = residual * power, w * power
    else:
        power, held = np.ones((1, 1)), w

    score = np.empty((n_spots, len(g), 6))
    for f in range(3):
        score[:, :, f] = sum_spots(residual * data.season[:, f : f + 1], data.first)
    score[:, :, 3] = spread * g * score[:, :, 0]
    rated = np.flatnonzero((data.slope != 0).any(axis=1))
    ends = np.searchsorted(rated, data.first)
    for m in (0, 1):
        score[:, :, 4 + m] = sum_spots(held[rated] * data.slope[rated, m : m + 1], ends)
    mean = np.einsum("sq,sqa->sa", p, score)
    curve = np.einsum("sqa,sqb->sab", p[:, :, None] * score, score) - mean[:, :, None] * mean[:, None, :]
    pv = p[data.spot] * power
    change = (w - psi) * (1.0 - w - psi) * pv  # w (1 - w) - psi (1 - psi)
    c0, c1, c2 = (change @ np.stack([np.ones_like(g), g, g * g], axis=1)).T
    x = data.season
    xx = x[:, :, None] * x[:, None, :]
    curve[:, :3, :3] += sum_spots(c0[:, None, None] * xx, data.first)
    cross = spread * sum_spots(c1[:, None] * x, data.first)
    curve[:, :3, 3] += cross
    curve[:, 3, :3] += cross
    curve[:, 3, 3] += spread**2 * sum_spots(c2, data.first) + mean[:, 3]
    if len(rated):
        wr = w[rated]
        held_each = wr * pv[rated]
        b = held_each * (1.0 - wr)
        b0, b1 = b.sum(axis=1), b @ g
        held_mean = held_each.sum(axis=1)
        s, s2, xr = data.slope[rated], data.curve[rated], x[rated]
        for m in (0, 1):
            part = sum_spots((b0 * s[:, m])[:, None] * xr, ends)
            curve[:, :3, 4 + m] += part
            curve[:, 4 + m, :3] += part
            part1 = spread * sum_spots(b1 * s[:, m], ends)
            curve[:, 3, 4 + m] += part1
            curve[:, 4 + m, 3] += part1
            for other in (0, 1):
                own = held_mean * s2[:, m] if m == other else 0.0
                curve[:, 4 + m, 4 + other] += sum_spots(b0 * s[:, m] * s[:, other] + own, ends)
    return Slopes(mean, curve)
