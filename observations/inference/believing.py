"""How far calls can be believed: P(call | truth), P(truth | call), their intervals and the proofs behind
them."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np
from scipy.stats import beta

from . import calls
from .calls import table_index
from .engine import VisitEvidence, settle, visit_evidence
from .fitting import parameters_of
from .grouping import Prepared, prepare
from .presence import effect_grid
from .results import CallModel, CallTable, ClubFit
from .types import CALL_METHODS, METHODS, Bool, Evidence, Float, Int, Taxa

_RANDOM_STEPS = 25
_VISITS_AT_ONCE = 2048


def reliability(
    fitted: ClubFit, evidence: Evidence, *, by_observer: bool = True, random_only: bool = False
) -> tuple[CallTable, ...]:
    """Call tables of each method with sealed looks, and of each observer with it.

    Estimates are the fit's, which rest on all sealed calls with the target latent. Intervals come from
    the observed information of whole visits over all cells jointly, so that calls whose target is
    uncertain count as the little they are worth; each cell's mean and variance are matched by a Beta.

    Parameters
    ----------
    fitted : ClubFit
    evidence : Evidence
        The evidence of the fit.
    by_observer : bool
        Also one table for each observer with each method.
    random_only : bool
        Only looks that the server's draw asked about, so free of members proving what looks good; the
        tables are then fitted again on these.

    Returns
    -------
    tuple of CallTable
        By method in the order of CALL_METHODS: the method as a whole, then its observers by index.
    """
    if random_only:
        finds = np.isin(evidence.method, [METHODS.index(m) for m in ("camera", "rod")])
        evidence = evidence.take(finds | evidence.random_check)
    parameters = parameters_of(fitted)
    tables = table_index(fitted.calls, fitted.observers)
    data = prepare(evidence, fitted.options, fitted.groups, tables)
    terms, found = settle(data, parameters, effect_grid(fitted.options.grid_nodes))
    if random_only:
        k = len(fitted.taxa.species)
        psi = np.stack([(e.weight[data.spot] * e.presence).sum(axis=1) for e in found], axis=1)
        psi = np.clip(psi.reshape(-1, k), 1e-9, 1 - 1e-9)
        for _ in range(_RANDOM_STEPS):
            tally = calls.tally(parameters.calls, data, terms.call, terms.visit.target)
            model = calls.update(parameters.calls, tally, fitted.taxa, fitted.options)
            parameters = replace(parameters, calls=model)
            terms = visit_evidence(data, parameters, psi)
    rows = _Rows.of(data, evidence, terms)
    made = []
    for m in range(len(CALL_METHODS)):
        mine = rows.where(rows.method == m)
        if not len(mine.visit):
            continue
        made.append(_table(fitted, parameters.calls, mine, m, None))
        if by_observer:
            for o in np.unique(mine.observer):
                made.append(
                    _table(fitted, parameters.calls, mine.where(mine.observer == o), m, int(o), evidence)
                )
    return tuple(made)


@dataclass(frozen=True)
class _Rows:
    """Sealed call rows: visit, method, observer, table, outcome column, posterior of the target, no copy, and the
    chance that a filter hid echoes."""

    visit: Int
    method: Int
    observer: Int
    table: Int
    outcome: Int
    tie: Int
    target: Float
    fresh: Float
    unseen: Float

    @classmethod
    def of(cls, data: Prepared, e: Evidence, terms: VisitEvidence) -> _Rows:
        target, fresh, unseen = terms.visit.target, terms.call.fresh, terms.call.unseen
        used = np.flatnonzero(data.counted)
        row = data.call_row[used]
        aside_row = data.aside_row
        known = np.zeros((len(aside_row), target.shape[1]))
        known[np.arange(len(aside_row)), data.aside_truth] = 1.0
        every = np.concatenate([row, aside_row])
        calling = np.array([CALL_METHODS.index(m) if m in CALL_METHODS else -1 for m in METHODS])
        # Groups aside are visits of their own here: their truth is known, they share no uncertainty.
        last = len(data.spot)
        return cls(
            visit=np.concatenate([data.call_visit[used], last + np.arange(len(aside_row))]),
            method=calling[e.method[every]],
            observer=e.observer[every],
            table=np.concatenate([data.call_table[used], data.aside_table]),
            outcome=np.concatenate([data.outcome[used], data.aside_outcome]),
            tie=e.tie[every],
            target=np.concatenate([target[data.call_visit[used]], known]),
            fresh=np.concatenate([fresh[used], np.ones_like(known)]),
            unseen=np.concatenate(
                [np.zeros_like(fresh[used]) if unseen is None else unseen[used], np.zeros_like(known)]
            ),
        )

    def where(self, mask: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> _Rows:
        return self.take(np.flatnonzero(mask))

    def take(self, index: Int) -> _Rows:
        return _Rows(*(getattr(self, field.name)[index] for field in fields(self)))


def _table(
    fitted: ClubFit,
    model: CallModel,
    rows: _Rows,
    method: int,
    observer: int | None,
    e: Evidence | None = None,
) -> CallTable:
    taxa = fitted.taxa
    if observer is None or e is None:
        table, centre, name, index = model.method[method], model.club, None, None
    else:
        name = e.observers[observer]
        index = table_index(model, fitted.observers).get((method, name))
        table = model.method[method] if index is None else model.pair[index]
        centre = model.method[method]
    weight = calls.centre_weight(model, fitted.taxa, fitted.options, method, index, observer is None)
    k1, c = table.shape
    echo, call = 1.0 - table[:, 0], table[:, 1:] / (1.0 - table[:, :1])
    covariance = _covariance(rows, echo, call, centre, weight, float(model.kappa[0]), observer is None)
    echo_sd = echo * (1.0 - echo) * np.sqrt(np.diagonal(covariance)[::c])
    # d call[t, c] / d logits of row t
    softmax = call[:, :, None] * (np.eye(c - 1) - call[:, None, :])
    own = np.stack([covariance[t * c + 1 : (t + 1) * c, t * c + 1 : (t + 1) * c] for t in range(k1)])
    call_sd = np.sqrt(np.maximum(np.einsum("tca,tab,tcb->tc", softmax, own, softmax), 0.0))
    prevalence, visits = _prevalence(rows)
    under = makes_right(taxa)
    truth, truth_sd, right_sd = _truth_given_call(echo, call, prevalence, visits, covariance, under)
    right = np.where(under.any(axis=1), (truth * under).sum(axis=1), np.nan)
    blank, blank_sd = _truth_given_blank(echo, prevalence, visits, covariance)
    proofs = np.zeros((k1, c - 1), dtype=np.int64)
    tied = rows.tie >= 0
    np.add.at(proofs, (rows.tie[tied], rows.outcome[tied] - 1), 1)
    return CallTable(
        method=CALL_METHODS[method],
        observer=name,
        truths=(*taxa.species, "none"),
        calls=(*taxa.codes, "uncalled"),
        echoes=echo,
        echoes_interval=beta_interval(echo, echo_sd),
        echoes_sd=echo_sd,
        call=call,
        call_interval=beta_interval(call, call_sd),
        call_sd=call_sd,
        truth=truth,
        truth_interval=beta_interval(truth, truth_sd),
        right=right,
        right_interval=beta_interval(right, right_sd),
        truth_no_echoes=blank,
        truth_no_echoes_interval=beta_interval(blank, blank_sd),
        prevalence=prevalence,
        proofs=proofs,
        looks=len(rows.visit),
        called_only=np.append(proofs.sum(axis=1)[:-1] == 0, False),
    )


def _covariance(
    rows: _Rows, echo: Float, call: Float, centre: Float, prior: Float, kappa_observer: float, pooled: bool
) -> Float:
    """Covariance of all logits of a table, echo logit first in each row of the table: (K1 * C, K1 * C).

    The information is the sum over visits of the outer product of the visit's score, plus that of the table it is
    shrunk to, which counts as `prior` (K1, 2) echoes and calls: itself learned from some tables only. In a
    method's table, an observer with n calls counts as `n (kappa + 1) / (n + kappa)`.
    """
    k1, c = call.shape[0], call.shape[1] + 1
    weight = np.ones((len(rows.visit), k1))
    if pooled:
        _, number = np.unique(rows.table, return_inverse=True)
        n = np.zeros((int(number.max()) + 1, k1))
        np.add.at(n, number, rows.target)
        weight = np.sqrt((kappa_observer + 1.0) / (n[number] + kappa_observer))
    # Some thousand whole visits at a time: a million calls' scores do not fit into memory at once.
    _, visit = np.unique(rows.visit, return_inverse=True)
    order = np.argsort(visit, kind="stable")
    ends = np.searchsorted(
        visit[order], np.arange(0, int(visit.max()) + 1 + _VISITS_AT_ONCE, _VISITS_AT_ONCE)
    )
    information = np.zeros((k1 * c, k1 * c))
    for start, stop in pairwise(ends):
        at = order[start:stop]
        score = _scores(rows.take(at), echo, call) * weight[at, :, None]
        first = np.flatnonzero(np.diff(visit[at], prepend=-1))
        by_visit = np.add.reduceat(score.reshape(len(score), -1), first, axis=0)
        information += by_visit.T @ by_visit
    centre_echo, centre_call = 1.0 - centre[:, 0], centre[:, 1:] / (1.0 - centre[:, :1])
    for t in range(k1):
        at = t * c
        information[at, at] += prior[t, 0] * centre_echo[t] * (1.0 - centre_echo[t])
        block = slice(at + 1, at + c)
        q = centre_call[t]
        information[block, block] += (
            prior[t, 1] * (np.diag(q) - np.outer(q, q)) + 1.0
        )  # + 1: logits of a row shift freely
    information[np.diag_indices(k1 * c)] += 1e-9
    return np.linalg.inv(information)


def _scores(rows: _Rows, echo: Float, call: Float) -> Float:
    """Each row's score in the logits of the table, (rows, K1, C); the echo logit comes first."""
    k1, c = call.shape[0], call.shape[1] + 1
    echoed = rows.outcome > 0
    score = np.zeros((len(rows.visit), k1, c))
    # A bare screen that hides echoes speaks for them as far as it does.
    score[:, :, 0] = rows.target * (echoed[:, None] + rows.unseen - echo)
    which = np.zeros((len(rows.visit), c - 1))
    which[np.flatnonzero(echoed), rows.outcome[echoed] - 1] = 1.0
    genuine = rows.target * rows.fresh * echoed[:, None]
    score[:, :, 1:] = genuine[:, :, None] * (which[:, None, :] - call[None])
    return score


def _prevalence(rows: _Rows) -> tuple[Float, float]:
    """How often each target was in front of these looks, and how many visits say so; one half look of
    prior each."""
    visits = float(len(np.unique(rows.visit)))
    k1 = rows.target.shape[1]
    mean = rows.target.mean(axis=0)
    weight = visits + 0.5 * k1
    return (mean * visits + 0.5) / weight, weight


def makes_right(taxa: Taxa) -> Bool:
    """Truths that make each call right, (C-1, K+1): what lies under it; "none" for a node that covers no fish.

    Echoes without a call are never right.
    """
    covers = taxa.covers
    node = np.column_stack([covers, ~covers.any(axis=1)])
    return np.vstack([node, np.zeros((1, node.shape[1]), dtype=np.bool_)])


def _truth_given_call(
    echo: Float, call: Float, prevalence: Float, weight: float, covariance: Float, under: Bool
) -> tuple[Float, Float, Float]:
    """P(truth | call) and its standard deviation, (C-1, K+1), by the delta method on the logits; and the
    standard deviation of the sum over the truths `under` each call, (C-1,).
    """
    k1, c = call.shape[0], call.shape[1] + 1
    joint = prevalence[:, None] * echo[:, None] * call
    truth = (joint / joint.sum(axis=0)).T
    four = covariance.reshape(k1, c, k1, c)
    sd, right_sd = np.empty_like(truth), np.empty(c - 1)
    log_prevalence = np.diag(1.0 / (weight * prevalence)) - 1.0 / weight
    for o in range(c - 1):
        # d log(P(echoes) P(call o | echoes)) of each row in its own logits
        slope = np.concatenate([(1.0 - echo)[:, None], -call], axis=1)
        slope[:, 1 + o] += 1.0
        spread = np.einsum("ta,tasb,sb->ts", slope, four, slope) + log_prevalence
        p = truth[o]
        jacobian = p[:, None] * (np.eye(k1) - p)
        sd[o] = np.sqrt(np.maximum(np.einsum("ta,ab,tb->t", jacobian, spread, jacobian), 0.0))
        summed = under[o] @ jacobian
        right_sd[o] = np.sqrt(max(float(summed @ spread @ summed), 0.0))
    return truth, sd, right_sd


def _truth_given_blank(
    echo: Float, prevalence: Float, weight: float, covariance: Float
) -> tuple[Float, Float]:
    """P(truth | no echoes) and its standard deviation, (K+1,), by the delta method on the echo logits."""
    k1 = len(echo)
    c = covariance.shape[0] // k1
    joint = prevalence * (1.0 - echo)
    p = joint / joint.sum()
    spread = covariance[::c, ::c] * np.outer(echo, echo) + np.diag(1.0 / (weight * prevalence)) - 1.0 / weight
    jacobian = p[:, None] * (np.eye(k1) - p)
    return p, np.sqrt(np.maximum(np.einsum("ta,ab,tb->t", jacobian, spread, jacobian), 0.0))


def beta_counts(mean: Float, sd: Float) -> tuple[Float, Float]:
    """Both parameters of the Beta with this mean and standard deviation.

    A deviation too large for any Beta is taken as that of Beta(mean, 1 - mean), the widest used here.
    """
    m = np.clip(mean, 1e-9, 1.0 - 1e-9)
    size = np.maximum(m * (1.0 - m) / np.maximum(sd, 1e-12) ** 2 - 1.0, 1.0)
    return m * size, (1.0 - m) * size


def beta_interval(mean: Float, sd: Float) -> Float:
    """5th and 95th percentile of the Beta with this mean and standard deviation, shape (..., 2)."""
    a, b = beta_counts(mean, sd)
    ends = [np.asarray(beta.ppf(q, a, b), dtype=np.float64) for q in (0.05, 0.95)]
    made: Float = np.stack([np.minimum(ends[0], mean), np.maximum(ends[1], mean)], axis=-1)
    return made
