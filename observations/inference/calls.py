"""Calls: how likely each outcome is given the target, and learning it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import gammaln

from . import filtering
from .grouping import Prepared, outcome_columns, sum_sorted
from .leaving_out import OwnShares, Weights
from .results import CallModel
from .types import CALL_METHODS, METHODS, Evidence, Float, Int, Options, Taxa

_METHOD_OF: Final = np.array([CALL_METHODS.index(m) if m in CALL_METHODS else -1 for m in METHODS])
_ECHO_PRIOR_FISH: Final = (0.6, 1.4)
_ECHO_PRIOR_NONE: Final = (1.2, 0.8)
"""Pseudo-counts of (no echoes, echoes) in front of a fish, and of none."""
_COPY_PRIOR: Final = (1.0, 4.0)
_TIED_PRIOR: Final = (1.0, 1.0)


def prior_counts(taxa: Taxa, options: Options) -> tuple[Float, Float]:
    """Pseudo-counts of the club's tables.

    Returns
    -------
    echoes : (K+1, 2)
        No echoes, echoes.
    calls : (K+1, C-1)
        `cell_prior` each (less where there are more than ten outcomes, so that a long species list does
        not drown the data), and `correct_prior` on the correct cell; a wider kind earns the less of it,
        the more of the species it covers. For "none", nodes that cover no fish are correct.
    """
    covers = taxa.covers
    n, k = covers.shape
    breadth = covers.sum(axis=1)
    calls = np.full((k + 1, n + 1), options.cell_prior * min(1.0, 10.0 / (n + 1)))
    leaf = taxa.leaf
    credit = np.where(leaf, 1.0, 1.0 - breadth / k)
    calls[:k, :n] += options.correct_prior * (covers * credit[:, None]).T
    calls[k, :n] += options.correct_prior * (breadth == 0)
    echoes = np.tile(_ECHO_PRIOR_FISH, (k + 1, 1))
    echoes[k] = _ECHO_PRIOR_NONE
    echoes[:, 0] *= options.no_echo_prior / 0.3
    return echoes, calls


def start(taxa: Taxa, options: Options, evidence: Evidence) -> CallModel:
    """Tables at the prior mean, with a table for every pair of method and observer in the evidence."""
    echoes, calls = prior_counts(taxa, options)
    club = _table(echoes, calls)
    m = _METHOD_OF[evidence.method]
    pairs = np.unique(np.stack([m[m >= 0], evidence.observer[m >= 0]]), axis=1)
    j = pairs.shape[1]
    k1, c = club.shape
    proofs = np.zeros((j, k1, c))
    sealed = evidence.sealed & (evidence.tie >= 0) & (m >= 0)
    index = {(int(a), int(b)): i for i, (a, b) in enumerate(pairs.T)}
    columns = outcome_columns(evidence.outcome, len(taxa.codes))
    for row in np.flatnonzero(sealed):
        pair = index[int(m[row]), int(evidence.observer[row])]
        proofs[pair, evidence.tie[row], columns[row]] += 1.0
    return CallModel(
        club=club,
        method=np.repeat(club[None], len(CALL_METHODS), axis=0),
        pair=np.repeat(club[None], j, axis=0),
        pair_method=pairs[0].astype(np.int64),
        pair_observer=pairs[1].astype(np.int64),
        counts=np.zeros((j, k1, c)),
        proofs=proofs,
        kappa=np.full(2, options.kappa_prior[0]),
        copy=0.1,
        copy_other=0.1,
        tied=0.5,
        hidden=filtering.start(evidence.filtered & (m >= 0) & evidence.sealed, k1),
    )


def table_index(model: CallModel, observers: tuple[str, ...]) -> dict[tuple[int, str], int]:
    """Where to find the table of (calling method, observer id); (method, "") is the method's own."""
    j = len(model.pair)
    index = {
        (int(m), observers[int(o)]): i
        for i, (m, o) in enumerate(zip(model.pair_method, model.pair_observer, strict=True))
    }
    index.update({(m, ""): j + m for m in range(len(CALL_METHODS))})
    return index


@dataclass(frozen=True)
class CallTerms:
    """Likelihood of the calls of each visit.

    Attributes
    ----------
    calls : (V, K+1)
        Given each target, the tie included, scaled so that the largest is 1.
    log_scale : (V,)
    fresh, other : (n, K+1)
        Of each call row: probability that it is no copy, and that it is one of another's call, given each target.
    unseen : (n, K+1), optional
        That a bare screen hides echoes, given each target; None where nothing is filtered.
    """

    calls: Float
    log_scale: Float
    fresh: Float
    other: Float
    unseen: Float | None = None


def call_terms(
    data: Prepared, model: CallModel, tie_known: bool = True, own_shares: OwnShares | None = None
) -> CallTerms:
    """Likelihood of the calls of each visit, given each target.

    Given echoes, a later call of one observer repeats the earlier outcome with probability `copy`, else the latest one
    of another with probability `copy_other`. A tie
    is an outcome: P(tie | target found, echoes called) = `tied`; a found species left untied is the less
    likely target. With `tie_known` False ties are left out: a prediction of a proof must not see its own
    tie. With `own_shares` each row is judged without its own share in the tables.
    """
    n_visits = len(data.spot)
    tables = np.concatenate([model.pair, model.method])
    if own_shares is None:
        own = tables[data.call_table, :, data.outcome]
    else:
        own, echoes = own_shares.judged(data, model)
    hides, unseen = filtering.hides(data, model), None
    if hides is not None:
        own, unseen = filtering.filtered(own, data.outcome, hides)
    repeats = (data.previous >= 0) | (data.others >= 0)
    fresh, other = np.ones_like(own), np.zeros_like(own)
    if repeats.any():
        rows = np.flatnonzero(repeats & (data.outcome > 0))
        echo = 1.0 - tables[data.call_table[rows], :, 0] if own_shares is None else echoes[rows]
        if hides is not None:
            echo = echo * (1.0 - hides[rows])
        copy = np.where(data.previous[rows] >= 0, model.copy, 0.0)
        copy_other = (1.0 - copy) * np.where(data.others[rows] >= 0, model.copy_other, 0.0)
        same = copy * (data.outcome[rows] == data.previous[rows])
        same_other = copy_other * (data.outcome[rows] == data.others[rows])
        first_hand = (1.0 - copy - copy_other)[:, None] * own[rows]
        both = (same + same_other)[:, None] * echo + first_hand
        fresh[rows] = first_hand / both
        other[rows] = same_other[:, None] * echo / both
        own[rows] = both
    log_calls = sum_sorted(np.log(own), data.call_visit, n_visits)
    if tie_known:
        log_calls += _log_tie(data, model.tied, log_calls.shape[1])
    scale = log_calls.max(axis=1) if n_visits else np.zeros(0)
    return CallTerms(np.exp(log_calls - scale[:, None]), scale, fresh, other, unseen)


def _log_tie(data: Prepared, tied: float, k1: int) -> Float:
    log_tie = np.zeros((len(data.spot), k1))
    known = data.tied >= 0
    log_tie[known] = -np.inf
    log_tie[np.flatnonzero(known), data.tied[known]] = np.log(tied)
    untied = (data.called & ~known)[:, None] & data.found_any
    log_tie[:, :-1] += np.where(untied, np.log1p(-tied), 0.0)
    return log_tie


@dataclass(frozen=True)
class CallTally:
    """Expected counts from some visits; tallies of parts of a club add up.

    Attributes
    ----------
    counts : (J, K+1, C)
        Outcomes that are no copies.
    copies : (J, K+1)
        Copied outcomes, which still say that there were echoes.
    hidden, shown : (J, K+1)
        Of filtered looks: echoes that did not show, and such that did.
    repeats : float
        Calls that could have been copies of one's own.
    others, chances : float
        Copies of another's call, and calls that could have been such.
    ties, untied : float
        Targets that were tied, and that were found and called but not tied.
    """

    counts: Float
    copies: Float
    hidden: Float
    shown: Float
    repeats: float
    others: float
    chances: float
    ties: float
    untied: float

    def __add__(self, other: CallTally) -> CallTally:
        return CallTally(
            self.counts + other.counts,
            self.copies + other.copies,
            self.hidden + other.hidden,
            self.shown + other.shown,
            self.repeats + other.repeats,
            self.others + other.others,
            self.chances + other.chances,
            self.ties + other.ties,
            self.untied + other.untied,
        )


def tally(model: CallModel, data: Prepared, terms: CallTerms, target: Float) -> CallTally:
    """Expected counts given the posterior of the targets (V, K+1). Unsealed calls do not count."""
    j, k1, c = model.counts.shape
    rows = np.flatnonzero(data.counted & (data.call_table < j))
    tau = target[data.call_visit[rows]]
    genuine = tau * terms.fresh[rows]
    table = data.call_table[rows]
    cell = table * c + data.outcome[rows]
    counts = np.empty((j, k1, c))
    copies = np.empty((j, k1))
    for t in range(k1):
        counts[:, t, :] = np.bincount(cell, genuine[:, t], minlength=j * c).reshape(j, c)
        copies[:, t] = np.bincount(table, tau[:, t] - genuine[:, t], minlength=j)
    hidden, shown = filtering.tally(data, terms.unseen, target, j)
    counts[:, :, 0] -= hidden
    aside = np.flatnonzero(data.aside_table < j)
    np.add.at(counts, (data.aside_table[aside], data.aside_truth[aside], data.aside_outcome[aside]), 1.0)
    untied = data.called & (data.tied < 0)
    echoed = rows[data.outcome[rows] > 0]
    by_other = float(np.sum(target[data.call_visit[echoed]] * terms.other[echoed]))
    could = echoed[data.others[echoed] >= 0]
    not_own = 1.0 - terms.fresh[could] - terms.other[could]
    return CallTally(
        counts,
        copies,
        hidden,
        shown,
        float(np.sum(data.previous[echoed] >= 0)),
        by_other,
        float(len(could) - np.sum(target[data.call_visit[could]] * not_own)),
        float(np.sum(data.tied >= 0)),
        float(np.sum((target[:, :-1] * data.found_any)[untied])),
    )


def shares(
    model: CallModel,
    seen: CallTally,
    taxa: Taxa,
    options: Options,
    target: Float,
    genuine: Float,
    bare: Float | None = None,
) -> OwnShares:
    """Shares of the rows, arrays (n, K+1) that a pass replaces, in tables that rest on these counts."""
    prior = [counts.sum(axis=1) for counts in prior_counts(taxa, options)]
    n_calls = seen.counts[:, :, 1:].sum(axis=2)
    n = (seen.counts[:, :, 0] + n_calls + seen.copies + seen.hidden, n_calls)
    echoes, calls = (
        Weights.of(n[i], prior[i], model.pair_method, model.kappa, len(CALL_METHODS)) for i in (0, 1)
    )
    return OwnShares(target, genuine, echoes, calls, bare)


def update(model: CallModel, seen: CallTally, taxa: Taxa, options: Options) -> CallModel:
    """One EM step of the tables, the copy and the tie probabilities.

    Observers are shrunk to their method, methods to the club. A pool counts each member at the effective
    number of calls `n (kappa + 1) / (n + kappa)`, so that one busy observer does not become the method.
    """
    calls = seen.counts[:, :, 1:]
    echoes = np.stack([seen.counts[:, :, 0], calls.sum(axis=2) + seen.copies + seen.hidden], axis=2)
    prior_echoes, prior_calls = prior_counts(taxa, options)
    by_echo = _shrink(echoes, prior_echoes, model.pair_method, model.kappa)
    by_call = _shrink(calls, prior_calls, model.pair_method, model.kappa)
    club, method, pair = (_join(a, b) for a, b in zip(by_echo, by_call, strict=True))
    copied = float(seen.copies.sum()) - seen.others
    return replace(
        model,
        club=club,
        method=method,
        pair=pair,
        counts=seen.counts,
        copy=(copied + _COPY_PRIOR[0]) / (seen.repeats + sum(_COPY_PRIOR)),
        copy_other=(seen.others + _COPY_PRIOR[0]) / (seen.chances + sum(_COPY_PRIOR)),
        tied=(seen.ties + _TIED_PRIOR[0]) / (seen.ties + seen.untied + sum(_TIED_PRIOR)),
        hidden=filtering.update(model, seen.hidden, seen.shown),
    )


def learn_shrinkage(model: CallModel, options: Options) -> Float:
    """Shrinkage weights (observer to method, method to club) from proved calls.

    From the posterior over a grid, of the Dirichlet-multinomial likelihood of the tied calls, given echoes, under
    a log-normal prior: the weight whose inverse is the posterior mean of the inverse, because variances go with
    the inverse, and intervals are to know that the weight is uncertain. Expected counts would not do: they have
    lost the very scatter that the weights describe.
    """
    calls = model.proofs[:, :, 1:]
    grid = np.geomspace(2.0, 200.0, 24)
    median, sd = options.kappa_prior
    log_prior = -0.5 * ((np.log(grid) - np.log(median)) / sd) ** 2
    by_method = np.zeros((len(CALL_METHODS), *calls.shape[1:]))
    np.add.at(by_method, model.pair_method, calls)
    centre = model.method[model.pair_method, :, 1:]
    observer = [log_prior[i] + dirichlet_multinomial(calls, centre, g) for i, g in enumerate(grid)]
    club = np.broadcast_to(model.club[None, :, 1:], by_method.shape)
    method = [log_prior[i] + dirichlet_multinomial(by_method, club, g) for i, g in enumerate(grid)]
    made = []
    for log_posterior in (np.array(observer), np.array(method)):
        weight = np.exp(log_posterior - log_posterior.max())
        made.append(weight.sum() / (weight @ (1.0 / grid)))
    return np.array(made)


def centre_weight(
    model: CallModel, taxa: Taxa, options: Options, method: int, pair: int | None, whole: bool
) -> Float:
    """How many echoes and calls the table stands for that this one is shrunk to, (K+1, 2).

    A method is shrunk to the club with `kappa[1]`, an observer to the method with `kappa[0]`; but the centre is known
    only as well as the other tables tell it. With `c` calls' worth of them, the spread around the centre and the
    centre's own error add up to `1 / (1/kappa + 1/c)`.
    """
    by_kind = np.stack([model.counts.sum(axis=2), model.counts[:, :, 1:].sum(axis=2)], axis=2)
    per_pair = by_kind * (model.kappa[0] + 1.0) / (by_kind + model.kappa[0])
    per_method = np.zeros((len(CALL_METHODS), *per_pair.shape[1:]))
    np.add.at(per_method, model.pair_method, per_pair)
    to_club = per_method * (model.kappa[1] + 1.0) / (per_method + model.kappa[1])
    others = to_club.sum(axis=0) - to_club[method]
    prior = np.stack([counts.sum(axis=1) for counts in prior_counts(taxa, options)], axis=1)
    of_method: Float = 1.0 / (1.0 / model.kappa[1] + 1.0 / (others + prior))
    if whole:
        return of_method
    fellows = per_method[method] - (0.0 if pair is None else per_pair[pair])
    made: Float = 1.0 / (1.0 / model.kappa[0] + 1.0 / (fellows + of_method))
    return made


def dirichlet_multinomial(counts: Float, centre: Float, kappa: float) -> float:
    """Log-likelihood of rows of counts (..., c) drawn around `centre` with concentration `kappa`, up to a constant."""
    mean = centre / centre.sum(axis=-1, keepdims=True)
    n = counts.sum(axis=-1)
    cells = gammaln(counts + kappa * mean) - gammaln(kappa * mean)
    return float(np.sum(gammaln(kappa) - gammaln(kappa + n)) + np.sum(cells))


def _shrink(counts: Float, prior: Float, pair_method: Int, kappa: Float) -> tuple[Float, Float, Float]:
    """Means of the club (K+1, c), the methods (5, ...) and the pairs (J, ...), each shrunk to the one
    above."""
    methods = len(CALL_METHODS)
    n = counts.sum(axis=2, keepdims=True)
    pooled = np.zeros((methods, *counts.shape[1:]))
    np.add.at(pooled, pair_method, counts * (kappa[0] + 1.0) / (n + kappa[0]))
    n_method = pooled.sum(axis=2, keepdims=True)
    total = (pooled * (kappa[1] + 1.0) / (n_method + kappa[1])).sum(axis=0) + prior
    club = total / total.sum(axis=1, keepdims=True)
    method = (pooled + kappa[1] * club) / (n_method + kappa[1])
    pair = (counts + kappa[0] * method[pair_method]) / (n + kappa[0])
    return club, method, pair


def _table(echoes: Float, calls: Float) -> Float:
    return _join(echoes / echoes.sum(axis=-1, keepdims=True), calls / calls.sum(axis=-1, keepdims=True))


def _join(echoes: Float, calls: Float) -> Float:
    """One table from P(no echoes), P(echoes) (..., 2) and P(call | echoes) (..., C-1)."""
    return np.concatenate([echoes[..., :1], echoes[..., 1:] * calls], axis=-1)
