"""An invented drowned valley: a river with its arms and creeks, carved into smooth noise.

Heights are metres above full pool (negative under water) on a square grid; everything is drawn from a seed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates

Floats = NDArray[np.float64]

SPACING = 25.0
"""Metres between grid points."""


@dataclass(frozen=True)
class Valley:
    """A stream bed from its mouth upstream: points (x, y, height), metres; and the shape of its sides."""

    points: Floats
    floor: float
    slope: float
    channel: float

    @property
    def length(self) -> float:
        """Length along the bed in metres."""
        return float(np.hypot(*np.diff(self.points[:, :2], axis=0).T).sum())

    def at(self, share: float) -> tuple[float, float, float]:
        """The point (x, y, height) at a share of the way upstream."""
        x, y, z = self.points[round(share * (len(self.points) - 1))]
        return float(x), float(y), float(z)


@dataclass(frozen=True)
class Grid:
    """A square grid: its lower left corner and its number of columns and rows."""

    x0: float
    y0: float
    columns: int
    rows: int

    def axes(self) -> tuple[Floats, Floats]:
        """The x of each column and the y of each row, metres."""
        x = self.x0 + SPACING * np.arange(self.columns, dtype=np.float64)
        y = self.y0 + SPACING * np.arange(self.rows, dtype=np.float64)
        return x.astype(np.float64), y.astype(np.float64)

    def sample(self, field: Floats, x: Floats, y: Floats) -> Floats:
        """``field`` at points in metres, by linear interpolation; the edge value outside."""
        where = np.array([(np.asarray(y) - self.y0) / SPACING, (np.asarray(x) - self.x0) / SPACING])
        return np.asarray(map_coordinates(field, where, order=1, mode="nearest"), dtype=np.float64)


def bed(control: list[tuple[float, float, float]], floor: float, slope: float, channel: float) -> Valley:
    """A valley through control points (x, y in kilometres; height in metres), from its mouth upstream."""
    points = np.array(control, dtype=np.float64)
    points[:, :2] *= 1000.0
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points[:, :2], axis=0).T))])
    fine = np.arange(0.0, along[-1], 12.0)
    xy = CubicSpline(along, points[:, :2])(fine)
    z = PchipInterpolator(along, points[:, 2])(fine)
    return Valley(np.column_stack([xy, z]), floor, slope, channel)


def creeks(parent: Valley, rng: np.random.Generator, every: float, longest: float) -> list[Valley]:
    """Side creeks of a valley, left and right in turn, ``every`` so many metres on average."""
    found = []
    at, side = every * 0.6, 1.0 if rng.random() < 0.5 else -1.0
    length = parent.length
    while at < length * 0.93:
        x, y, z = parent.at(at / length)
        if z < -1.5:
            back = parent.at(max(at / length - 0.02, 0.0))
            heading = np.arctan2(y - back[1], x - back[0]) + side * np.radians(rng.uniform(48, 82))
            reach = longest * rng.uniform(0.35, 1.0) * min(1.0, 0.35 + -z / 14.0)
            found.append(_creek(x, y, z, heading, reach, rng))
        at += every * rng.uniform(0.55, 1.5)
        side = -side if rng.random() < 0.8 else side
    return found


def _creek(x: float, y: float, z: float, heading: float, reach: float, rng: np.random.Generator) -> Valley:
    """A winding creek of about ``reach`` metres that rises from the parent's bed to dry land."""
    steps = max(4, int(reach / 180))
    bends = heading + np.cumsum(rng.normal(0.0, 0.28, steps))
    xs = x + np.concatenate([[0.0], np.cumsum(np.cos(bends) * reach / steps)])
    ys = y + np.concatenate([[0.0], np.cumsum(np.sin(bends) * reach / steps)])
    rise = np.linspace(0.0, 1.0, steps + 1) ** 0.9
    zs = z + (2.5 - z) * rise
    control = [(float(a) / 1000, float(b) / 1000, float(c)) for a, b, c in zip(xs, ys, zs, strict=True)]
    return bed(control, floor=rng.uniform(10, 55), slope=rng.uniform(0.045, 0.08), channel=1.2)


def noise(rng: np.random.Generator, grid: Grid, wave: float) -> Floats:
    """Smooth noise of unit spread whose features are about ``wave`` metres across."""
    rough = rng.standard_normal((grid.rows, grid.columns))
    smooth = gaussian_filter(rough, wave / SPACING / 3.0, mode="reflect")
    return np.asarray((smooth - smooth.mean()) / smooth.std(), dtype=np.float64)


def carve(grid: Grid, valleys: list[Valley], rng: np.random.Generator) -> Floats:
    """Heights of shape (rows, columns): valleys worn into rolling ground, sides uneven, banks wandering."""
    steep = np.exp(0.42 * noise(rng, grid, 1400.0) + 0.25 * noise(rng, grid, 500.0))
    roll = 3.4 * noise(rng, grid, 1100.0) + 1.9 * noise(rng, grid, 480.0) + 0.9 * noise(rng, grid, 200.0)
    total = np.full((grid.rows, grid.columns), -np.inf)
    soft = 1.1
    for valley in valleys:
        window, height = _sides(grid, valley, steep, roll)
        total[window] = np.logaddexp(total[window], -height / soft)
    ground = np.where(np.isfinite(total), -soft * total, 60.0)
    rows, columns = np.mgrid[0 : grid.rows, 0 : grid.columns].astype(np.float64)
    rows += (105.0 * noise(rng, grid, 800.0) + 28.0 * noise(rng, grid, 260.0)) / SPACING
    columns += (105.0 * noise(rng, grid, 800.0) + 28.0 * noise(rng, grid, 260.0)) / SPACING
    warped = map_coordinates(ground, np.array([rows, columns]), order=1, mode="nearest")
    return np.asarray(gaussian_filter(warped, 0.7), dtype=np.float64)


def _sides(grid: Grid, valley: Valley, steep: Floats, roll: Floats) -> tuple[tuple[slice, slice], Floats]:
    """One valley's surface, on the window of the grid that it can shape."""
    # Beyond this its sides stand far above every other valley's, and shape nothing.
    margin = int((2600 if valley.channel > 2 else 1100) / SPACING)
    column = np.rint((valley.points[:, 0] - grid.x0) / SPACING).astype(int)
    row = np.rint((valley.points[:, 1] - grid.y0) / SPACING).astype(int)
    kept = (column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)
    column, row, points = column[kept], row[kept], valley.points[kept]
    top, left = max(row.min() - margin, 0), max(column.min() - margin, 0)
    window = (
        slice(top, min(row.max() + margin, grid.rows)),
        slice(left, min(column.max() + margin, grid.columns)),
    )
    empty = np.ones((window[0].stop - window[0].start, window[1].stop - window[1].start), dtype=bool)
    which = np.zeros(empty.shape, dtype=int)
    empty[row - top, column - left] = False
    which[row - top, column - left] = np.arange(len(points))
    _, nearest = distance_transform_edt(empty, return_indices=True)
    index = which[nearest[0], nearest[1]]
    xs, ys = grid.axes()
    away = np.hypot(xs[window[1]][None, :] - points[index, 0], ys[window[0]][:, None] - points[index, 1])
    up = np.maximum(away - valley.floor, 0.0)
    side = valley.slope * steep[window] * up * (1.0 + up / 2500.0)
    cut = valley.channel * np.exp(-((away / 55.0) ** 2))
    uneven = roll[window] * (0.25 + 0.75 * np.clip(up / 350.0, 0.0, 1.0))
    return window, points[index, 2] + side - cut + uneven + valley.channel * 0.3
