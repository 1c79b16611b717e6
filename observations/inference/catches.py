"""Catch per rod-hour by spot, month and band of water temperature, sparse cells leaning on what is near.

Fish over hours, summed before dividing (ratio of means): the mean of each trip's own rate would give a short trip
the weight of a long one. Common practice where effort is counted together with catch; no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from scipy.special import gammaincinv, gammaln

from .bands import BANDS, band_of, temperatures
from .grouping import look_numbers
from .packing import pack, unpack
from .types import LANDED, ROD, Evidence, Float, Int

MONTHS: Final = 12
CELLS: Final = 1 + MONTHS + BANDS
"""Of a spot: everything, then the months, then the bands."""

_GUESS: Final = 0.3
"""Fish per rod-hour before anything is known, worth `_GUESS_WORTH` fish: common practice, no source."""
_GUESS_WORTH: Final = 0.5
_CELL_WORTH: Final = 3.0
"""How many fish the year's rate weighs in a month's or band's club rate."""
_SIZE_PRIOR: Final = (np.log(2.0), 1.0)
"""Median and sd of the log of every negative binomial size: a weak guess without a source."""
_GRID: Final = np.linspace(-3.0, 6.0, 46)
"""Log sizes that are tried."""
_MOST_LOOKS: Final = 5_000
_COARSE: Final = np.linspace(-2.0, 5.0, 15)
"""Log sizes of which two are tried together."""
_FACTORS: Final = np.geomspace(0.002, 12.0, 28)
"""By how much a month may differ from its spot."""


@dataclass(frozen=True)
class CatchFit:
    """The club's catch rates. Made by `fit_catches`; store with `to_dict`.

    Attributes
    ----------
    species : tuple of K str
    rate : (K, CELLS)
        Fish per rod-hour: over the year, by month, by band.
    fish : (K, CELLS)
        How many fish, clumping taken out, each of these rests on; their uncertainty is one over its root.
    clump, spot, cell : (K,)
        Sizes of the negative binomials of catches from look to look at one spot, of a spot about the club, and of a
        month or band about its spot: the smaller, the more they differ.
    looks : int
        Rod looks with stated hours.
    """

    species: tuple[str, ...]
    rate: Float
    fish: Float
    clump: Float
    spot: Float
    cell: Float
    looks: int

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe form; numbers are kept bit for bit."""
        return {name: pack(value) for name, value in vars(self).items()}

    @classmethod
    def from_dict(cls, packed: Mapping[str, Any]) -> CatchFit:
        """Inverse of `to_dict`. KeyError for a missing part."""
        return cls(**{f.name: unpack(packed[f.name]) for f in fields(cls)})


@dataclass(frozen=True)
class SpotCatches:
    """Catches at one spot: everything, then by month, then by band; K species.

    Attributes
    ----------
    caught : int (CELLS, K)
        Fish landed with the rod in looks with stated hours.
    rod_hours : (CELLS,)
        Hours whose temperature is not known are in no band.
    rate : (CELLS, K)
        Fish per rod-hour: what was caught here, leaning on the spot's other cells and the club's season.
    interval : (CELLS, K, 2)
        5th and 95th percentile of the rate; where nothing was caught a page tells the upper end alone.
    own : (CELLS, K)
        Share of the rate that rests on the cell's own hours, 0 to 1.
    inflation : (K,)
        By which the variance of the spot's catches is larger than that of a Poisson number.
    """

    caught: Int
    rod_hours: Float
    rate: Float
    interval: Float
    own: Float
    inflation: Float


@dataclass(frozen=True)
class _Looks:
    """Rod looks with hours: (L,) and (L, K)."""

    spot: Int
    month: Int
    band: Int
    hours: Float
    caught: Float

    @classmethod
    def of(cls, evidence: Evidence) -> _Looks:
        e = evidence
        rows = np.flatnonzero((e.method == ROD) & ~np.isnan(e.rod_hours) & (e.rod_hours > 0))
        temp = temperatures(e)[rows]
        e = e.take(rows)
        if not len(e):
            none = np.zeros(0, dtype=np.int64)
            return cls(none, none, none, np.zeros(0), np.zeros((0, e.grade.shape[1])))
        first, number = look_numbers(e)
        hours = np.zeros(len(first))
        np.maximum.at(hours, number, e.rod_hours)  # hours repeated on several rows of a look count once
        caught = np.zeros((len(first), e.grade.shape[1]))
        np.add.at(caught, number, np.where(e.grade >= LANDED, e.count, 0))
        return cls(e.spot[first], e.month[first] - 1, band_of(temp)[first], hours, caught)

    def sums(self, values: Float) -> Float:
        """Sums of looks by cell, (CELLS, ...)."""
        out = np.zeros((CELLS, *values.shape[1:]))
        out[0] = values.sum(axis=0)
        np.add.at(out, 1 + self.month, values)
        known = self.band >= 0
        np.add.at(out, 1 + MONTHS + self.band[known], values[known])
        return out


def fit_catches(evidence: Evidence) -> CatchFit:
    """Learn the club's rates by season, and how much looks, spots and seasons differ about them.

    Catches of a look are negative binomial (a Gamma spread of the rate from look to look), so are a spot's about the
    club's rate and a cell's about its spot. Sizes are posterior means under one weak prior; clumping is taken out by
    dividing catch and effort by the variance inflation it makes.

    Parameters
    ----------
    evidence : Evidence
        Of club scope. Looks without stated rod-hours are left out; without any, the rates are the prior's guess.
    """
    k = len(evidence.taxa.species)
    looks = _Looks.of(evidence)
    hours, caught = looks.sums(looks.hours), looks.sums(looks.caught)
    year = (caught[0] + _GUESS_WORTH) / (hours[0] + _GUESS_WORTH / _GUESS)
    rate = (caught + _CELL_WORTH * np.ones(k)) / (hours[:, None] + _CELL_WORTH / year)
    rate[0] = year
    expected = looks.hours[:, None] * rate[1 + looks.month]
    names, spot = np.unique(looks.spot, return_inverse=True)
    by_spot, of_spot = _grouped(spot, len(names), expected), _grouped(spot, len(names), looks.caught)
    clump, about, cell = np.ones(k), np.zeros(k), np.ones(k)
    inflation = np.ones((len(names), k))
    # Whole spots, as many as have so many looks: enough to tell two numbers.
    some = spot < int(np.searchsorted(np.cumsum(np.bincount(spot)), _MOST_LOOKS)) + 1
    for _ in range(2):
        about = np.array(
            [_size(of_spot[:, i] / inflation[:, i], by_spot[:, i] / inflation[:, i]) for i in range(k)]
        )
        factor = (about + of_spot / inflation) / (about + by_spot / inflation)
        here = expected * factor[spot] if len(names) else expected
        sizes = [
            _sizes(
                looks.caught[some, i],
                expected[some, i],
                (spot * MONTHS + looks.month)[some],
                of_spot[:, i] / inflation[:, i],
                by_spot[:, i] / inflation[:, i],
                inflation[:, i],
                about[i],
            )
            for i in range(k)
        ]
        clump, cell = np.array(sizes).reshape(k, 2).T
        square = _grouped(spot, len(names), here**2)
        inflation = 1.0 + square / np.maximum(by_spot * factor, 1e-12) / clump
    club = float(len(looks.hours))
    mean = inflation.mean(axis=0) if club else np.ones(k)
    fish = (caught / mean + np.append(_GUESS_WORTH, np.full(CELLS - 1, _CELL_WORTH))[:, None]).T
    return CatchFit(evidence.taxa.species, rate.T, fish, clump, about, cell, len(looks.hours))


def spot_catches(fitted: CatchFit, evidence: Evidence) -> SpotCatches:
    """Catch rates at one spot, and how much of each is its own.

    A cell's rate is the club's of that month or band times a factor, Gamma distributed. Its prior mean is the factor
    that the spot's other cells show (1, the club's, where there are none); its prior variance adds what they leave
    open, what the club does not know of the season, and how much cells differ from their spot. The cell's own hours
    then move it (Gamma-Poisson, clumped fish counting as fewer).

    Parameters
    ----------
    evidence : Evidence
        Of one spot, in any scope, with the fit's species. Without rod-hours every cell is the club's.

    Raises
    ------
    ValueError
        If the species are not the fit's.
    """
    if evidence.taxa.species != fitted.species:
        raise ValueError("the evidence's species are not those of the club's catch rates: refit first")
    looks = _Looks.of(evidence)
    base = fitted.rate.T
    hours, caught = looks.sums(looks.hours), looks.sums(looks.caught)
    by_month = looks.hours[:, None] * base[1 + looks.month]
    total, expected = caught[0], by_month.sum(axis=0)
    factor = (fitted.spot + total) / (fitted.spot + expected)
    extra = (by_month**2).sum(axis=0) / np.maximum(expected, 1e-12) / fitted.clump
    # The mean variance over its mean, of a factor that is itself known only so well.
    loose = 1.0 + 1.0 / (fitted.spot + total / (1.0 + factor * extra))
    inflation = 1.0 + factor * loose * extra
    fish, due = caught / inflation, hours[:, None] * base / inflation
    due[0] = expected / inflation
    # A cell's fish tell of the spot only as far as cells do not differ by themselves.
    own = 1.0 + due[1:] * factor / fitted.cell
    mine, mine_due = fish[1:] / own, due[1:] / own
    others = np.maximum(mine[:MONTHS].sum(axis=0) - mine, 0.0)
    others_due = np.maximum(mine_due[:MONTHS].sum(axis=0) - mine_due, 0.0)
    prior_mean = (fitted.spot + others) / (fitted.spot + others_due)
    # Three independent factors: what the spot's other cells leave open, the cell's own, the club's season.
    spread = (
        (1.0 + 1.0 / (fitted.spot + others)) * (1.0 + 1.0 / fitted.cell) * (1.0 + 1.0 / fitted.fish.T[1:])
    )
    prior_mean = np.concatenate([np.ones((1, len(factor))), prior_mean])
    shape = np.concatenate([(1.0 / (1.0 / fitted.spot + 1.0 / fitted.fish.T[0]))[None], 1.0 / (spread - 1.0)])
    weight = shape / prior_mean
    base = np.concatenate([(expected / hours[0])[None] if hours[0] > 0 else base[:1], base[1:]])
    rate = base * (shape + fish) / (weight + due)
    low, high = (base * gammaincinv(shape + fish, q) / (weight + due) for q in (0.05, 0.95))
    interval = np.stack([low, np.maximum(high, rate)], axis=-1)
    return SpotCatches(
        np.rint(caught).astype(np.int64), hours, rate, interval, due / (weight + due), inflation
    )


def _grouped(index: Int, n: int, values: Float) -> Float:
    out = np.zeros((n, *values.shape[1:]))
    np.add.at(out, index, values)
    return out


def _sizes(
    caught: Float, expected: Float, cell: Int, of_spot: Float, by_spot: Float, inflation: Float, about: float
) -> tuple[float, float]:
    """Sizes of clumping from look to look, and of a spot's months about what its other months show.

    Each is one over the posterior mean of the variance it adds, over a grid of both: where most months of a spot have
    one look, the two can hardly be told apart, and one after the other would each take what is the other's. A month's
    factor is summed out over `_FACTORS`; what the other months leave open of the spot adds to its spread.

    Parameters
    ----------
    caught, expected, cell : (L,)
        Fish of each look, and as expected by the club's month; spot times twelve plus month.
    of_spot, by_spot, inflation : (S,)
        Fish and expected fish of each spot with clumping taken out, and by what.
    """
    used = expected > 0
    y, mean = caught[used], expected[used]
    names, number = np.unique(cell[used], return_inverse=True)
    spot = names // MONTHS
    others = np.maximum(about + of_spot[spot] - _grouped(number, len(names), y) / inflation[spot], about)
    due = np.maximum(by_spot[spot] - _grouped(number, len(names), mean) / inflation[spot], 0.0)
    at = (mean * (others / (about + due))[number])[:, None] * _FACTORS
    middle, sd = _SIZE_PRIOR
    prior = -0.5 * ((_COARSE - middle) / sd) ** 2
    # A Gamma of each spread of months, by cell, at the factors: (cells, factors, grid).
    shape = 1.0 / (np.exp(-_COARSE) + 1.0 / others[:, None])
    density = shape[:, None] * (np.log(_FACTORS)[:, None] - _FACTORS[:, None])
    weight = np.exp(density - density.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    log_posterior = np.empty((len(_COARSE), len(_COARSE)))
    caught_at = y[:, None] * np.log(at)
    for i, r in enumerate(np.exp(_COARSE)):
        of_look = gammaln(y + r) - gammaln(r) + r * np.log(r)
        log_mass = of_look[:, None] + caught_at - (y[:, None] + r) * np.log(r + at)
        by_cell = _grouped(number, len(names), log_mass)
        top = by_cell.max(axis=1, keepdims=True) if len(names) else by_cell[:, :1]
        summed = np.einsum("cf,cfg->cg", np.exp(by_cell - top), weight)
        log_posterior[i] = (np.log(np.maximum(summed, 1e-300)) + top).sum(axis=0) + prior[i] + prior
    posterior = np.exp(log_posterior - log_posterior.max())
    posterior /= posterior.sum()
    spread = np.exp(-_COARSE)
    return 1.0 / float(posterior.sum(axis=1) @ spread), 1.0 / float(posterior.sum(axis=0) @ spread)


def _size(counts: Float, expected: Float, known: Float | float = 0.0) -> float:
    """Size of the negative binomial of counts about what is expected: one over the mean of what it adds in cv squared.

    `known` is a squared coefficient of variation of what is expected that has another cause. The mean is over the
    posterior of the log size on a grid: the mode would take what is not known of it for certain.
    """
    middle, sd = _SIZE_PRIOR
    used = expected > 0
    y, mean, other = counts[used], expected[used], np.broadcast_to(known, counts.shape)[used]
    log_posterior = np.empty(len(_GRID))
    for i, log_size in enumerate(_GRID):
        r = 1.0 / (np.exp(-log_size) + other)
        log_mass = (
            gammaln(y + r) - gammaln(r) - r * np.log1p(mean / r) + y * (np.log(mean) - np.log(r + mean))
        )
        log_posterior[i] = float(log_mass.sum()) - 0.5 * ((log_size - middle) / sd) ** 2
    weight = np.exp(log_posterior - log_posterior.max())
    return float(weight.sum() / (weight @ np.exp(-_GRID)))
