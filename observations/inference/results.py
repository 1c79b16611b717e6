"""What comes out: frozen results, and the fit that can be stored as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np

from .packing import number, pack, plain, tuples, unpack
from .types import CALL_METHODS, Bool, Float, Int, Options, Taxa


@dataclass(frozen=True)
class CallModel:
    """How calls come about: P(outcome | target), by method and observer.

    Truth axis: the K species, then "none" (no modelled fish). Outcome axis, length C = n + 2: no echoes,
    the n nodes of the tree, echoes without a call.

    Attributes
    ----------
    club : (K+1, C)
        Rows sum to 1, as below.
    method : (5, K+1, C)
        In the order of CALL_METHODS.
    pair : (J, K+1, C)
        One table for each pair of method and observer that occurs.
    pair_method, pair_observer : int (J,)
    counts : (J, K+1, C)
        Expected counts behind `pair` (sealed calls, target latent, copies removed).
    proofs : (J, K+1, C)
        Sealed calls whose *same fish* tie reveals the target.
    kappa : (2,)
        Shrinkage weights in calls: observer to method, method to club.
    copy : float
        Probability that a later call of one observer in a visit repeats the earlier one.
    copy_other : float
        That it repeats the latest call of another instead, where it does not repeat one's own.
    hidden : (5, K+1), or (5, 0) where the club has no such looks
        P(a filter of small returns hides the echoes | target), see `filtering`.
    tied : float
        P(a *same fish* tie | the target was found and its echoes called).
    """

    club: Float
    method: Float
    pair: Float
    pair_method: Int
    pair_observer: Int
    counts: Float
    proofs: Float
    kappa: Float
    copy: float
    tied: float
    copy_other: float = 0.0
    hidden: Float = field(default_factory=lambda: np.zeros((len(CALL_METHODS), 0)))


@dataclass(frozen=True)
class ClubFit:
    """The club's parameters, fitted to club-scope evidence. Made by `fit`; store with `to_dict`.

    M spread nodes (1, or `Options.spread_nodes` for a small club) carry the uncertainty of the spread of
    the spot effects; P columns of the season design (see `season.design`).

    Attributes
    ----------
    taxa, groups, observers, options
        As given; later evidence is matched to `groups` and `observers` by name, unknown ones get the club's
        and the method's average.
    rows, visits, spots, proofs : int
        What the fit rests on (spots: with at least one row).
    converged : bool
    iterations : int
    step : float
        Largest parameter step of the last iteration; converged when below `options.tolerance`.
    logposterior : float
        Log-likelihood of all visits at the fit plus log priors, up to a constant.
    beta : (K, P), log_spread : (K,), log_rate : (K, 2)
        Posterior mode: season coefficients, log sigma, log detection rates (camera, rod).
    pooled_log_rate : (2,)
    weight : (M, K), node_theta : (M, K, P+3), node_cov : (M, K, P+3, P+3)
        Posterior nodes over log sigma: weight, parameters (beta, log sigma, log rates) and covariance given
        the node.
    calls : CallModel
    find_error : (3,)
        P(another species | seen, landed, verified).
    half_life_days : float
        Ageing of a spot's evidence; may be infinite.
    visiting : (K, 3) or (0, 3)
        How often members come back to a spot, by its effect, see `visiting.log_factor`.
    """

    taxa: Taxa
    groups: tuple[str, ...]
    observers: tuple[str, ...]
    options: Options
    rows: int
    visits: int
    spots: int
    proofs: int
    converged: bool
    iterations: int
    step: float
    logposterior: float
    beta: Float
    log_spread: Float
    log_rate: Float
    pooled_log_rate: Float
    weight: Float
    node_theta: Float
    node_cov: Float
    calls: CallModel
    find_error: Float
    half_life_days: float
    visiting: Float = field(default_factory=lambda: np.zeros((0, 3)))

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe form; arrays are kept bit for bit, so results at stored parameters are equal."""
        packed: dict[str, Any] = {"version": 1}
        for f in fields(self):
            value = getattr(self, f.name)
            if f.name == "taxa":
                packed[f.name] = {
                    "codes": list(value.codes),
                    "parent": value.parent.tolist(),
                    "leaf": value.leaf.tolist(),
                }
            elif f.name == "options":
                packed[f.name] = plain(asdict(value))
            elif f.name == "calls":
                packed[f.name] = {g.name: pack(getattr(value, g.name)) for g in fields(value)}
            else:
                packed[f.name] = pack(value)
        return packed

    @classmethod
    def from_dict(cls, packed: Mapping[str, Any]) -> ClubFit:
        """Inverse of `to_dict`. Raises ValueError for an unknown version, KeyError for a missing part."""
        if packed.get("version") != 1:
            raise ValueError(f"unknown version of a stored fit: {packed.get('version')!r}")
        made: dict[str, Any] = {}
        for f in fields(cls):
            if f.name == "visiting" and f.name not in packed:
                continue  # a fit stored before visits were modelled
            value = packed[f.name]
            if f.name == "taxa":
                made[f.name] = Taxa(
                    tuple(value["codes"]),
                    np.asarray(value["parent"], dtype=np.int64),
                    np.asarray(value["leaf"], dtype=np.bool_),
                )
            elif f.name == "options":
                known = {g.name for g in fields(Options)}  # a stored option that is no more is left behind
                made[f.name] = Options(**{k: tuples(number(v)) for k, v in value.items() if k in known})
            elif f.name == "calls":
                made[f.name] = CallModel(
                    **{g.name: unpack(value[g.name]) for g in fields(CallModel) if g.name in value}
                )
            else:
                made[f.name] = unpack(value)
        return cls(**made)


@dataclass(frozen=True)
class Reason:
    """A piece of evidence and how it moved a probability.

    Attributes
    ----------
    row : int
        Row of the evidence given to `spot_history`.
    change : float
        Probability with the row minus probability without it, everything recomputed; its sign is the
        direction.
    """

    row: int
    change: float


@dataclass(frozen=True)
class SpotResult:
    """What a spot's evidence says, at one moment, for the K species.

    Attributes
    ----------
    spot : str
    now : float
        Days since 1970-01-01.
    paused : bool
        The cover was looked for and not found: the numbers are about a spot that may be gone.
    species : tuple of K str
    probability : (K,)
        Chance that the species is present now.
    interval : (K, 2)
        5th and 95th percentile of the chance psi, uncertainty of the club's parameters included.
    month_probability : (12, K)
    month_interval : (12, K, 2)
        The same in the middle of each month, at today's knowledge.
    reasons : tuple of K tuples of Reason
        At most three, largest change first.
    visits : int
        Visits used.
    narrowed : (K, plans)
        Share by which the spread of psi is expected to shrink by each of `narrowing.PLANS`.
    band_probability : (B, K), band_interval : (B, K, 2)
        The chance in each band of water temperature; B is 0 where no bands were given or known.
    """

    spot: str
    now: float
    paused: bool
    species: tuple[str, ...]
    probability: Float
    interval: Float
    month_probability: Float
    month_interval: Float
    reasons: tuple[tuple[Reason, ...], ...]
    visits: int
    narrowed: Float
    band_probability: Float
    band_interval: Float


@dataclass(frozen=True)
class CallTable:
    """How far to believe one method, or one observer with it. Intervals are 90 % (5th to 95th percentile).

    Attributes
    ----------
    method : str
    observer : str or None
        None: the method as a whole.
    truths : tuple of K+1 str
        Species, then "none".
    calls : tuple of C-1 str
        Node codes, then "uncalled": outcomes given echoes.
    echoes : (K+1,), echoes_interval : (K+1, 2)
        P(echoes | truth): learned from all sealed looks, never from proved ones alone.
    echoes_sd : (K+1,), call_sd : (K+1, C-1)
        Standard deviations; with the mean they fix the Beta whose percentiles the intervals are.
    call : (K+1, C-1), call_interval : (K+1, C-1, 2)
        P(call | truth, echoes).
    truth : (C-1, K+1), truth_interval : (C-1, K+1, 2)
        P(truth | call), with the prevalence below: what a member wants to know.
    right : (C-1,), right_interval : (C-1, 2)
        P(the truth lies under what was called | call); NaN for echoes without a call.
    truth_no_echoes : (K+1,), truth_no_echoes_interval : (K+1, 2)
        P(truth | no echoes).
    prevalence : (K+1,)
        How often each target was in front of this method.
    proofs : int (K+1, C-1)
        *Same fish* proofs behind each cell.
    looks : int
        Sealed groups and blank looks used.
    called_only : bool (K+1,)
        True where a species has no proof at all with this method: show it as `called` only.
    """

    method: str
    observer: str | None
    truths: tuple[str, ...]
    calls: tuple[str, ...]
    echoes: Float
    echoes_interval: Float
    echoes_sd: Float
    call: Float
    call_interval: Float
    call_sd: Float
    truth: Float
    truth_interval: Float
    right: Float
    right_interval: Float
    truth_no_echoes: Float
    truth_no_echoes_interval: Float
    prevalence: Float
    proofs: Int
    looks: int
    called_only: Bool


__all__ = ["CALL_METHODS", "CallModel", "CallTable", "ClubFit", "Reason", "SpotResult"]
