"""Clubs of any size drawn from the model at once, as arrays: what the inference is timed on. All invented."""

import numpy as np
from numpy.typing import NDArray

from observations.inference.types import (
    CALL_METHODS,
    CAMERA,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    ROD,
    SEEN,
    VERIFIED,
    Evidence,
    Taxa,
)

NOW = 20_000.0
Array = NDArray[np.float64]


def tree(species: int) -> Taxa:
    """Fish over `species` species, and not-fish."""
    codes = ("fish", *(f"species {i}" for i in range(species)), "not-fish")
    return Taxa(codes, np.array([-1, *[0] * species, -1]), np.array([False, *[True] * species, False]))


def draw(looks: int, spots: int, members: int, species: int, seed: int, groups: int = 6) -> Evidence:
    """Draw a club with about this many looks: a visit has two sonar looks, and one proof in two visits."""
    rng = np.random.default_rng(seed)
    taxa, k = tree(species), species
    visits = int(looks / 2.5)
    spot, group = np.sort(rng.integers(0, spots, visits)), rng.integers(0, groups, spots)
    time = NOW - rng.uniform(1.0, 730.0, visits)
    phase = 2 * np.pi * time / 365.2425
    season = np.stack([np.ones(visits), np.cos(phase), np.sin(phase)], axis=1)
    beta = rng.normal([-1.5, 0.0, 0.0], [0.7, 0.5, 0.5], (groups, k, 3))
    effect = rng.normal(0.0, 1.1, (spots, k))
    eta = np.einsum("vf,vkf->vk", season, beta[group[spot]]) + effect[spot]
    z = rng.random((visits, k)) < 1 / (1 + np.exp(-eta))
    pick = np.where(z, rng.random((visits, k)), -1.0)
    target = np.where(z.any(axis=1), pick.argmax(axis=1), k)
    table = _table(rng, k)
    sonar = np.repeat(np.arange(visits), 2)
    method = rng.integers(0, 4, len(sonar))
    column = _draw(rng, table[method, target[sonar]])
    proved = np.flatnonzero(rng.random(visits) < 0.5)
    by_rod = rng.random(len(proved)) < 0.5
    effort = np.where(by_rod, rng.uniform(0.25, 2.0, len(proved)), rng.uniform(1.0, 8.0, len(proved)))
    rate = np.exp(np.log([[0.15], [0.4]]) + 0.3 * rng.normal(size=(2, k)))
    # 2 m of visibility on 4 m of cover: the whole of it is in sight.
    found = z[proved] & (
        rng.random((len(proved), k)) < -np.expm1(-rate[by_rod.astype(int)] * effort[:, None])
    )
    grade = np.where(found, rng.choice([SEEN, VERIFIED], found.shape), 0)
    called = np.flatnonzero(column > 0)
    last = np.full(visits, -1)
    last[sonar[called]] = called
    settled = found[np.arange(len(proved)), np.minimum(target[proved], k - 1)] & (target[proved] < k)
    settled &= (last[proved] >= 0) & (rng.random(len(proved)) < 0.6)
    tie = np.full(len(sonar), -1)
    tie[last[proved[settled]]] = target[proved[settled]]
    outcome = np.where(column == 0, NO_ECHOES, np.where(column == k + 3, -2, column - 1))
    n = len(proved)
    nothing = np.full(len(sonar), np.nan)
    return Evidence.make(
        taxa,
        NOW,
        spots=[f"spot {i}" for i in range(spots)],
        observers=[f"member {i}" for i in range(members)],
        groups=[f"cover {i}" for i in range(groups)],
        group=group,
        spot=np.concatenate([spot[sonar], spot[proved]]),
        time=np.concatenate([time[sonar] + 0.01 * np.tile([0.0, 1.0], visits), time[proved] + 0.05]),
        method=np.concatenate(
            [np.array([METHODS.index(m) for m in CALL_METHODS])[method], np.where(by_rod, ROD, CAMERA)]
        ),
        observer=rng.integers(0, members, len(sonar) + n),
        outcome=np.concatenate([outcome, np.full(n, NO_OUTCOME)]),
        minutes=np.concatenate([nothing, np.where(by_rod, np.nan, effort)]),
        rod_hours=np.concatenate([nothing, np.where(by_rod, effort, np.nan)]),
        secchi_m=np.full(len(sonar) + n, 2.0),
        cover_size_m=np.full(len(sonar) + n, 4.0),
        grade=np.concatenate([np.zeros((len(sonar), k), dtype=int), grade]),
        tie=np.concatenate([tie, np.full(n, -1)]),
    )


def _table(rng: np.random.Generator, k: int) -> Array:
    """P(outcome | target), (4, K+1, K+4): no echoes, fish, the species, not-fish, uncalled."""
    table = np.zeros((4, k + 1, k + 4))
    for m in range(4):
        for t in range(k + 1):
            row = rng.dirichlet(np.full(k + 3, 0.3))
            right = 0.45 + 0.1 * m
            row *= 1 - right
            row[1 + t if t < k else k + 1] += right
            echoes = 0.8 if t < k else 0.3
            table[m, t] = np.append(1 - echoes, echoes * row)
    return table


def _draw(rng: np.random.Generator, p: Array) -> NDArray[np.int64]:
    return np.asarray((rng.random(len(p))[:, None] > np.cumsum(p, axis=1)).sum(axis=1), dtype=np.int64)
