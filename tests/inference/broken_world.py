"""A second simulator, in which the model's assumptions do not hold. It imports nothing from the inference.

Everything is plain arrays; `forecasts.py` makes them into evidence. Each break can be turned on alone:

roaming       fish stay or go from day to day: presence at visits some days apart is correlated, not redrawn
mixed         the screen shows several species at once; the call is about the most numerous, not a uniform pick
lures         each rod trip has a lure that some species take and others ignore
checkers      one confirmed finding in twenty names the wrong species
duplicates    one row in thirty was imported twice, a few minutes apart
preferential  good spots are looked at more often, and a camera goes down where the screen looks good
copied        half of the later calls of a visit repeat the first, whoever makes them
drift         spots lose and gain fish over the years
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

BREAKS = ("roaming", "mixed", "lures", "checkers", "duplicates", "preferential", "copied", "drift")
NOW = 20_000.0
CAMERA, ROD = "camera", "rod"
SONAR = ("2D", "down", "side", "forward")
SEEN, LANDED, VERIFIED = 1, 2, 3


@dataclass(frozen=True)
class World:
    """Rows of a club, and for each row the truth.

    Attributes
    ----------
    rows : list of dict
        spot, time, method (a name), observer, look, call (species, "none", "unsure" or None for a finding look),
        effort, grade (K,), tie (species or -1), stated.
    chance, present : (N, K)
        True chance of presence at the row's visit, and whether the species was there.
    detect : (N, K)
        True chance that the look finds the species if it is there; NaN for sonar.
    now : (S, K)
        True chance of presence at each spot at NOW, looked at or not.
    """

    rows: list[dict[str, Any]]
    chance: NDArray[np.float64]
    present: NDArray[np.bool_]
    detect: NDArray[np.float64]
    species: int
    spots: int
    members: int
    now: NDArray[np.float64]


def world(
    seed: int,
    breaks: tuple[str, ...] = BREAKS,
    *,
    species: int = 5,
    spots: int = 156,
    members: int = 20,
    visits: float = 9.3,
) -> World:
    """Draw a club of the demo's size with these breaks."""
    rng = np.random.default_rng([4711, seed])
    k = species
    base, quality = rng.normal(-0.9, 0.9, k), rng.normal(0.0, 1.1, (spots, k))
    season = rng.normal(0.0, 0.7, (k, 2))
    trend = rng.normal(0.0, 0.9, (spots, k)) if "drift" in breaks else np.zeros((spots, k))
    camera_rate, rod_rate = np.exp(rng.normal(-1.8, 0.5, k)), np.exp(rng.normal(-1.0, 0.5, k))
    skill = np.clip(rng.beta(6.0, 3.0, members), 0.15, 0.95)
    how_good = np.array([0.55, 0.65, 0.75, 0.85])
    rows: list[dict[str, Any]] = []
    truth: list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]] = []

    def chance_at(s: int, time: float) -> NDArray[np.float64]:
        phase, years = 2 * np.pi * time / 365.2425, (time - NOW) / 365.0 + 1.0
        eta = base + season @ np.array([np.cos(phase), np.sin(phase)]) + quality[s] + trend[s] * years
        made: NDArray[np.float64] = 1 / (1 + np.exp(-eta))
        return made

    for s in range(spots):
        pull = float(quality[s].mean()) if "preferential" in breaks else 0.0
        times = np.sort(NOW - rng.uniform(1.0, 730.0, rng.poisson(visits * np.exp(1.2 * pull))))
        z, before = np.zeros(k, dtype=bool), -np.inf
        for time in times:
            psi = chance_at(s, float(time))
            stays = np.exp(-(time - before) / 10.0) if "roaming" in breaks else 0.0
            z = np.where(rng.random(k) < stays, z, rng.random(k) < psi)
            before = float(time)
            _visit(rng, rows, truth, s, float(time), psi, z, breaks, camera_rate, rod_rate, skill, how_good)
    if "duplicates" in breaks:
        for i in rng.choice(len(rows), len(rows) // 30, replace=False):
            again = dict(rows[i], time=rows[i]["time"] + 0.004, look=len(rows))
            rows.append(again)
            truth.append(truth[i])
    chance, present, detect = (np.array([t[j] for t in truth]) for j in range(3))
    now = np.stack([chance_at(s, NOW) for s in range(spots)])
    return World(rows, chance, present, detect, k, spots, members, now)


def _visit(
    rng: np.random.Generator,
    rows: list[dict[str, Any]],
    truth: list[tuple[NDArray[Any], NDArray[Any], NDArray[Any]]],
    spot: int,
    time: float,
    psi: NDArray[np.float64],
    z: NDArray[np.bool_],
    breaks: tuple[str, ...],
    camera_rate: NDArray[np.float64],
    rod_rate: NDArray[np.float64],
    skill: NDArray[np.float64],
    how_good: NDArray[np.float64],
) -> None:
    k, here = len(z), np.flatnonzero(z)
    many = rng.gamma(0.8, 1.0, k) * z
    target = -1
    if len(here):
        target = int(np.argmax(many)) if "mixed" in breaks else int(rng.choice(here))
    first: str | int | None = None
    called = False
    for i in range(int(rng.integers(1, 4))):
        m, who = int(rng.integers(0, 4)), int(rng.integers(0, len(skill)))
        right = skill[who] * how_good[m]
        call: str | int
        if target < 0:
            call = (
                "none" if rng.random() < 0.7 else ("unsure" if rng.random() < 0.6 else int(rng.integers(k)))
            )
        elif rng.random() < 0.2:
            call = "none"
        else:
            u = rng.random()
            # Confusion has a direction: the neighbour in the list is the usual mistake.
            call = target if u < right else ((target + 1) % k if u < right + 0.15 else "unsure")
        if "copied" in breaks and first is not None and rng.random() < 0.5:
            call = first
        first = call if first is None and call != "none" else first
        called = called or call != "none"
        stated = float(np.clip(rng.normal(0.75, 0.15), 0.2, 0.99))
        _add(
            rows,
            truth,
            psi,
            z,
            np.full(k, np.nan),
            spot=spot,
            time=time + 0.01 * i,
            method=SONAR[m],
            observer=who,
        )
        rows[-1].update(call=call, stated=stated)
    for name, rate, at in ((CAMERA, camera_rate, 0.05), (ROD, rod_rate, 0.07)):
        wish = 0.41 if name == CAMERA else 0.57
        if "preferential" in breaks and name == CAMERA:
            wish = 0.55 if called else 0.15
        if rng.random() > wish:
            continue
        effort = float(rng.uniform(1, 8) if name == CAMERA else rng.uniform(0.25, 2.5))
        taste = np.ones(k)
        if "lures" in breaks and name == ROD:
            taste = np.where(rng.random(k) < 0.5, 0.15, 1.85)
        crowd = np.where(z, 0.5 + many, 1.0) if "mixed" in breaks else np.ones(k)
        detect = -np.expm1(-rate * taste * crowd * effort)
        found = z & (rng.random(k) < detect)
        grade = np.where(found, rng.choice([SEEN, VERIFIED], k) if name == CAMERA else LANDED, 0)
        if "checkers" in breaks:
            for j in np.flatnonzero(grade == VERIFIED):
                if rng.random() < 0.05:
                    grade[j], grade[(j + 1) % k] = 0, VERIFIED
        _add(rows, truth, psi, z, detect, spot=spot, time=time + at, method=name, observer=0)
        rows[-1].update(effort=effort, grade=grade)
        if name == CAMERA and target >= 0 and found[target] and rng.random() < 0.5:
            for row in rows[-5:-1]:
                if row["spot"] == spot and row["time"] >= time and row["call"] not in (None, "none"):
                    row["tie"] = target
                    break


def _add(rows: list[dict[str, Any]], truth: list[Any], psi: Any, z: Any, detect: Any, **row: Any) -> None:
    base = {
        "look": len(rows),
        "call": None,
        "effort": np.nan,
        "grade": np.zeros(len(z), dtype=int),
        "tie": -1,
    }
    rows.append({**base, "stated": np.nan, **row})
    truth.append((psi, z, detect))
