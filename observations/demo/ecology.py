"""The truth of the demo waters: which fish are where, when, how deep and how many.

Presence at a spot on a day is drawn from ``logit chance = spot effect + cover + depth + season`` for each
species. The figures are invented to look like a reservoir of the plains; they are no findings about fish.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np

from observations.demo.rows import SPECIES, SpotRow, Visit

SPREAD = 0.9
"""Standard deviation on the logit of a spot's own effect on each species."""

RICHNESS = 0.55
"""Standard deviation of what a spot is worth to all species alike."""

SCARCITY = -1.2
"""Added to every population's base: most spots hold little on most days."""


@dataclass(frozen=True)
class Traits:
    """What one invented population does.

    ``peak`` is the day of year at which it is likeliest, ``swing`` by how much on the logit; ``depth`` and
    ``width`` its liked depth and tolerance in metres; ``school`` the mean number that stand together;
    ``length`` mean and spread in mm; ``stance`` where it holds, with weights; ``camera`` sightings a minute
    and ``bite`` bites an hour when present.
    """

    base: float
    cover: dict[str, float]
    peak: int
    swing: float
    depth: float
    width: float
    school: float
    length: tuple[float, float]
    stance: dict[str, float]
    camera: float
    bite: dict[str, float]


_WOOD = {"brush pile": 1.0, "crib": 1.1, "stake bed": 1.0, "standing timber": 0.9, "bridge": 0.6, "dock": 0.4}

TRAITS: dict[str, Traits] = {
    "largemouth-bass": Traits(
        -0.1, {"brush pile": 0.5, "laydown": 0.9, "dock": 0.8, "vegetation": 0.9, "stump field": 0.5,
               "standing timber": 0.4, "crib": 0.2, "riprap": 0.3, "none": -0.6},
        140, 0.5, 3.5, 3.5, 2.2, (370, 65), {"beside": 4, "in": 3, "in front": 1, "over": 1}, 0.22,
        {"soft plastic": 0.9, "crankbait": 0.7, "spinner": 0.6, "small jig": 0.1, "live minnow": 0.3},
    ),
    "smallmouth-bass": Traits(
        -1.2, {"rock pile": 1.4, "riprap": 1.0, "none": 0.6, "brush pile": -0.3, "vegetation": -1.0},
        285, 0.4, 6.0, 3.0, 2.5, (345, 55), {"beside": 3, "on bottom": 2, "suspended": 1}, 0.2,
        {"soft plastic": 0.8, "crankbait": 0.9, "spinner": 0.5, "small jig": 0.2, "live minnow": 0.4},
    ),
    "spotted-bass": Traits(
        -0.9, {"rock pile": 0.6, "standing timber": 0.4, "bridge": 0.7, "none": 0.5, "brush pile": 0.3},
        315, 0.4, 8.0, 4.0, 3.5, (310, 45), {"suspended": 3, "over": 2, "beside": 2}, 0.2,
        {"soft plastic": 0.8, "crankbait": 0.6, "spinner": 0.5, "small jig": 0.3, "live minnow": 0.4},
    ),
    "white-crappie": Traits(
        -0.1, {**_WOOD, "none": -1.3, "vegetation": -0.6, "rock pile": -0.7, "stump field": 0.4},
        305, 0.8, 5.5, 2.8, 9.0, (262, 32), {"over": 4, "in": 3, "beside": 2, "suspended": 1}, 0.38,
        {"small jig": 2.2, "live minnow": 2.4, "soft plastic": 0.1, "spinner": 0.1},
    ),
    "black-crappie": Traits(
        -1.2, {**_WOOD, "vegetation": 0.6, "dock": 0.8, "none": -1.2},
        110, 0.7, 4.0, 2.5, 6.0, (248, 30), {"in": 4, "beside": 3, "over": 2}, 0.36,
        {"small jig": 2.0, "live minnow": 2.0},
    ),
    "bluegill": Traits(
        0.1, {"dock": 0.9, "brush pile": 0.5, "crib": 0.8, "laydown": 0.7, "vegetation": 1.0,
              "stake bed": 0.6, "none": -1.0, "stump field": 0.3},
        190, 1.1, 3.0, 2.6, 8.0, (162, 24), {"in": 4, "over": 3, "beside": 3}, 0.42,
        {"small jig": 1.2, "worm": 3.0, "live minnow": 0.2},
    ),
    "redear-sunfish": Traits(
        -1.3, {"vegetation": 0.9, "stump field": 0.7, "stake bed": 0.4, "none": -0.8},
        150, 0.9, 2.5, 2.2, 4.0, (205, 26), {"on bottom": 4, "beside": 3}, 0.3,
        {"worm": 2.2, "small jig": 0.4},
    ),
    "channel-catfish": Traits(
        -0.5, {"laydown": 0.5, "riprap": 0.6, "none": 0.3, "standing timber": 0.3, "stump field": 0.4},
        200, 0.8, 6.0, 5.0, 2.0, (480, 95), {"on bottom": 5, "in": 1}, 0.12,
        {"cut bait": 1.6, "worm": 1.0, "live minnow": 0.3},
    ),
    "blue-catfish": Traits(
        -0.9, {"none": 0.8, "bridge": 0.3, "vegetation": -1.0},
        20, 0.5, 11.0, 5.0, 2.5, (590, 140), {"on bottom": 4, "suspended": 2}, 0.09,
        {"cut bait": 1.4},
    ),
    "flathead-catfish": Traits(
        -1.4, {"standing timber": 0.8, "laydown": 0.8, "rock pile": 0.3, "brush pile": 0.2},
        190, 0.8, 6.0, 4.0, 1.2, (660, 130), {"in": 4, "on bottom": 3}, 0.08,
        {"cut bait": 0.4, "live minnow": 0.3},
    ),
    "walleye": Traits(
        -0.9, {"rock pile": 1.0, "riprap": 0.9, "none": 0.7, "brush pile": -0.4},
        345, 0.6, 7.0, 3.5, 2.5, (455, 70), {"on bottom": 5, "beside": 1}, 0.12,
        {"crankbait": 0.6, "live minnow": 1.0, "small jig": 0.4, "worm": 0.4},
    ),
    "white-bass": Traits(
        -1.3, {"none": 0.6, "bridge": 0.6, "riprap": 0.4, "vegetation": -0.8},
        250, 0.6, 6.0, 4.0, 11.0, (305, 35), {"suspended": 4, "roaming": 5}, 0.13,
        {"spinner": 1.6, "crankbait": 0.8, "small jig": 0.8, "live minnow": 0.6},
    ),
    "gizzard-shad": Traits(
        -0.5, {"none": 0.3, "vegetation": -0.4},
        265, 0.7, 6.0, 5.0, 30.0, (165, 40), {"suspended": 5, "roaming": 4}, 0.2, {},
    ),
}  # fmt: skip


def season(day: date, peak: int) -> float:
    """A yearly wave: 1 on the day of year ``peak``, minus 1 half a year away."""
    return math.cos(2 * math.pi * (day.timetuple().tm_yday - peak) / 365.25)


class Truth:
    """The chance of every species at every spot on every day, and the visits drawn from it."""

    def __init__(self, spots: tuple[SpotRow, ...], rng: np.random.Generator) -> None:
        self._rng = rng
        self._spots = {spot.key: spot for spot in spots}
        self.effects = {
            spot.key: dict(
                zip(
                    SPECIES,
                    rng.normal(rng.normal(0.0, RICHNESS), SPREAD, len(SPECIES)).tolist(),
                    strict=True,
                )
            )
            for spot in spots
        }
        self._last: dict[int, tuple[date, frozenset[str]]] = {}
        self.visits: dict[int, Visit] = {}

    def chance(self, spot: int, species: str, day: date) -> float:
        """The probability that a species is at a spot on a day."""
        row, traits = self._spots[spot], TRAITS[species]
        depth = (row.depth_min_m + row.depth_max_m) / 2
        # White crappie and largemouth move shallow in spring: at shallow spots the year peaks earlier.
        early = 190 if species == "white-crappie" and depth < 3.5 else 0
        logit = (
            traits.base
            + SCARCITY
            + traits.cover.get(row.cover, 0.0)
            + traits.swing * season(day, traits.peak - early)
            - min(((depth - traits.depth) / traits.width) ** 2 / 2, 2.5)
            + self.effects[spot][species]
        )
        return 1 / (1 + math.exp(-logit))

    def visit(self, spot: int, day: date) -> Visit:
        """Draw what is at a spot now. Fish stay: within four days a species mostly keeps its state."""
        rng = self._rng
        chance = {species: self.chance(spot, species, day) for species in SPECIES}
        before, held = self._last.get(spot, (date.min, frozenset()))
        stay = 0.6 * math.exp(-(day - before).days / 2) if (day - before).days <= 4 else 0.0
        present = frozenset(
            species
            for species in SPECIES
            if (species in held if rng.random() < stay else rng.random() < chance[species])
        )
        self._last[spot] = (day, present)
        target, count, depth, placement = self._shown(spot, present)
        visit = Visit(len(self.visits) + 1, spot, day, present, chance, target, count, depth, placement)
        self.visits[visit.key] = visit
        return visit

    def _shown(self, spot: int, present: frozenset[str]) -> tuple[str | None, int, float, str]:
        """Which of the present species the screen shows, how many, how deep and where."""
        rng, row = self._rng, self._spots[spot]
        if not present:
            return None, 0, row.depth_max_m, ""
        among = sorted(present)
        weights = np.array([TRAITS[species].school ** 0.3 for species in among])
        target = among[int(rng.choice(len(among), p=weights / weights.sum()))]
        traits = TRAITS[target]
        count = 1 + int(rng.negative_binomial(1.5, 1.5 / (1.5 + max(traits.school - 1, 0.2))))
        return target, count, *self.stance(target, spot)

    def stance(self, species: str, spot: int) -> tuple[float, str]:
        """A depth below the surface of full pool and a placement for a species at a spot."""
        row, traits = self._spots[spot], TRAITS[species]
        places = list(traits.stance)
        weights = np.array([traits.stance[place] for place in places], dtype=np.float64)
        placement = places[int(self._rng.choice(len(places), p=weights / weights.sum()))]
        above = {"over": 1.6, "in": 0.8, "beside": 0.7, "in front": 0.8, "on bottom": 0.15}.get(placement)
        if above is None:
            depth = row.depth_max_m * self._rng.uniform(0.35, 0.75)
        else:
            depth = row.depth_max_m - above * self._rng.uniform(0.7, 1.5)
        return round(float(np.clip(depth, 0.3, row.depth_max_m)), 1), placement

    def lengths(self, species: str, number: int) -> tuple[int, ...]:
        """Total lengths in mm, of fish of which the smallest are seldom caught."""
        mean, spread = TRAITS[species].length
        drawn = self._rng.normal(mean, spread, number)
        return tuple(round(float(x)) for x in np.clip(drawn, mean - 2.2 * spread, mean + 3.2 * spread))
