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
_MOST_LOOKS: Final = 20_000


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
        5th and 95th percentile of the rate; where nothing was caught the lower end is 0.
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
    clump, about = np.zeros(k), np.zeros(k)
    inflation = np.ones((len(names), k))
    for _ in range(2):
        about = np.array(
            [_size(of_spot[:, i] / inflation[:, i], by_spot[:, i] / inflation[:, i]) for i in range(k)]
        )
        factor = (about + of_spot / inflation) / (about + by_spot / inflation)
        here = expected * factor[spot] if len(names) else expected
        some = slice(0, _MOST_LOOKS)
        clump = np.array([_size(looks.caught[some, i], here[some, i]) for i in range(k)])
        square = _grouped(spot, len(names), here**2)
        inflation = 1.0 + square / np.maximum(by_spot * factor, 1e-12) / clump
    cell = np.array(
        [
            _cell_size(
                spot * MONTHS + looks.month,
                expected[:, i],
                looks.caught[:, i],
                of_spot[:, i],
                by_spot[:, i],
                inflation[:, i],
                about[i],
            )
            for i in range(k)
        ]
    )
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
    interval = np.stack([np.where(caught > 0, low, 0.0), np.maximum(high, rate)], axis=-1)
    return SpotCatches(
        np.rint(caught).astype(np.int64), hours, rate, interval, due / (weight + due), inflation
    )


def _grouped(index: Int, n: int, values: Float) -> Float:
    out = np.zeros((n, *values.shape[1:]))
    np.add.at(out, index, values)
    return out


def _cell_size(
    cell: Int, expected: Float, caught: Float, of_spot: Float, by_spot: Float, inflation: Float, about: float
) -> float:
    """How much a spot's months differ about what its other months show, what those leave open left out."""
    names, number = np.unique(cell, return_inverse=True)
    spot = names // MONTHS
    blow = inflation[spot]
    fish, due = (_grouped(number, len(names), values) / blow for values in (caught, expected))
    others = about + of_spot[spot] / blow - fish
    factor = others / (about + np.maximum(by_spot[spot] / blow - due, 0.0))
    return _size(fish, due * factor, 1.0 / others)


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
