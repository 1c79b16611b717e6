"""Sonar settings that filter small returns out: such a look shows less, and its bare screen says less.

A filter hides what would have shown: `P(echoes | target, filtered) = P(echoes | target) (1 - hidden)`, which moves
the log-odds of a bare screen up, most where the target returns little. `hidden` is learned by method and target in
the same EM as the tables, whether an echo was hidden being latent. The targets of a method are shrunk to their
method, a method to a prior that is highest at none. That a filter can only hide, that calls of what does show
are told as ever, and the numbers of the prior: common practice, no source.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from .grouping import Prepared
from .results import CallModel
from .types import CALL_METHODS, Bool, Float, Int

_PRIOR: Final = (1.0, 4.0)
"""Pseudo-counts of (hidden, shown) of a method: Beta(1, 4) is highest at 0, its mean .2."""
_KAPPA: Final = 5.0
"""How many echoes the method weighs against a target's own."""


def prior_mean() -> float:
    return _PRIOR[0] / sum(_PRIOR)


def start(filtered: Bool, targets: int) -> Float:
    """Where to begin, (5, K+1): at the prior mean; (5, 0) where no look of the club that counts is filtered."""
    return np.full((len(CALL_METHODS), targets if filtered.any() else 0), prior_mean())


def row_methods(data: Prepared, model: CallModel) -> Int:
    """Calling method of each call row, (n,)."""
    j = len(model.pair)
    if j == 0:
        return data.call_table
    pair = np.minimum(data.call_table, j - 1)
    return np.where(data.call_table < j, model.pair_method[pair], data.call_table - j)


def hides(data: Prepared, model: CallModel) -> Float | None:
    """Chance that the row's filter hides echoes, given each target, (n, K+1), 0 without a filter; None: no row has one.

    A club that learned nothing of filters has the prior's.
    """
    if not data.filtered.any():
        return None
    k1 = model.club.shape[0]
    hidden = model.hidden if model.hidden.size else start(np.ones(1, dtype=np.bool_), k1)
    made: Float = hidden[row_methods(data, model)] * data.filtered[:, None]
    return made


def filtered(own: Float, outcome: Int, hides: Float) -> tuple[Float, Float]:
    """The rows' likelihoods with the filter, and the chance that a bare screen hides echoes, both (n, K+1)."""
    blank = (outcome == 0)[:, None]
    bare = own + (1.0 - own) * hides
    unseen = np.where(blank, (1.0 - own) * hides / np.maximum(bare, 1e-300), 0.0)
    return np.where(blank, bare, own * (1.0 - hides)), unseen


def tally(data: Prepared, unseen: Float | None, target: Float, pairs: int) -> tuple[Float, Float]:
    """Expected numbers of hidden and of shown echoes of filtered rows that feed the tables, both (J, K+1)."""
    hidden, shown = np.zeros((2, pairs, target.shape[1]))
    if unseen is not None:
        rows = np.flatnonzero(data.counted & data.filtered & (data.call_table < pairs))
        tau, table = target[data.call_visit[rows]], data.call_table[rows]
        np.add.at(hidden, table, tau * unseen[rows])
        np.add.at(shown, table, tau * (data.outcome[rows] > 0)[:, None])
    return hidden, shown


def update(model: CallModel, hidden: Float, shown: Float) -> Float:
    """One EM step of P(hidden | target), by method (5, K+1), from the tally of the pairs (J, K+1)."""
    if not model.hidden.size:
        return model.hidden
    hid, could = np.zeros((2, *model.hidden.shape))
    np.add.at(hid, model.pair_method, hidden)
    np.add.at(could, model.pair_method, hidden + shown)
    weight = (_KAPPA + 1.0) / (could + _KAPPA)
    centre = ((hid * weight).sum(axis=1) + _PRIOR[0]) / ((could * weight).sum(axis=1) + sum(_PRIOR))
    made: Float = (hid + _KAPPA * centre[:, None]) / (could + _KAPPA)
    return made


def centre_weight(could: Float) -> Float:
    """How many echoes what each target is shrunk to stands for, (K+1,), from those of each target (K+1,)."""
    per_target = could * (_KAPPA + 1.0) / (could + _KAPPA)
    others = per_target.sum() - per_target + sum(_PRIOR)
    made: Float = 1.0 / (1.0 / _KAPPA + 1.0 / others)
    return made
