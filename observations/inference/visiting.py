"""How often members come back to a spot, which tells of the spot as well: they return to what is good.

Returns after a spot's first visit are negative binomial, `n ~ NegBin(T exp(a + c g), size)`, T the years since that
visit and g the spot's effect of one species. So a spot's posterior is multiplied by the chance of its own count, which
needs the spot's own visits only, those of the scope that is computed. A spot never visited is told nothing by it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import gammaln

from .grouping import Prepared
from .presence import Grid
from .season import YEAR_DAYS
from .types import Float, Int

_PULL_SD = 0.5
"""Prior sd of the pull c: a good spot (one sd) is seldom visited more than twice as often."""
_START = (1.0, 0.0, 1.0)


@dataclass(frozen=True)
class Returns:
    """Visits after each spot's first, and the years in which they fell, both (S,); 0 and 0 without a visit."""

    number: Float
    years: Float

    @classmethod
    def of(cls, data: Prepared, now: Float) -> Returns:
        """Up to each spot's moment `now` (S,), in days."""
        visits = np.diff(data.first)
        first = now.copy()
        first[visits > 0] = data.time[data.first[:-1][visits > 0]]
        return cls.since(visits, first, now)

    @classmethod
    def since(cls, visits: Int, first: Float, now: Float) -> Returns:
        """From the number and the first time of the visits to each spot, (S,)."""
        return cls(np.maximum(visits - 1.0, 0.0), np.maximum(now - first, 0.0) / YEAR_DAYS)

    def part(self, low: int, high: int) -> Returns:
        return Returns(self.number[low:high], self.years[low:high])


def log_factor(visiting: Float, returns: Returns, grid: Grid) -> Float | None:
    """Log chance of each spot's returns at each node, up to a constant, (K, S, Q); None where nothing is known.

    Parameters
    ----------
    visiting : (K, 3) or (0, 3)
        a (log returns a year), c and log size of each species; c = 0: returns tell nothing of it.
    """
    if not len(visiting) or not np.any(visiting[:, 1]):
        return None
    base, pull, size = visiting[:, 0], visiting[:, 1], np.exp(visiting[:, 2])
    pulled = pull[:, None] * grid.nodes
    mean = returns.years[:, None] * np.exp(base[:, None] + pulled)[:, None, :]
    n = returns.number[:, None]
    made: Float = n * pulled[:, None, :] - (n + size[:, None, None]) * np.log(mean + size[:, None, None])
    return made


def learn(weight: Float, returns: Returns, grid: Grid, before: Float) -> Float:
    """Maximum of the likelihood of the returns, the effects summed out, (K, 3).

    A pull is kept only where it earns more than Schwarz's penalty, half of the log of the number of spots
    (Schwarz 1978, Ann. Stat. 6, 461-464): in a small club a pull that is not there would be noise in every spot.

    Parameters
    ----------
    weight : (K, S, Q)
        Posterior of the effects by all else.
    before : (K, 3) or (0, 3)
        Where to start.
    """
    used = returns.years > 0
    n, years = returns.number[used], returns.years[used]
    made = np.zeros((len(weight), 3))
    if used.sum() < 3 or not n.any():
        return made
    none = minimize(_none, _START[::2], args=(n, years), jac=False, method="BFGS")
    for k, mine in enumerate(weight):
        start = before[k] if len(before) and before[k, 1] else (none.x[0], 0.1, none.x[1])
        args = (mine[used], n, years, grid.nodes)
        found = minimize(_loss, start, args=args, jac=True, method="L-BFGS-B", bounds=_BOUNDS)
        penalty = 0.5 * np.log(used.sum())
        made[k] = found.x if none.fun - found.fun > penalty else (none.x[0], 0.0, none.x[1])
    return made


_BOUNDS = ((-6.0, 8.0), (-2.0, 2.0), (-3.0, 6.0))


def _none(x: Float, n: Float, years: Float) -> float:
    a, log_size = np.clip(x, -6.0, 8.0)
    return -float(np.sum(_log_chance(n, years * np.exp(a), np.exp(log_size))))


def _log_chance(n: Float, mean: Float, size: float) -> Float:
    made: Float = (
        gammaln(n + size)
        - gammaln(size)
        - gammaln(n + 1.0)
        + size * np.log(size)
        + n * np.log(np.maximum(mean, 1e-300))
        - (n + size) * np.log(mean + size)
    )
    return made


def _loss(x: Float, weight: Float, n: Float, years: Float, nodes: Float) -> tuple[float, Float]:
    """Minus the log-likelihood and the log prior of the pull, with its gradient."""
    a, pull, log_size = x
    size = float(np.exp(log_size))
    mean = years[:, None] * np.exp(a + pull * nodes)
    number = n[:, None]
    log_chance = _log_chance(number, mean, size)
    top = log_chance.max(axis=1, keepdims=True)
    joint = weight * np.exp(log_chance - top)
    total = joint.sum(axis=1, keepdims=True)
    p = joint / total
    by_mean = number - (number + size) * mean / (mean + size)
    gap = 1e-5
    by_size = (
        _log_chance(number, mean, size * np.exp(gap)) - _log_chance(number, mean, size * np.exp(-gap))
    ) / (2.0 * gap)
    slope = np.array([(p * by_mean).sum(), (p * by_mean * nodes).sum(), (p * by_size).sum()])
    slope[1] -= pull / _PULL_SD**2
    value = float(np.sum(top[:, 0] + np.log(total[:, 0]))) - 0.5 * (pull / _PULL_SD) ** 2
    return -value, -slope
