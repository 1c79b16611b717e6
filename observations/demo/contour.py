"""Contour lines of a gridded surface, as oriented rings and polygons (marching squares).

The square-by-square method is the standard one (Lorensen & Cline 1987 give the three-dimensional form); the
two ambiguous squares are always cut apart, so that rings never touch.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from shapely.validation import make_valid

Floats = NDArray[np.float64]

# Corners of a square: bit 1 lower left, 2 lower right, 4 upper right, 8 upper left. Sides: 0 bottom, 1 right,
# 2 top, 3 left. Each pair goes from side to side with the inside on its left.
_SEGMENTS: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((0, 3),),
    2: ((1, 0),),
    3: ((1, 3),),
    4: ((2, 1),),
    5: ((0, 3), (2, 1)),
    6: ((2, 0),),
    7: ((2, 3),),
    8: ((3, 2),),
    9: ((0, 2),),
    10: ((1, 0), (3, 2)),
    11: ((1, 2),),
    12: ((3, 1),),
    13: ((0, 1),),
    14: ((3, 0),),
}


def rings(field: Floats, level: float) -> list[Floats]:
    """Closed rings around the region where ``field`` exceeds ``level``.

    ``field`` has shape (rows, columns); the rings are arrays of shape (n, 2) in grid units (column, row),
    counter-clockwise around the region and clockwise around its holes. The grid's edge closes the region.
    """
    low = min(float(field.min()), level) - 1.0
    padded = np.pad(np.where(field == level, level + 1e-9, field), 1, constant_values=low)
    rows, columns = padded.shape
    inside = padded > level
    case = (
        inside[:-1, :-1] * 1 + inside[:-1, 1:] * 2 + inside[1:, 1:] * 4 + inside[1:, :-1] * 8
    )  # of each square
    follow: dict[int, int] = {}
    vertical = rows * columns
    for kind, pairs in _SEGMENTS.items():
        i, j = np.nonzero(case == kind)
        sides = (
            i * columns + j,
            vertical + i * columns + j + 1,
            (i + 1) * columns + j,
            vertical + i * columns + j,
        )
        for start, end in pairs:
            follow.update(zip(sides[start].tolist(), sides[end].tolist(), strict=True))
    found = []
    while follow:
        first, here = follow.popitem()
        edges = [first]
        while here != first:
            edges.append(here)
            here = follow.pop(here)
        found.append(_places(np.array(edges), padded, level) - 1.0)
    return found


def _places(edges: NDArray[np.int64], padded: Floats, level: float) -> Floats:
    """Where the level crosses each grid edge, by linear interpolation, in grid units (column, row)."""
    rows, columns = padded.shape
    upright = edges >= rows * columns
    i, j = np.divmod(edges % (rows * columns), columns)
    a = padded[i, j]
    b = padded[i + upright, j + ~upright]
    share = (level - a) / (b - a)
    return np.column_stack([j + share * ~upright, i + share * upright]).astype(np.float64)


def signed_area(ring: Floats) -> float:
    """Area of a ring of shape (n, 2) by the shoelace formula; positive when counter-clockwise."""
    x, y = ring[:, 0], ring[:, 1]
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def region(
    field: Floats, level: float, spacing: float, *, least_area: float, least_hole: float, tolerance: float
) -> MultiPolygon:
    """The region where ``field`` exceeds ``level``, as valid polygons in metres from the grid's lower left.

    Parts smaller than ``least_area`` and holes smaller than ``least_hole`` (square metres) are left out;
    lines are thinned so that nothing moves by more than ``tolerance`` metres.
    """
    outer, holes = [], []
    for ring in rings(field, level):
        metres = ring * spacing
        area = signed_area(metres)
        if area >= least_area:
            outer.append(Polygon(metres))
        elif area <= -least_hole:
            holes.append(Polygon(metres[::-1]))
    parts: list[BaseGeometry] = []
    for shell in sorted(outer, key=lambda polygon: polygon.area):
        mine = [hole for hole in holes if shell.contains(hole.representative_point())]
        holes = [hole for hole in holes if hole not in mine]
        parts.append(Polygon(shell.exterior.coords, [hole.exterior.coords for hole in mine]))
    return polygons(MultiPolygon([p for p in parts if isinstance(p, Polygon)]).simplify(tolerance))


def polygons(geometry: BaseGeometry, least_area: float = 0.0) -> MultiPolygon:
    """The polygons of any geometry, made valid, their rings wound as RFC 7946 says; no lines and points."""
    valid = geometry if geometry.is_valid else make_valid(geometry)
    parts = getattr(valid, "geoms", [valid])
    flat: list[Polygon] = []
    for part in parts:
        if isinstance(part, MultiPolygon):
            flat.extend(part.geoms)
        elif isinstance(part, Polygon):
            flat.append(part)
    return MultiPolygon([orient(part) for part in flat if part.area > least_area])
