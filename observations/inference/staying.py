"""Do fish stay for days? Presence at visits close together, beyond what season and spot explain.

The model takes presence at each visit as independent given season and spot. Were it not, with correlation r of a pair,
the chance of the pair would be tilted by `1 + r e1 e2`, e the standardised presence. The score of r at 0 is what the
data expect of `e1 e2`; one step from 0 by the observed information estimates r, detection and misnaming included
(Rao's score test; Rao 1948, Proc. Cambridge Phil. Soc. 44, 50-57).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .calls import table_index
from .engine import settle
from .fitting import parameters_of
from .grouping import prepare
from .presence import effect_grid
from .results import ClubFit
from .types import Evidence, Float
from .visiting import Returns, log_factor

LAGS_DAYS = (0.0, 2.0, 7.0, 30.0, 90.0)
"""Each bin reaches to the next; the last to a year."""
_YEAR = 365.0
_SPOTS_AT_ONCE = 200


@dataclass(frozen=True)
class Staying:
    """Residual correlation of presence at consecutive visits, all species together, by the days between them.

    Attributes
    ----------
    pairs : int
        Pairs of visits.
    correlation, error : float
        One-step estimate and its standard error; NaN without pairs that tell anything.
    """

    from_days: float
    to_days: float
    pairs: int
    correlation: float
    error: float


def staying(fitted: ClubFit, evidence: Evidence) -> tuple[Staying, ...]:
    """Residual correlation by lag, of the evidence of the fit; one entry for each bin of `LAGS_DAYS`."""
    parameters, grid = parameters_of(fitted), effect_grid(fitted.options.grid_nodes)
    data = prepare(evidence, fitted.options, fitted.groups, table_index(fitted.calls, fitted.observers))
    returns = Returns.of(data, np.full(len(evidence.spots), evidence.now))
    ends = np.append(LAGS_DAYS, _YEAR)
    score, squares = np.zeros(len(LAGS_DAYS)), np.zeros(len(LAGS_DAYS))
    pairs = np.zeros(len(LAGS_DAYS), dtype=np.int64)
    for low in range(0, len(data.first) - 1, _SPOTS_AT_ONCE):
        high = min(low + _SPOTS_AT_ONCE, len(data.first) - 1)
        part = data.part(low, high)
        terms, found = settle(
            part, parameters, grid, None, log_factor(fitted.visiting, returns.part(low, high), grid)
        )
        second = np.flatnonzero(np.diff(part.spot, prepend=-1) == 0)
        lag = part.time[second] - part.time[second - 1]
        which = np.searchsorted(ends, lag, side="right") - 1
        inside = which < len(LAGS_DAYS)
        pairs += np.bincount(which[inside], minlength=len(LAGS_DAYS))
        for k, effect in enumerate(found):
            psi = effect.presence
            told = psi * (terms.present[:, k, None] / effect.mixed - 1.0) / np.sqrt(psi * (1.0 - psi))
            both: Float = (effect.weight[part.spot[second]] * told[second] * told[second - 1]).sum(axis=1)
            np.add.at(score, which[inside], both[inside])
            np.add.at(squares, which[inside], both[inside] ** 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.where(squares > 0, np.clip(score / squares, -1.0, 1.0), np.nan)
        error = np.where(squares > 0, 1.0 / np.sqrt(squares), np.nan)
    return tuple(
        Staying(float(ends[i]), float(ends[i + 1]), int(pairs[i]), float(correlation[i]), float(error[i]))
        for i in range(len(LAGS_DAYS))
    )
