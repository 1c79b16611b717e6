"""Where things are on the invented waters: the course of the valleys, hills, humps, roads and names.

Coordinates are kilometres east and north of each water's origin; heights are metres above full pool.
"""

from __future__ import annotations

from typing import NamedTuple

# Origins (longitude, latitude) in open farmland; no lake is there.
MARROWBY = (-97.780, 41.020)
TANSY = (-97.560, 41.115)

RIVER = [
    (8.9, -4.3, -28.5),
    (7.2, -3.5, -27.0),
    (5.6, -2.5, -26.0),
    (4.0, -2.9, -24.5),
    (2.6, -1.7, -22.5),
    (1.2, -0.5, -20.5),
    (-0.6, -0.9, -18.0),
    (-2.0, -2.0, -15.5),
    (-3.6, -1.6, -13.0),
    (-4.7, -0.1, -10.5),
    (-5.9, 0.7, -8.0),
    (-7.0, 0.3, -5.5),
    (-8.0, 1.1, -3.0),
    (-9.0, 1.6, 1.5),
]

# Arms, each from its mouth in the river upstream: (name, course, floor half-width, side slope).
ARMS: list[tuple[str, list[tuple[float, float, float]], float, float]] = [
    (
        "Sedge Arm",
        [(1.2, -0.5, -20.5), (1.7, 1.0, -16), (2.7, 2.3, -12), (2.4, 3.5, -8), (3.0, 4.5, -4), (3.3, 5.6, 2)],
        90,
        0.054,
    ),
    (
        "Kiln Arm",
        [
            (4.0, -2.9, -24.5),
            (4.6, -0.9, -18),
            (5.8, 0.6, -13),
            (6.0, 1.9, -8),
            (7.1, 3.1, -3.5),
            (7.6, 4.2, 2),
        ],
        80,
        0.058,
    ),
    (
        "Tollgate Arm",
        [
            (-0.6, -0.9, -18),
            (-1.5, 0.9, -13),
            (-2.5, 2.1, -9),
            (-2.3, 3.4, -6),
            (-3.4, 4.4, -2.5),
            (-3.9, 5.2, 2),
        ],
        70,
        0.062,
    ),
    (
        "Orchard Arm",
        [
            (2.6, -1.7, -22.5),
            (1.8, -3.2, -16),
            (0.6, -3.9, -11),
            (-0.5, -5.0, -6),
            (-1.5, -5.5, -2),
            (-2.3, -5.9, 2),
        ],
        90,
        0.056,
    ),
    (
        "Church Arm",
        [(-3.6, -1.6, -13), (-4.4, -2.9, -10), (-5.6, -3.5, -6.5), (-6.6, -4.5, -2.5), (-7.2, -5.2, 2)],
        70,
        0.064,
    ),
]

# Knolls that become islands, and humps that stay under water: (x, y, height of the top, radius in km).
ISLANDS = [
    (5.05, -3.35, 7.0, 0.19),
    (0.35, -0.05, 5.0, 0.16),
    (-3.05, -2.3, 4.5, 0.13),
    (2.15, 1.9, 4.0, 0.12),
    (6.75, -2.75, 4.5, 0.14),
]
HUMPS = [
    (3.2, -1.5, -4.5, 0.13),
    (4.75, -1.95, -6.0, 0.15),
    (1.45, -1.35, -5.0, 0.12),
    (-1.35, -1.0, -3.8, 0.11),
    (6.2, -3.6, -7.0, 0.16),
    (2.0, -2.6, -5.5, 0.11),
    (-4.15, -1.15, -3.2, 0.09),
]

# The drowned roads, one metre proud of the ground around them.
ROADS = [
    [(-2.9, -3.6), (-2.2, -2.2), (-1.1, -0.5), (-0.3, 0.9)],
    [(3.4, -4.4), (3.7, -2.6), (3.6, -0.9), (3.2, 0.4)],
]

DAM = ((7.35, -5.6), (8.35, -1.9))
"""The dam's line, south to north; the lake lies west of it."""

BRIDGES = [
    ("Kiln Bridge", (5.30, 0.95), (6.25, 0.85)),
    ("Tollgate Bridge", (-3.15, 1.95), (-1.85, 2.25)),
]


class Name(NamedTuple):
    """A name on the chart; kind is "reach", "arm", "creek", "point", "island" or "land"."""

    text: str
    x: float
    y: float
    kind: str

    @property
    def on_water(self) -> bool:
        """Whether it names water (and is written on it)."""
        return self.kind in {"reach", "arm", "creek"}


NAMES = [
    Name("The Basin", 6.95, -3.45, "reach"),
    Name("Haymaker Reach", 3.05, -2.3, "reach"),
    Name("Ferry Narrows", 0.55, -0.35, "reach"),
    Name("Long Reach", -2.4, -1.75, "reach"),
    Name("Withy Reach", -5.0, 0.55, "reach"),
    Name("Sedge Arm", 2.45, 1.75, "arm"),
    Name("Kiln Arm", 5.55, 0.25, "arm"),
    Name("Tollgate Arm", -1.8, 1.45, "arm"),
    Name("Orchard Arm", 0.75, -3.85, "arm"),
    Name("Church Arm", -5.65, -3.35, "arm"),
    Name("Plum Creek", 6.45, 0.33, "creek"),
    Name("Flint Creek", 6.0, -4.3, "creek"),
    Name("Bittern Creek", 4.0, -0.4, "creek"),
    Name("Cold Ash Creek", 1.7, 3.35, "creek"),
    Name("Burdock Creek", 0.6, -1.3, "creek"),
    Name("Dry Sister Creek", -6.75, -0.15, "creek"),
    Name("Marl Creek", 6.6, 3.1, "creek"),
    Name("Hazel Creek", -2.02, -1.1, "creek"),
    Name("Ferry Point", 0.2, 0.3, "point"),
    Name("Haymaker Point", 3.4, -1.2, "point"),
    Name("Heron Neck", 0.95, -1.1, "point"),
    Name("Walnut Point", 1.35, -2.45, "point"),
    Name("Church Point", -5.2, -2.75, "point"),
    Name("Ewe Island", 5.44, 1.85, "island"),
    Name("Kiln Islands", 4.62, -1.85, "island"),
    Name("Lantern Island", -3.05, -2.31, "island"),
    Name("Withy Island", -6.08, 0.30, "island"),
    Name("Marrowby", -1.3, -3.4, "land"),
    Name("Tollgate", -0.6, 2.6, "land"),
    Name("Sorrel Hill", 4.0, 2.6, "land"),
    Name("Quarry Hill", -4.2, 2.6, "land"),
    Name("Dam", 8.3, -3.4, "land"),
]

# Launch ramps: the shore nearest to these points.
RAMPS = [
    ("Basin Ramp", 6.55, -2.75),
    ("Ferry Ramp", -0.15, -0.75),
    ("Tollgate Ramp", -2.0, 1.8),
]

# Hazards: (what, x, y), kept in the water.
HAZARDS = [
    ("Stumps, awash at low pool", -4.62, -1.42),
    ("Rock shelf off the point", 3.42, -1.60),
    ("Old road bed comes ashore", -2.28, -2.28),
    ("Standing timber just under water", 2.2, 3.55),
    ("Fence posts on the flat", -5.95, -2.95),
]

# No-wake zones: (name, west, south, east, north); the water inside the box.
NO_WAKE = [
    ("Plum Creek, no wake", 6.2, 0.05, 7.2, 0.9),
    ("Tollgate Bridge, no wake", -3.1, 1.85, -1.8, 2.4),
]

# Where boats may not go: this far from the dam's line, metres.
DAM_CLOSURE_M = 260.0

# The pond's shape: lobes (x, y, radius in km).
POND_LOBES = [(0.0, 0.0, 0.34), (0.36, 0.16, 0.25), (-0.3, -0.2, 0.2), (0.1, -0.3, 0.2), (0.62, 0.3, 0.13)]
POND_NAMES = [
    Name("Tansy Pond", 0.05, 0.0, "reach"),
    Name("Mill Dam", -0.62, -0.42, "land"),
]
POND_RAMP = ("Pond Slip", -0.45, -0.35)
