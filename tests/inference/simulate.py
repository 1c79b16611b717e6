"""Clubs drawn from the model, for the checks that need a known truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from observations.inference.types import (
    CALL_METHODS,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    SEEN,
    VERIFIED,
    Evidence,
    Taxa,
)

NOW = 20_000.0
KAPPA = 25.0
"""How closely the members' tables keep to their method's."""


def tree(species: int = 4) -> Taxa:
    """Fish (root), `species` leaves of which the first two are one wider kind, bait and not-fish."""
    codes = ("fish", "pair", *(f"s{i}" for i in range(species)), "bait", "not-fish")
    parent = np.array([-1, 0, *([1, 1] + [0] * species)[:species], -1, -1])
    leaf = np.array([False, False, *[True] * species, False, False])
    return Taxa(codes, parent, leaf)


@dataclass(frozen=True)
class Club:
    evidence: Evidence
    psi: NDArray[np.float64]  # (S, K): chance of presence at NOW
    effect: NDArray[np.float64]  # (S, K)
    table: NDArray[np.float64]  # (5, K+1, C): the methods' true tables
    beta: NDArray[np.float64]  # (K, 3 + 3 G): season terms, shared and by group
    rate: NDArray[np.float64]  # (K, 2)
    member_table: NDArray[np.float64]  # (5, members, K+1, C)
    next_presence: NDArray[np.bool_]  # (S, K): presence at one further visit at NOW
    row_chance: NDArray[np.float64]  # (N, K): true chance of presence at each row's visit
    row_present: NDArray[np.bool_]  # (N, K)
    row_target: NDArray[np.int64]  # (N,): the visit's target, K for none


def club(
    seed: int,
    *,
    species: int = 4,
    spots: int = 60,
    members: int = 12,
    visits: float = 6.0,
    spread: float = 1.1,
    years: float = 2.0,
    proof: float = 0.25,
    copy: float = 0.2,
    tied: float = 0.6,
    groups: int = 2,
    wide: float = 0.1,
    filtered: float = 0.0,
    hidden: tuple[float, ...] = (),
) -> Club:
    """A club drawn from the joint target model, call tables differing by method and, less, by member.

    Of the sonar looks a share `filtered` has small returns filtered out, which hides `hidden` (K+1) of the echoes.
    """
    filters = np.random.default_rng([seed, 20261126])
    rng = np.random.default_rng(seed)
    taxa = tree(species)
    n, k = len(taxa.codes), species
    c = n + 2
    beta = np.stack(
        [
            rng.normal(-0.8, 0.8, k),
            rng.normal(0, 0.6, k),
            rng.normal(0, 0.6, k),
        ],
        axis=1,
    )
    own = rng.normal(0, [0.5, 0.2, 0.2], (groups, k, 3))
    group = rng.integers(0, groups, spots)
    effect = rng.normal(size=(spots, k))
    rate = np.exp(np.log([[0.15, 0.4]]) + 0.4 * rng.normal(size=(k, 2)))
    table = _tables(rng, taxa, wide)
    member_table = np.stack(
        [[_about(rng, table[m], KAPPA) for _ in range(members)] for m in range(len(CALL_METHODS))]
    )

    def chance(spot: int, time: float) -> NDArray[np.float64]:
        phase = 2 * np.pi * time / 365.2425
        x = np.array([1.0, np.cos(phase), np.sin(phase)])
        made: NDArray[np.float64] = 1 / (1 + np.exp(-((beta + own[group[spot]]) @ x + spread * effect[spot])))
        return made

    rows: list[dict[str, object]] = []
    truth: list[tuple[NDArray[np.float64], NDArray[np.bool_], int]] = []
    look = 0
    for s in range(spots):
        for _ in range(rng.poisson(visits)):
            time = NOW - rng.uniform(1.0, 365.0 * years)
            psi = chance(s, time)
            z = rng.random(k) < psi
            here = np.flatnonzero(z)
            target = int(rng.choice(here)) if len(here) else k
            visit_rows: list[dict[str, object]] = []
            heard: dict[int, int] = {}
            for i in range(int(rng.integers(1, 4))):
                m, who = int(rng.integers(0, 4)), int(rng.integers(0, members))
                outcome = int(rng.choice(c, p=member_table[m, who, target]))
                behind = filtered > 0 and filters.random() < filtered
                if behind and filters.random() < hidden[target]:
                    outcome = 0
                if outcome > 0 and who in heard and rng.random() < copy:
                    outcome = heard[who]
                if outcome > 0:
                    heard[who] = outcome
                code = NO_ECHOES if outcome == 0 else (-2 if outcome == n + 1 else outcome - 1)
                method = METHODS.index(CALL_METHODS[m])
                visit_rows.append(_row(s, time + 0.01 * i, method, who, look, code, k))
                visit_rows[-1]["filtered"] = behind
                look += 1
            found = np.zeros(k, dtype=bool)
            for j, method_name in enumerate(("camera", "rod")):
                if rng.random() < proof:
                    amount = float(rng.uniform(1, 8) if j == 0 else rng.uniform(0.25, 2.0))
                    seen = z & (rng.random(k) < -np.expm1(-rate[:, j] * amount))
                    row = _row(s, time + 0.05 + 0.01 * j, METHODS.index(method_name), 0, look, NO_OUTCOME, k)
                    row["minutes" if j == 0 else "rod_hours"] = amount
                    row["grade"] = np.where(seen, rng.choice([SEEN, VERIFIED], k), 0)
                    found |= seen
                    visit_rows.append(row)
                    look += 1
            if target < k and found[target] and rng.random() < tied:
                for row in visit_rows:
                    if row["outcome"] not in (NO_ECHOES, NO_OUTCOME):
                        row["tie"] = target
                        break
            rows += visit_rows
            truth += [(psi, z, target)] * len(visit_rows)
    arrays = {name: np.array([r[name] for r in rows]) for name in rows[0]} if rows else {}
    evidence = Evidence.make(
        taxa,
        NOW,
        spots=[f"spot{i}" for i in range(spots)],
        observers=[f"member{i}" for i in range(members)],
        groups=[f"group{i}" for i in range(groups)],
        group=group,
        **arrays,
    )
    psi = np.stack([chance(s, NOW) for s in range(spots)])
    whole = np.concatenate([beta, own.transpose(1, 0, 2).reshape(k, -1)], axis=1)
    return Club(
        evidence,
        psi,
        effect,
        table,
        whole,
        rate,
        member_table,
        rng.random((spots, k)) < psi,
        np.array([t[0] for t in truth]).reshape(-1, k),
        np.array([t[1] for t in truth]).reshape(-1, k),
        np.array([t[2] for t in truth], dtype=np.int64),
    )


def _row(spot: int, time: float, method: int, who: int, look: int, outcome: int, k: int) -> dict[str, object]:
    return {
        "spot": spot,
        "time": time,
        "method": method,
        "observer": who,
        "look": look,
        "outcome": outcome,
        "minutes": np.nan,
        "rod_hours": np.nan,
        "secchi_m": 2.0,
        "cover_size_m": 4.0,
        "grade": np.zeros(k, dtype=int),
        "tie": -1,
        "filtered": False,
    }


def _tables(rng: np.random.Generator, taxa: Taxa, wide: float) -> NDArray[np.float64]:
    covers, n = taxa.covers, len(taxa.codes)
    k = covers.shape[1]
    made = np.zeros((len(CALL_METHODS), k + 1, n + 2))
    for m in range(len(CALL_METHODS)):
        right = 0.35 + 0.1 * m
        echoes = rng.uniform(0.6, 0.9)
        for t in range(k + 1):
            call = rng.dirichlet(np.full(n + 1, 0.6))
            call = (1 - right) * call
            if t < k:
                call[list(taxa.leaf.nonzero()[0])[t]] += right * (1 - wide)
                call[0] += right * wide
            else:
                call[n - 1] += right
            seen = echoes if t < k else 0.3
            made[m, t] = np.concatenate([[1 - seen], seen * call / call.sum()])
    return made


def _about(rng: np.random.Generator, table: NDArray[np.float64], kappa: float) -> NDArray[np.float64]:
    return np.stack([rng.dirichlet(kappa * row + 1e-3) for row in table])
