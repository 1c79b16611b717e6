"""What filters of small returns hide, told with how sure it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import calls, filtering
from .believing import beta_interval
from .calls import table_index
from .engine import settle
from .fitting import parameters_of
from .grouping import prepare
from .presence import effect_grid
from .results import ClubFit
from .types import CALL_METHODS, Evidence, Float

_NONE = 0.005
"""A lower end below this is told as 0: hiding nothing is not left out by it."""


@dataclass(frozen=True)
class Hidden:
    """Of the echoes of each target, the share that this method's filter hides.

    Attributes
    ----------
    method : str
    looks : int
        Filtered rows that count.
    truths : tuple of K+1 str
        Species, then "none": echoes of what is no modelled fish.
    hidden, sd : (K+1,), interval : (K+1, 2)
        With 5th and 95th percentile.
    """

    method: str
    looks: int
    truths: tuple[str, ...]
    hidden: Float
    sd: Float
    interval: Float


def hidden_by_filter(fitted: ClubFit, evidence: Evidence) -> tuple[Hidden, ...]:
    """What the filter of each method hides, for methods with filtered looks that count.

    Intervals come from the observed information of whole visits over the chances of echoes and of hiding jointly, plus
    that of the priors, matched to a Beta.

    Parameters
    ----------
    fitted : ClubFit
    evidence : Evidence
        The evidence of the fit.
    """
    model = fitted.calls
    if not model.hidden.size:
        return ()
    parameters = parameters_of(fitted)
    data = prepare(evidence, fitted.options, fitted.groups, table_index(model, fitted.observers))
    terms, _ = settle(data, parameters, effect_grid(fitted.options.grid_nodes))
    unseen = terms.call.unseen
    if unseen is None:
        return ()
    method = filtering.row_methods(data, model)
    made = []
    for m in np.unique(method[data.counted & data.filtered]):
        rows = np.flatnonzero(data.counted & (method == m))
        tau, sure = terms.visit.target[data.call_visit[rows]], unseen[rows]
        shown, behind = (data.outcome[rows] > 0)[:, None], data.filtered[rows][:, None]
        echo, hidden = 1.0 - model.method[m, :, 0], model.hidden[m]
        # Scores in the logits of both chances: an echo is expected, of it a part hidden.
        scores = np.concatenate(
            [tau * (shown + sure - echo), tau * behind * (sure - hidden * (shown + sure))], axis=1
        )
        visit = data.call_visit[rows]
        by_visit = np.add.reduceat(scores, np.flatnonzero(np.diff(visit, prepend=-1)), axis=0)
        weight = calls.centre_weight(model, fitted.taxa, fitted.options, int(m), None, True)[:, 0]
        could = (tau * behind * (shown + sure)).sum(axis=0)
        prior = filtering.centre_weight(could)
        information = by_visit.T @ by_visit
        information[np.diag_indices(len(information))] += np.concatenate(
            [weight * echo * (1.0 - echo), prior * hidden * (1.0 - hidden)]
        )
        variance = np.diagonal(np.linalg.inv(information))[len(echo) :]
        sd = hidden * (1.0 - hidden) * np.sqrt(variance)
        interval = beta_interval(hidden, sd)
        interval[:, 0] = np.where(interval[:, 0] < _NONE, 0.0, interval[:, 0])
        made.append(
            Hidden(
                method=CALL_METHODS[m],
                looks=int((data.counted[rows] & data.filtered[rows]).sum()),
                truths=(*fitted.taxa.species, "none"),
                hidden=hidden,
                sd=sd,
                interval=interval,
            )
        )
    return tuple(made)
