"""How the demo's members read a screen: what echoes show, what is called, and how sure they say they are.

The odds of a right call depend on the method, on the fish and on the reader. All figures are invented, in the
order that anglers give for these methods (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from observations.demo.people import Person
from observations.demo.rows import NOT_FISH, SPECIES, UNKNOWN, wider_of

# P(echoes | a fish is the target), and P(echoes | nothing there): limbs and bottom look like fish.
SHOWS = {"2d": 0.78, "down": 0.85, "side": 0.70, "forward": 0.93, "eye": 0.22}
SHAM = {"2d": 0.34, "down": 0.22, "side": 0.30, "forward": 0.12, "eye": 0.04}

# P(right | echoes, a fish, an average reader), before the fish's own ease.
SHARP = {"2d": 0.46, "down": 0.57, "side": 0.34, "forward": 0.72, "eye": 0.78}

# How much easier (on the logit) one fish is to tell than another.
EASE = {
    "largemouth-bass": 0.1,
    "smallmouth-bass": -0.5,
    "spotted-bass": -0.7,
    "white-crappie": 0.4,
    "black-crappie": -0.7,
    "bluegill": 0.0,
    "redear-sunfish": -0.9,
    "channel-catfish": 0.2,
    "blue-catfish": -0.2,
    "flathead-catfish": -0.4,
    "walleye": -0.3,
    "white-bass": 0.1,
    "gizzard-shad": 0.7,
}

# What a wrong reading of each is taken for, beside "unknown fish" and "not fish".
MISTAKEN: dict[str, dict[str, float]] = {
    "largemouth-bass": {"white-crappie": 3, "channel-catfish": 1, "spotted-bass": 2, "black-bass": 1},
    "smallmouth-bass": {"largemouth-bass": 4, "walleye": 2, "spotted-bass": 1, "black-bass": 1},
    "spotted-bass": {"largemouth-bass": 4, "white-crappie": 1, "white-bass": 1, "black-bass": 1},
    "white-crappie": {"largemouth-bass": 3, "bluegill": 3, "black-crappie": 2, "crappie": 1},
    "black-crappie": {"white-crappie": 5, "bluegill": 2, "largemouth-bass": 1, "crappie": 2},
    "bluegill": {"white-crappie": 4, "gizzard-shad": 1, "largemouth-bass": 1, "sunfish": 1},
    "redear-sunfish": {"bluegill": 4, "white-crappie": 2, "sunfish": 2},
    "channel-catfish": {"largemouth-bass": 3, "blue-catfish": 1, "walleye": 1, "catfish": 1},
    "blue-catfish": {"channel-catfish": 3, "largemouth-bass": 1, "catfish": 2},
    "flathead-catfish": {"channel-catfish": 3, "largemouth-bass": 2, "catfish": 1},
    "walleye": {"largemouth-bass": 3, "channel-catfish": 1, "smallmouth-bass": 1},
    "white-bass": {"largemouth-bass": 2, "gizzard-shad": 2, "white-crappie": 1, "temperate-bass": 1},
    "gizzard-shad": {"white-crappie": 2, "bluegill": 1, "bait": 3, "white-bass": 1},
}

# What nothing at all is taken for, by what the reader is after.
HOPES = {
    "crappie": {"white-crappie": 5, "largemouth-bass": 2, "bluegill": 1},
    "bass": {"largemouth-bass": 5, "white-crappie": 2, "black-bass": 1},
    "catfish": {"channel-catfish": 4, "largemouth-bass": 1, "white-crappie": 1},
    "walleye": {"walleye": 3, "largemouth-bass": 2, "white-crappie": 1},
    "sunfish": {"bluegill": 4, "white-crappie": 2},
}


def logit(p: float) -> float:
    """The log odds of a probability strictly between 0 and 1."""
    return math.log(p / (1 - p))


def expit(x: float) -> float:
    """The probability of given log odds."""
    return 1 / (1 + math.exp(-x))


def echoes(method: str, target: str | None, count: int, rng: np.random.Generator) -> int:
    """How many echoes a look shows: 0 when it misses, a few when there is nothing but limbs."""
    if target is None:
        return int(rng.integers(1, 5)) if rng.random() < SHAM[method] else 0
    # A lone fish slips out of a narrow cone more easily than a school does.
    missed = (1 - SHOWS[method]) * (1.6 if count <= 2 else 0.7)
    if rng.random() < missed:
        return 0
    share = {"2d": 0.6, "down": 0.75, "side": 0.6, "forward": 0.9, "eye": 0.4}[method]
    return max(1, int(rng.binomial(count, share)))


def call(
    method: str,
    target: str | None,
    reader: Person,
    previous: str,
    rng: np.random.Generator,
    *,
    copies: float = 0.4,
) -> tuple[str, float]:
    """A reader's call on echoes, and the probability they state (0.2 to 0.99, in steps of 0.05 mostly).

    ``previous`` is their call on the same visit, if any: it is repeated with probability ``copies``.
    """
    clear = rng.normal(0.0, 0.8)
    if target is None:
        odds = expit(logit(0.62) + 0.5 * reader.skill + 0.5 * (SHARP[method] - 0.5) * 4 + clear)
    else:
        odds = expit(logit(SHARP[method]) + EASE[target] + reader.skill + clear)
    if previous and rng.random() < copies:
        named = previous
    elif rng.random() < odds:
        named = _right(target, rng)
    else:
        named = _wrong(target, reader, rng)
    return named, stated(odds, named, reader, rng)


def _right(target: str | None, rng: np.random.Generator) -> str:
    if target is None:
        return NOT_FISH
    # Now and then a careful reader stops at the wider kind.
    return wider_of(target) if rng.random() < 0.1 else target


def _wrong(target: str | None, reader: Person, rng: np.random.Generator) -> str:
    roll = rng.random()
    if target is None:
        return UNKNOWN if roll < 0.2 else draw(HOPES[reader.likes], rng)
    if roll < 0.16:
        return UNKNOWN
    if roll < 0.30:
        return NOT_FISH
    return draw(MISTAKEN[target], rng)


def draw(weights: Mapping[str, float], rng: np.random.Generator) -> str:
    """One key of a mapping to weights."""
    names = list(weights)
    shares = np.array([weights[name] for name in names], dtype=np.float64)
    return names[int(rng.choice(len(names), p=shares / shares.sum()))]


def stated(odds: float, named: str, reader: Person, rng: np.random.Generator) -> float:
    """The probability a reader states: what it should be, bent by their surety and lean."""
    wide = 1.2 if named not in SPECIES and named != NOT_FISH else 0.0
    bent = reader.surety * logit(min(max(odds, 0.03), 0.97)) + reader.lean + wide + rng.normal(0, 0.35)
    said = min(max(expit(bent), 0.2), 0.99)
    return round(round(said / 0.05) * 0.05, 2) if said < 0.95 else round(said, 2)
