"""One pass over some spots: what the data say at given parameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from . import season
from .calls import CallTally, CallTerms, call_terms, tally
from .findings import FindTerms, find_terms
from .grouping import Prepared
from .kernel import VisitTerms, visit_terms
from .leaving_out import OwnShares
from .presence import (
    Effects,
    Grid,
    SpotVisits,
    cavity_and_score,
    cavity_presence,
    effects,
    slopes,
)
from .results import CallModel
from .types import Float, Int


@dataclass(frozen=True)
class Parameters:
    """The club's parameters during a fit.

    Attributes
    ----------
    theta : (K, P+3)
        Season coefficients, log spread, log rates of camera and rod.
    pooled : (2,)
        Pooled log rates.
    calls : CallModel
    error : (3,)
        See `findings.find_error`.
    groups : int
    """

    theta: Float
    pooled: Float
    calls: CallModel
    error: Float
    groups: int

    @property
    def spread(self) -> Float:
        """sigma, shape (K,)."""
        made: Float = np.exp(self.theta[:, -3])
        return made

    def linear(self, data: Prepared) -> Float:
        """Season part of logit psi, shape (V, K)."""
        coefficients = season.by_group(self.theta[:, :-3], self.groups)
        made: Float = np.einsum("vf,kvf->vk", data.season, coefficients[:, data.group])
        return made


def prior_presence(data: Prepared, parameters: Parameters) -> Float:
    """Chance of presence at each visit before any evidence of its spot, (V, K); the effect at its mean."""
    shrunk = parameters.linear(data) / np.sqrt(1.0 + 0.346 * parameters.spread**2)
    return np.clip(expit(shrunk), 1e-9, 1.0 - 1e-9)


@dataclass(frozen=True)
class VisitEvidence:
    """Terms of each visit, given the chance of presence by the spot's other visits.

    `present` and `absent` are scaled so that the larger of the two is 1.
    """

    find: FindTerms
    call: CallTerms
    visit: VisitTerms
    present: Float
    absent: Float


def visit_evidence(
    data: Prepared, parameters: Parameters, psi: Float, tie_known: bool = True, own: OwnShares | None = None
) -> VisitEvidence:
    """Exact terms of each visit, the other species at their chance of presence `psi` (V, K)."""
    find = find_terms(data, parameters.theta[:, -2:], parameters.pooled, parameters.error)
    return _evidence(find, call_terms(data, parameters.calls, tie_known, own), psi)


def _evidence(find: FindTerms, call: CallTerms, psi: Float) -> VisitEvidence:
    visit = visit_terms(psi, find.found, find.missed, call.calls)
    top = np.maximum(visit.present, visit.absent)
    return VisitEvidence(find, call, visit, visit.present / top, visit.absent / top)


def of_species(
    data: Prepared, terms: VisitEvidence, linear: Float, k: int, power: Float | None = None
) -> SpotVisits:
    """The visits as one species sees them."""
    return SpotVisits(
        first=data.first,
        spot=data.spot,
        season=data.season,
        linear=linear[:, k],
        present=terms.present[:, k],
        absent=terms.absent[:, k],
        slope=terms.find.slope[:, k],
        curve=terms.find.curve[:, k],
        power=power,
    )


_STACKED = 150_000
"""Grid values worked on at once where several species are stacked: above the overhead, within the cache."""


def stacks(data: Prepared, columns: int, grid: Grid) -> list[Int]:
    """The columns (species, or species at several parameters) in lots that are worked on at once."""
    many = max(1, _STACKED // max(1, len(data.spot) * len(grid.nodes)))
    return [np.arange(low, min(low + many, columns)) for low in range(0, columns, many)]


def stacked(
    data: Prepared, terms: VisitEvidence, linear: Float, species: Int, power: Float | None = None
) -> SpotVisits:
    """The visits as these species see them, one after the other: spot s of the i-th is spot `i S + s`.

    Parameters
    ----------
    linear : (V, n)
        Season part of logit psi, of each of the n.
    species : int (n,)
    """
    n, spots, visits = len(species), len(data.first) - 1, len(data.spot)
    lot = np.arange(n)[:, None]
    return SpotVisits(
        first=np.append((data.first[:-1] + lot * visits).ravel(), n * visits),
        spot=(data.spot + lot * spots).ravel(),
        season=np.tile(data.season, (n, 1)),
        linear=linear.T.ravel(),
        present=terms.present[:, species].T.ravel(),
        absent=terms.absent[:, species].T.ravel(),
        slope=terms.find.slope[:, species].transpose(1, 0, 2).reshape(-1, 2),
        curve=terms.find.curve[:, species].transpose(1, 0, 2).reshape(-1, 2),
        power=None if power is None else np.tile(power, n),
    )


@dataclass(frozen=True)
class Pass:
    """Sums over some spots; passes over parts of a club add up.

    Attributes
    ----------
    log_evidence : float
    score : (K, G+1, 6), curve : (K, G+1, 6, 6)
        By group, see `presence.Slopes`; the curve is 0 in a pass without it.
    tally : CallTally
    """

    log_evidence: float
    score: Float
    curve: Float
    tally: CallTally

    def __add__(self, other: Pass) -> Pass:
        return Pass(
            self.log_evidence + other.log_evidence,
            self.score + other.score,
            self.curve + other.curve,
            self.tally + other.tally,
        )


def run_pass(
    data: Prepared,
    parameters: Parameters,
    grid: Grid,
    psi: Float,
    extra: Float | None = None,
    curved: bool = True,
    own: OwnShares | None = None,
) -> tuple[Pass, Float]:
    """One sweep: evidence of each visit, posterior of each spot effect, derivatives, expected counts.

    Parameters
    ----------
    psi : (V, K)
        Chance of presence by the spot's other visits, from the last sweep.
    extra : (K, S, Q), optional
        Further log-likelihood of the spot effects.
    curved : bool
        Second derivatives too, which take half of the time.
    own : OwnShares, optional
        Shares of the call rows in the tables, to be left out; replaced by those of this pass.

    Returns
    -------
    Pass
    psi : (V, K)
        For the next sweep.
    """
    terms = visit_evidence(data, parameters, psi, own=own)
    linear, spread = parameters.linear(data), parameters.spread
    k_species, groups = psi.shape[1], parameters.groups
    score = np.zeros((k_species, groups + 1, 6))
    curve = np.zeros((k_species, groups + 1, 6, 6))
    log_evidence = float(np.sum(np.log(terms.visit.likelihood)))
    log_evidence += float(np.sum(terms.call.log_scale)) + float(np.sum(terms.find.log_scale))
    next_psi = np.empty_like(psi)
    for k in range(k_species):
        mine = of_species(data, terms, linear, k)
        found = effects(mine, float(spread[k]), grid, None if extra is None else extra[k])
        next_psi[:, k], first_order = cavity_and_score(mine, found, float(spread[k]), grid)
        mean_mixed = mine.absent + psi[:, k] * (mine.present - mine.absent)
        log_evidence += float(np.sum(found.log_evidence)) - float(np.sum(np.log(mean_mixed)))
        np.add.at(score[k], data.spot_group, first_order)
        if curved:
            np.add.at(curve[k], data.spot_group, slopes(mine, found, float(spread[k]), grid).curve)
    counted = tally(parameters.calls, data, terms.call, terms.visit.target)
    if own is not None:
        own.keep(data, terms.visit.target, terms.call.fresh, len(parameters.calls.pair), terms.call.unseen)
    return Pass(log_evidence, score, curve, counted), np.clip(next_psi, 1e-12, 1.0 - 1e-12)


def settle(
    data: Prepared,
    parameters: Parameters,
    grid: Grid,
    power: Float | None = None,
    extra: Float | None = None,
    sweeps: int = 30,
    tolerance: float = 1e-7,
) -> tuple[VisitEvidence, list[Effects]]:
    """Sweep the species of each spot to their fixed point at given parameters.

    Every spot is swept the same way whatever else is in `data`; a spot's result depends on the number of
    sweeps only below `tolerance`.

    Returns
    -------
    VisitEvidence
    effects : list of K Effects
    """
    psi = prior_presence(data, parameters)
    linear, spread = parameters.linear(data), parameters.spread
    spots, visits = len(data.first) - 1, len(data.spot)
    find = find_terms(data, parameters.theta[:, -2:], parameters.pooled, parameters.error)
    call = call_terms(data, parameters.calls)
    lots = stacks(data, psi.shape[1], grid)
    for _ in range(sweeps):
        terms = _evidence(find, call, psi)
        found = []
        new = np.empty_like(psi)
        for lot in lots:
            mine = stacked(data, terms, linear[:, lot], lot, power)
            more = None if extra is None else extra[lot].reshape(-1, len(grid.nodes))
            every = effects(mine, np.repeat(spread[lot], spots), grid, more)
            new[:, lot] = cavity_presence(mine, every).reshape(len(lot), visits).T
            found += every.split(len(lot))
        new = np.clip(new, 1e-12, 1.0 - 1e-12)
        moved = float(np.max(np.abs(new - psi), initial=0.0))
        psi = new
        if moved < tolerance:
            break
    return terms, found
