"""Small clubs whose every parameter is drawn from the priors that the fit takes, for simulation-based calibration.

Written from the description of the model in `observations/inference/__init__.py`; of the package it uses the
prior's numbers and the data types, no likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from observations.inference import season
from observations.inference.calls import prior_counts
from observations.inference.types import (
    CALL_METHODS,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    SEEN,
    VERIFIED,
    Evidence,
    Options,
)

from .simulate import NOW, tree

OPTIONS = Options(spread_sd=0.4, half_lives_days=(float("inf"),))
"""The fit's options for these clubs: the prior of the spread stated, and evidence that does not age."""
_METHODS_USED = (0, 3)  # two of the calling methods
_GROUPS, _MEMBERS, _YEARS = 2, 3, 2.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class PriorClub:
    """Evidence and the truth behind it: K species, S spots."""

    evidence: Evidence
    psi: Array  # (S, K) at NOW
    beta: Array  # (K, 3): the shared season terms
    spread: Array  # (K,)
    rate: Array  # (K, 2)
    echoes: Array  # (5, K+1): P(echoes | truth) of the methods
    call: Array  # (5, K+1, C-1): P(call | truth, echoes) of the methods
    tables: dict[tuple[int, int], Array] = field(
        repr=False, default_factory=dict
    )  # (method, member): (K+1, C)
    hidden: Array | None = None  # (5, K+1): of the echoes, what a filter hides


def draw(seed: int, species: int = 3, spots: int = 40, visits: float = 5.0, proof: float = 0.4) -> PriorClub:
    """Draw a club of `spots` spots, one in seven never looked at, looked at at random otherwise."""
    rng = np.random.default_rng([20261125, seed])
    taxa = tree(species)
    mean, precision = season.prior(_GROUPS, OPTIONS)
    beta = mean + rng.normal(size=(species, len(mean))) / np.sqrt(precision)
    spread = np.exp(OPTIONS.spread_sd * rng.normal(size=species))  # type: ignore[operator]
    rates = np.array(OPTIONS.rate_prior)
    pooled = rates[:, 0] * np.exp(rates[:, 1] * rng.normal(size=2))
    weight = OPTIONS.rate_weight
    rate = pooled * rng.gamma(weight, 1.0 / weight, (species, 2))
    echo_prior, call_prior = prior_counts(taxa, OPTIONS)
    kappa = np.clip(OPTIONS.kappa_prior[0] * np.exp(OPTIONS.kappa_prior[1] * rng.normal(size=2)), 2.0, 200.0)
    club_echo, club_call = _rows(rng, echo_prior)[:, 1], _rows(rng, call_prior)
    echoes, call = np.zeros((len(CALL_METHODS), species + 1)), np.zeros((len(CALL_METHODS), *club_call.shape))
    tables = {}
    for m in _METHODS_USED:
        echoes[m] = _rows(rng, kappa[1] * np.stack([1 - club_echo, club_echo], axis=1))[:, 1]
        call[m] = _rows(rng, kappa[1] * club_call)
        for who in range(_MEMBERS):
            e = _rows(rng, kappa[0] * np.stack([1 - echoes[m], echoes[m]], axis=1))[:, 1]
            c = _rows(rng, kappa[0] * call[m])
            tables[m, who] = np.concatenate([1 - e[:, None], e[:, None] * c], axis=1)
    copy, tied = rng.beta(1.0, 4.0), rng.beta(1.0, 1.0)
    copy_other = float(np.random.default_rng([20261126, seed]).beta(1.0, 4.0))
    filters = np.random.default_rng([20261127, seed])
    hidden = np.zeros((len(CALL_METHODS), species + 1))
    for m in _METHODS_USED if seed % 2 else ():  # every other club has such looks
        middle = np.clip(filters.beta(1.0, 4.0), 1e-3, 1.0)
        hidden[m] = filters.beta(5.0 * middle, 5.0 * (1.0 - middle) + 1e-3, species + 1)
    group = rng.integers(0, _GROUPS, spots)
    effect = rng.normal(size=(spots, species))

    def chance(spot: int, time: float) -> Array:
        x = season.features(time)
        own = beta[:, 3 * (1 + group[spot]) : 3 * (2 + group[spot])]
        made: Array = 1 / (1 + np.exp(-((beta[:, :3] + own) @ x + spread * effect[spot])))
        return made

    rows = _Rows(species)
    for s in range(spots):
        for _ in range(rng.poisson(visits) if rng.random() > 1 / 7 else 0):
            time = NOW - rng.uniform(1.0, 365.0 * _YEARS)
            _visit(
                rng,
                rows,
                s,
                time,
                rng.random(species) < chance(s, time),
                tables,
                rate,
                pooled,
                (copy, copy_other),
                tied,
                proof,
                (filters, hidden) if seed % 2 else None,
            )
    evidence = Evidence.make(
        taxa,
        NOW,
        spots=[f"spot{i}" for i in range(spots)],
        observers=[f"member{i}" for i in range(_MEMBERS)],
        groups=[f"group{i}" for i in range(_GROUPS)],
        group=group,
        **rows.arrays(),
    )
    psi = np.stack([chance(s, NOW) for s in range(spots)])
    return PriorClub(
        evidence, psi, beta[:, :3], spread, rate, echoes, call, tables, hidden if seed % 2 else None
    )


class _Rows:
    def __init__(self, species: int) -> None:
        self.species = species
        self.made: list[dict[str, object]] = []

    def add(self, **row: object) -> dict[str, object]:
        none = np.zeros(self.species, dtype=int)
        base = {"look": len(self.made), "outcome": NO_OUTCOME, "observer": 0, "minutes": np.nan, "tie": -1}
        base["filtered"] = False
        self.made.append(
            {**base, "rod_hours": np.nan, "secchi_m": 2.0, "cover_size_m": 4.0, "grade": none, **row}
        )
        return self.made[-1]

    def arrays(self) -> dict[str, NDArray[np.generic]]:
        return (
            {name: np.array([row[name] for row in self.made]) for name in self.made[0]} if self.made else {}
        )


def _visit(
    rng: np.random.Generator,
    rows: _Rows,
    spot: int,
    time: float,
    z: NDArray[np.bool_],
    tables: dict[tuple[int, int], Array],
    rate: Array,
    pooled: Array,
    copy: tuple[float, float],
    tied: float,
    proof: float,
    filter_: tuple[np.random.Generator, Array] | None,
) -> None:
    k = len(z)
    here = np.flatnonzero(z)
    target = int(rng.choice(here)) if len(here) else k
    columns = next(iter(tables.values())).shape[1]
    heard: dict[int, int] = {}
    called = []
    for i in range(int(rng.integers(1, 4))):
        m, who = int(rng.choice(_METHODS_USED)), int(rng.integers(0, _MEMBERS))
        outcome = int(rng.choice(columns, p=tables[m, who][target]))
        behind = filter_ is not None and filter_[0].random() < 0.4
        if behind and filter_ is not None and filter_[0].random() < filter_[1][m, target]:
            outcome = 0
        others = [w for w in heard if w != who]
        if outcome > 0 and who in heard and rng.random() < copy[0]:
            outcome = heard[who]
        elif outcome > 0 and others and rng.random() < copy[1]:
            outcome = heard[others[-1]]
        if outcome > 0:
            heard.pop(who, None)  # the latest stands last
            heard[who] = outcome
        code = NO_ECHOES if outcome == 0 else (-2 if outcome == columns - 1 else outcome - 1)
        method = METHODS.index(CALL_METHODS[m])
        row = rows.add(spot=spot, time=time + 0.01 * i, method=method, observer=who, outcome=code)
        row["filtered"] = behind
        if outcome > 0:
            called.append(row)
    found = np.zeros(k, dtype=bool)
    for j, name in enumerate(("camera", "rod")):
        if rng.random() > proof:
            continue
        amount = float(rng.uniform(1, 8) if j == 0 else rng.uniform(0.25, 2.0))
        grade = rng.choice([SEEN, VERIFIED], k)
        # A confirmed finding is true; an unchecked one of an absent species is another fish, mistaken.
        wrong = np.where(grade == SEEN, OPTIONS.seen_error, 0.0) * -np.expm1(-pooled[j] * amount)
        seen = rng.random(k) < np.where(z, -np.expm1(-rate[:, j] * amount), wrong)
        effort = {"minutes" if j == 0 else "rod_hours": amount}
        at = time + 0.05 + 0.01 * j
        rows.add(spot=spot, time=at, method=METHODS.index(name), grade=np.where(seen, grade, 0), **effort)
        found |= seen
    if target < k and found[target] and called and rng.random() < tied:
        called[0]["tie"] = target


def _rows(rng: np.random.Generator, counts: Array) -> Array:
    made = np.stack([rng.dirichlet(np.maximum(row, 1e-3)) for row in counts])
    made = np.maximum(made, 1e-6)
    return made / made.sum(axis=1, keepdims=True)
