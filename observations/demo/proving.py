"""How the demo's members prove: camera drops and rod sessions that find only part of what is there."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from observations.demo.ecology import TRAITS, Truth
from observations.demo.people import Person
from observations.demo.reading import draw
from observations.demo.rows import PresentationRow, Visit

# Lures by what the angler is after.
LURES = {
    "crappie": {"small jig": 6, "live minnow": 4, "worm": 1},
    "bass": {"soft plastic": 5, "crankbait": 3, "spinner": 2},
    "catfish": {"cut bait": 6, "worm": 3},
    "walleye": {"live minnow": 4, "crankbait": 3, "worm": 2},
    "sunfish": {"worm": 5, "small jig": 3},
}

# What a fish seen on camera is sometimes taken for: (other, probability).
SEEN_AS = {
    "black-crappie": ("white-crappie", 0.07),
    "white-crappie": ("black-crappie", 0.03),
    "spotted-bass": ("largemouth-bass", 0.10),
    "smallmouth-bass": ("largemouth-bass", 0.04),
    "redear-sunfish": ("bluegill", 0.10),
    "blue-catfish": ("channel-catfish", 0.09),
}

FATES = {
    "largemouth-bass": 0.03,
    "smallmouth-bass": 0.02,
    "spotted-bass": 0.10,
    "white-crappie": 0.60,
    "black-crappie": 0.60,
    "walleye": 0.55,
    "channel-catfish": 0.45,
}
"""Share kept; the rest swim off, but for a few."""


@dataclass(frozen=True)
class Sight:
    """One species found: what it was named, what it is, how many, their lengths, fate, depth."""

    named: str
    truth: str
    count: int
    lengths_mm: tuple[int, ...]
    fate: str
    depth_m: float


def coverage(secchi_m: float, cover: str) -> float:
    """The share of a spot that a camera sees in water of this clarity: small in murk and in wide cover."""
    wide = {"stump field": 0.7, "vegetation": 0.6, "standing timber": 0.8, "none": 0.8}.get(cover, 1.0)
    return wide * (1 - math.exp(-secchi_m / 1.3))


def camera(
    visit: Visit, truth: Truth, minutes: float, secchi_m: float, cover: str, rng: np.random.Generator
) -> list[Sight]:
    """What a camera drop shows; each present species with probability 1 - exp(-rate · minutes · coverage)."""
    found: dict[str, Sight] = {}
    for species in sorted(visit.present):
        traits = TRAITS[species]
        if rng.random() >= 1 - math.exp(-traits.camera * minutes * coverage(secchi_m, cover)):
            continue
        other, slip = SEEN_AS.get(species, ("", 0.0))
        named = other if rng.random() < slip else species
        count = max(1, int(rng.poisson(max(traits.school * 0.35, 0.6))))
        # A length from a picture is a guess; most drops give none.
        lengths = truth.lengths(species, 1) if rng.random() < 0.35 else ()
        found.setdefault(
            named, Sight(named, species, count, lengths, "", truth.stance(species, visit.spot)[0])
        )
    return list(found.values())


def rod(
    visit: Visit, truth: Truth, hours: float, lure: str, rng: np.random.Generator
) -> tuple[list[Sight], list[PresentationRow]]:
    """What a rod session lands, and the responses; bites come at the rate of the species for the lure."""
    found: list[Sight] = []
    responses: list[PresentationRow] = []
    minutes = round(hours * 60)
    for species in sorted(visit.present):
        rate = TRAITS[species].bite.get(lure, 0.0)
        bites = int(rng.poisson(rate * hours * rng.gamma(1.5, 1 / 1.5)))
        if not bites:
            continue
        landed = int(rng.binomial(bites, 0.72))
        if landed:
            kept = rng.random() < FATES.get(species, 0.15)
            depth = truth.stance(species, visit.spot)[0]
            floated = not kept and depth > 8.5 and rng.random() < 0.2
            fate = "kept" if kept else "floated" if floated else "swam off"
            lengths = truth.lengths(species, min(landed, 6))
            found.append(Sight(species, species, landed, lengths, fate, depth))
            responses.append(PresentationRow(lure, float(minutes), "landed"))
        else:
            response = "hooked and lost" if rng.random() < 0.5 else "bit"
            responses.append(PresentationRow(lure, float(minutes), response))
    if not responses:
        followed = bool(visit.present) and rng.random() < 0.15
        responses = [PresentationRow(lure, float(minutes), "followed" if followed else "none")]
    return found[:3], responses[:2]


def lure_for(person: Person, rng: np.random.Generator) -> str:
    """What this angler ties on."""
    return draw({name: float(share) for name, share in LURES[person.likes].items()}, rng)
