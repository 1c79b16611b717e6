"""Where the demo's spots lie: places on the invented ground that fit their structure and cover."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter
from shapely.geometry import LineString

from observations.demo import places
from observations.demo.lake import Bottom, Floats
from observations.demo.terrain import SPACING

Mask = NDArray[np.bool_]

# (structure, cover, how many, shallowest, deepest), depths in metres below full pool.
MARROWBY_PLAN: tuple[tuple[str, str, int, float, float], ...] = (
    ("channel swing bank", "brush pile", 12, 4.5, 9.0),
    ("channel swing bank", "standing timber", 6, 6.0, 11.0),
    ("channel swing bank", "laydown", 3, 2.0, 5.0),
    ("creek mouth", "brush pile", 9, 3.0, 7.5),
    ("creek mouth", "stake bed", 4, 2.5, 5.0),
    ("creek mouth", "stump field", 4, 2.5, 6.0),
    ("point", "brush pile", 9, 3.0, 7.0),
    ("point", "rock pile", 8, 2.0, 6.0),
    ("point", "none", 4, 3.0, 8.0),
    ("hump", "brush pile", 4, 3.5, 8.0),
    ("hump", "rock pile", 3, 3.5, 8.0),
    ("hump", "none", 3, 4.0, 9.0),
    ("saddle", "none", 3, 4.0, 9.0),
    ("saddle", "crib", 2, 4.0, 9.0),
    ("ledge", "none", 6, 5.0, 11.0),
    ("ledge", "brush pile", 6, 5.0, 10.0),
    ("drop-off", "crib", 5, 5.0, 9.0),
    ("drop-off", "rock pile", 4, 4.0, 9.0),
    ("flat", "stake bed", 6, 2.0, 4.5),
    ("flat", "stump field", 7, 2.0, 5.5),
    ("flat", "crib", 4, 3.5, 6.5),
    ("flat", "vegetation", 5, 1.0, 3.0),
    ("roadbed", "none", 4, 4.0, 11.0),
    ("roadbed", "brush pile", 4, 4.0, 10.0),
    ("cove", "laydown", 6, 1.0, 3.5),
    ("cove", "dock", 6, 1.2, 3.5),
    ("cove", "vegetation", 4, 1.0, 2.8),
    ("bank", "dock", 5, 1.2, 4.0),
    ("bank", "laydown", 5, 1.2, 4.0),
    ("bank", "riprap", 4, 1.5, 6.0),
    ("bridge", "bridge", 4, 2.5, 9.0),
)

TANSY_PLAN: tuple[tuple[str, str, int, float, float], ...] = (
    ("flat", "vegetation", 2, 1.0, 2.8),
    ("bank", "dock", 2, 1.0, 2.5),
    ("flat", "brush pile", 2, 2.5, 5.0),
    ("bank", "laydown", 1, 1.0, 2.5),
    ("drop-off", "none", 1, 3.5, 6.0),
)

# At or beyond the bank, where a spot must lie within some metres of the shore.
BANKSIDE = {"bank", "cove"}
STRUCTURE_NAME = {"bridge": "channel", "bank": "bank", "cove": "cove"}


@dataclass(frozen=True)
class Site:
    """A place for a spot: metres in the water's frame, its structure and cover, the bottom's depth there."""

    x: float
    y: float
    structure: str
    cover: str
    shallow_m: float
    deep_m: float
    near: str


class Ground:
    """Measures of a water's ground on its grid, from which places are chosen."""

    def __init__(self, bottom: Bottom) -> None:
        self.bottom = bottom
        depths = bottom.depths
        self.x, self.y = bottom.grid.axes()
        rise = np.gradient(gaussian_filter(depths, 1.0), SPACING)
        self.slope: Floats = np.hypot(rise[0], rise[1])
        water = depths > 0
        self.shore: Floats = np.asarray(distance_transform_edt(water), dtype=np.float64) * SPACING
        self.land: Floats = gaussian_filter((~water).astype(np.float64), 220 / SPACING)

    def near(self, points: Floats, radius: float) -> Mask:
        """Grid points within ``radius`` metres of any of the points (n, 2)."""
        grid = self.bottom.grid
        empty = np.ones(self.bottom.depths.shape, dtype=bool)
        column = np.rint((points[:, 0] - grid.x0) / SPACING).astype(int)
        row = np.rint((points[:, 1] - grid.y0) / SPACING).astype(int)
        kept = (column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)
        empty[row[kept], column[kept]] = False
        return np.asarray(distance_transform_edt(empty) * SPACING <= radius)

    def suits(self, structure: str, cover: str) -> Mask:
        """Grid points that have a structure (and, for a bridge or riprap, lie at one)."""
        valleys = self.bottom.valleys
        knolls = np.array([knoll[:2] for knoll in places.ISLANDS]) * 1000
        humps = np.array([hump[:2] for hump in places.HUMPS]) * 1000
        if cover == "riprap":
            lines = [places.DAM, *((a, b) for _, a, b in places.BRIDGES)]
            return self.near(np.concatenate([_fine(list(line)) for line in lines]), 330) & (self.shore <= 60)
        if structure == "channel swing bank":
            beds = np.concatenate([valley.points[:, :2] for valley in valleys[:6]])
            return self.near(beds, 240) & ~self.near(beds, 50) & (self.slope > 0.025)
        if structure == "creek mouth":
            mouths = [valley.at(s)[:2] for valley in valleys[6:] if valley.length > 700 for s in (0.3, 0.45)]
            return self.near(np.array(mouths), 110)
        if structure == "hump":
            return self.near(humps, 130)
        if structure == "saddle":
            return self.near(knolls, 480) & ~self.near(knolls, 260) & (self.slope < 0.03)
        if structure in ("ledge", "drop-off"):
            return np.asarray(self.slope > np.quantile(self.slope[self.bottom.depths > 2], 0.8))
        if structure == "flat":
            return np.asarray(self.slope < np.quantile(self.slope[self.bottom.depths > 1], 0.3))
        if structure == "roadbed":
            return self.near(np.concatenate([_fine(list(road)) for road in places.ROADS]), 20)
        if structure == "bridge":
            return self.near(np.concatenate([_fine([a, b]) for _, a, b in places.BRIDGES]), 20)
        if structure == "point":
            return (self.land < 0.30) & (self.shore <= 150)
        if structure == "cove":
            return (self.land > 0.58) & (self.shore <= (40 if cover in ("dock", "laydown") else 90))
        return np.asarray((self.shore <= 38) & (self.land < 0.58))


def _fine(line: list[tuple[float, float]]) -> Floats:
    """Points every 12 m along a line given in kilometres."""
    metres = LineString([(x * 1000, y * 1000) for x, y in line])
    return np.array([metres.interpolate(s).coords[0] for s in np.arange(0, metres.length, 12.0)])


def choose(
    bottom: Bottom,
    plan: tuple[tuple[str, str, int, float, float], ...],
    names: list[places.Name],
    rng: np.random.Generator,
    *,
    apart: float = 150.0,
) -> list[Site]:
    """Sites for a plan, at least ``apart`` metres from each other and off the dam's closure."""
    ground = Ground(bottom)
    depths = bottom.depths
    open_water = depths > 0.8
    if bottom.valleys:
        open_water &= ~ground.near(_fine(list(places.DAM)), places.DAM_CLOSURE_M + 20)
    found: list[Site] = []
    for structure, cover, number, least, most in plan:
        fits = ground.suits(structure, cover) & open_water & (depths >= least) & (depths <= most)
        rows, columns = np.nonzero(fits)
        order = rng.permutation(len(rows))
        taken = 0
        for index in order:
            x = float(ground.x[columns[index]] + rng.uniform(-7, 7))
            y = float(ground.y[rows[index]] + rng.uniform(-7, 7))
            if any(math.hypot(x - site.x, y - site.y) < apart for site in found):
                continue
            around = [
                bottom.depth(x + 15 * math.cos(a), y + 15 * math.sin(a)) for a in np.arange(0, 6.3, 0.7)
            ]
            shallow, deep = max(min(around), 0.3), max(max(around), 0.6)
            label = STRUCTURE_NAME.get(structure, structure)
            found.append(Site(x, y, label, cover, round(shallow, 1), round(deep, 1), _nearest(names, x, y)))
            taken += 1
            if taken == number:
                break
    return found


def _nearest(names: list[places.Name], x: float, y: float) -> str:
    """The nearest name of a water or an island or point, by straight line."""
    return min(
        (name for name in names if name.kind != "land"),
        key=lambda name: math.hypot(name.x * 1000 - x, name.y * 1000 - y),
        default=names[0],
    ).text
