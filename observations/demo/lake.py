"""The demo club's waters: Lake Marrowby, an invented reservoir, and Tansy Pond, an invented pond.

Neither exists. They are laid over open farmland in the plains of North America (time zone America/Chicago),
where there is no lake, and every name is made up. The ground comes from a seed: a drowned river valley with
its arms and creeks, whose contours are the chart. Heights of the land and depths are in metres; depths are
below full pool.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates
from shapely.affinity import affine_transform
from shapely.geometry import LineString, MultiPolygon
from shapely.geometry.base import BaseGeometry

from observations.demo import places
from observations.demo.contour import polygons, region
from observations.demo.terrain import SPACING, Grid, Valley, bed, carve, creeks, noise

Floats = NDArray[np.float64]
Shape = TypeVar("Shape", bound=BaseGeometry)

DEPTHS = (2.0, 5.0, 10.0, 15.0, 20.0)
"""Charted depths, metres below full pool."""

TIMEZONE = "America/Chicago"
DRAWDOWN = 1.8
"""Metres from the reservoir's full pool down to its low pool."""


@dataclass(frozen=True)
class Frame:
    """Metres east and north of an origin, for ground of a few kilometres (WGS 84 radii at the origin)."""

    longitude: float
    latitude: float

    @property
    def scale(self) -> tuple[float, float]:
        """Metres in a degree of longitude and of latitude here."""
        a, flat = 6378137.0, 1 / 298.257223563
        squared = flat * (2 - flat)
        phi = math.radians(self.latitude)
        bend = 1 - squared * math.sin(phi) ** 2
        east = a / math.sqrt(bend) * math.cos(phi)
        north = a * (1 - squared) / bend**1.5
        return math.radians(east), math.radians(north)

    def lonlat(self, x: float, y: float) -> tuple[float, float]:
        """Longitude and latitude of a point in metres."""
        east, north = self.scale
        return self.longitude + x / east, self.latitude + y / north

    def metres(self, longitude: float, latitude: float) -> tuple[float, float]:
        """The reverse of :meth:`lonlat`."""
        east, north = self.scale
        return (longitude - self.longitude) * east, (latitude - self.latitude) * north

    def geographic(self, shape: Shape) -> Shape:
        """A shape in metres as longitudes and latitudes."""
        east, north = self.scale
        moved: Shape = affine_transform(shape, [1 / east, 0, 0, 1 / north, self.longitude, self.latitude])
        return moved


@dataclass(frozen=True, eq=False)
class Bottom:
    """The ground of one water, in metres of its frame."""

    frame: Frame
    grid: Grid
    depths: Floats
    valleys: tuple[Valley, ...]
    drawdown: float
    full: MultiPolygon
    low: MultiPolygon
    areas: dict[float, MultiPolygon]

    def depth(self, x: float, y: float) -> float:
        """Depth below full pool at a point in metres; negative on land."""
        return float(self.grid.sample(self.depths, np.array([x]), np.array([y]))[0])


def _charted(
    frame: Frame, grid: Grid, depths: Floats, valleys: list[Valley], drawdown: float, finer: int
) -> Bottom:
    """Contour the depths into outlines and nested depth areas, on a grid that is so many times finer."""
    corner = [1, 0, 0, 1, grid.x0, grid.y0]
    spacing = SPACING / finer
    tolerance = spacing * 0.3
    steps = np.meshgrid(*(np.arange(0, n - 1 + 1e-9, 1 / finer) for n in depths.shape), indexing="ij")
    smooth = map_coordinates(depths, np.array(steps), order=3, mode="nearest")

    def area(level: float, least: float, hole: float) -> MultiPolygon:
        found = region(smooth, level, spacing, least_area=least, least_hole=hole, tolerance=tolerance)
        return affine_transform(found, corner)

    whole = area(0.0, 20_000, 2_500)
    full = MultiPolygon([max(whole.geoms, key=lambda part: part.area)])
    low = polygons(area(drawdown, 20_000, 2_500).intersection(full), 1_000)
    low = MultiPolygon([max(low.geoms, key=lambda part: part.area)])
    areas: dict[float, MultiPolygon] = {}
    outer: BaseGeometry = full
    for level in DEPTHS:
        if float(depths.max()) <= level + 0.5:
            break
        areas[level] = polygons(area(level, 4_000, 4_000).intersection(outer), 1_000)
        outer = areas[level]
    return Bottom(frame, grid, depths, tuple(valleys), drawdown, full, low, areas)


def _bump(
    grid: Grid, ground: Floats, x: float, y: float, top: float, radius: float, rng: np.random.Generator
) -> Floats:
    """Raise a knoll with its top at a height, without digging what is higher already."""
    xs, ys = grid.axes()
    turn, stretch = rng.uniform(0, math.pi), rng.uniform(1.2, 1.9)
    dx, dy = xs[None, :] - x * 1000, ys[:, None] - y * 1000
    a, b = dx * math.cos(turn) + dy * math.sin(turn), -dx * math.sin(turn) + dy * math.cos(turn)
    shape = np.exp(-((a / (radius * 1000 * stretch)) ** 2 + (b / (radius * 1000)) ** 2))
    return np.asarray(np.where(ground < top, ground + (top - ground) * shape, ground), dtype=np.float64)


@cache
def marrowby() -> Bottom:
    """Lake Marrowby's ground; about two seconds the first time."""
    rng = np.random.default_rng(20240301)
    frame = Frame(*places.MARROWBY)
    grid = Grid(-9_700.0, -7_000.0, 780, 560)
    river = bed(places.RIVER, floor=170, slope=0.040, channel=4.0)
    arms = [bed(course, floor, slope, 2.6) for _, course, floor, slope in places.ARMS]
    side = creeks(river, rng, every=800, longest=3_000)
    for arm in arms:
        side += creeks(arm, rng, every=560, longest=2_000)
    for creek in list(side):
        if creek.length > 800:
            side += creeks(creek, rng, every=380, longest=800)
    ground = carve(grid, [river, *arms, *side], rng)
    for knoll in places.ISLANDS + places.HUMPS:
        ground = _bump(grid, ground, *knoll, rng)
    ground = gaussian_filter(ground, 0.8)
    xs, ys = grid.axes()
    for road in places.ROADS:
        line = LineString([(x * 1000, y * 1000) for x, y in road])
        fine = np.array([line.interpolate(s).coords[0] for s in np.arange(0, line.length, 10.0)])
        column = np.rint((fine[:, 0] - grid.x0) / SPACING).astype(int)
        row = np.rint((fine[:, 1] - grid.y0) / SPACING).astype(int)
        mask = np.zeros_like(ground)
        mask[row, column] = 1.0
        ground = ground + np.minimum(gaussian_filter(mask, 1.0) * 2.4, 1.1) * (ground < -1.5)
    (ax, ay), (bx, by) = places.DAM
    across = (bx - ax) * (ys[:, None] / 1000 - ay) - (by - ay) * (xs[None, :] / 1000 - ax)
    before = across * 1000 / math.hypot(bx - ax, by - ay)
    ground = np.maximum(ground, np.minimum(-0.9 * before, 9.0))
    return _charted(frame, grid, -ground, [river, *arms, *side], DRAWDOWN, 2)


@cache
def tansy() -> Bottom:
    """Tansy Pond's ground: a shallow mill pond of some sixty hectares."""
    rng = np.random.default_rng(20240302)
    grid = Grid(-1_300.0, -1_100.0, 110, 90)
    xs, ys = grid.axes()
    rise = np.full((grid.rows, grid.columns), np.inf)
    for x, y, radius in places.POND_LOBES:
        away = np.hypot(xs[None, :] / 1000 - x, ys[:, None] / 1000 - y) / radius
        rise = np.minimum(rise, 7.0 * (away**1.6 - 1.0))
    ground = gaussian_filter(np.minimum(rise, 8.0), 1.5) + 1.1 * noise(rng, grid, 320.0)
    ground += 0.55 * noise(rng, grid, 130.0)
    return _charted(Frame(*places.TANSY), grid, -np.maximum(ground, -6.4), [], 0.5, 5)
