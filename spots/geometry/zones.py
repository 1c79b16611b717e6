"""Cutting a water into published zones, from its public outline alone.

Every zone is a set of whole map squares that together hold at least the minimum of water, and zones of a
larger minimum are unions of zones of a smaller one. Nothing here knows that spots exist. All the water of
a zone is the pre-image of what it shows.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import shapely
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from spots.geometry.equalarea import project, to_equal_area
from spots.geometry.squares import Square, square_holding

# No square finer than this is ever cut; at 45 degrees it is some 110 m wide, 1.2 ha.
FINEST_ZOOM = 18


@dataclass(frozen=True)
class CutZone:
    """One zone: its squares and the hectares of water they hold."""

    minimum_ha: int
    squares: tuple[Square, ...]
    water_ha: float

    def polygon(self) -> MultiPolygon:
        """Return the squares, merged where they touch, in degrees."""
        merged = shapely.union_all([square.polygon() for square in self.squares])
        if isinstance(merged, MultiPolygon):
            return merged
        assert isinstance(merged, Polygon)  # noqa: S101
        return MultiPolygon([merged])


@dataclass
class _Piece:
    """A square with the water in it, projected; `wet` counts what stays at low pool."""

    square: Square
    full: BaseGeometry
    wet: BaseGeometry
    ha: float = field(init=False)

    def __post_init__(self) -> None:
        self.ha = float(self.wet.area) / 1e4

    def cut(self) -> list["_Piece"]:
        out = []
        for child in self.square.children():
            frame = _frame(child)
            full = shapely.intersection(self.full, frame)
            if full.area > 0:
                out.append(_Piece(child, full, shapely.intersection(self.wet, frame)))
        return out


def _frame(square: Square) -> BaseGeometry:
    import numpy as np

    west, south, east, north = square.bounds()
    corners = project(np.array([[west, south], [east, north]]))
    return box(corners[0, 0], corners[0, 1], corners[1, 0], corners[1, 1])


def cut_zones(
    outline: BaseGeometry, ladder_ha: Sequence[int], low_outline: BaseGeometry | None = None
) -> list[CutZone]:
    """Return the zones of a water for every minimum of the ladder that the water is at least as large as.

    Parameters
    ----------
    outline
        Polygon or multipolygon at full pool, longitude and latitude in degrees.
    ladder_ha
        The published minima, in hectares.
    low_outline
        The outline at low pool. Where given, the smaller water counts.

    Notes
    -----
    From the largest minimum to the smallest, each zone of the step before is cut again by itself, so that
    unions nest. A square is cut while it holds twice the minimum; what then holds too little joins the
    neighbouring zone with the least water, smallest first.
    """
    full = to_equal_area(outline).buffer(0)
    wet = (
        shapely.intersection(full, to_equal_area(low_outline).buffer(0)) if low_outline is not None else full
    )
    start = _Piece(square_holding(outline.bounds), full, wet)
    parents: list[list[_Piece]] = [[start]]
    zones: list[CutZone] = []
    for minimum in sorted(ladder_ha, reverse=True):
        if start.ha < minimum:
            continue
        parents = [group for parent in parents for group in _divide(parent, minimum)]
        zones += [
            CutZone(minimum, _wet_squares(group, minimum), sum(piece.ha for piece in group))
            for group in parents
        ]
    return zones


def _wet_squares(group: Iterable[_Piece], minimum: float) -> tuple[Square, ...]:
    """Return a zone's squares, none much larger than the minimum, and none that is dry.

    The water is the same, so what is shown tells no more; a square of empty country only hides the chart.
    """
    squares: list[Square] = []
    queue = list(group)
    while queue:
        piece = queue.pop()
        if _frame(piece.square).area > 4 * minimum * 1e4 and piece.square.zoom < FINEST_ZOOM:
            queue += piece.cut()
        else:
            squares.append(piece.square)
    return tuple(sorted(squares))


def _divide(parent: Iterable[_Piece], minimum: float) -> list[list[_Piece]]:
    """Divide one zone into zones of at least `minimum` hectares."""
    pieces: list[_Piece] = []
    queue = list(parent)
    while queue:
        piece = queue.pop()
        if piece.ha >= 2 * minimum and piece.square.zoom < FINEST_ZOOM:
            queue += piece.cut()
        else:
            pieces.append(piece)
    pieces.sort(key=lambda piece: piece.square)
    return _merge([[piece] for piece in pieces], minimum)


def _merge(groups: list[list[_Piece]], minimum: float) -> list[list[_Piece]]:
    """Join groups that hold too little to the neighbour with the least, smallest first."""
    live = dict(enumerate(groups))
    ha = {key: sum(piece.ha for piece in group) for key, group in live.items()}
    touching: dict[int, set[int]] = {key: set() for key in live}
    keys = sorted(live)
    for i, one in enumerate(keys):
        for two in keys[i + 1 :]:
            if _share_a_side(live[one][0].square, live[two][0].square):
                touching[one].add(two)
                touching[two].add(one)
    while len(live) > 1:
        small = min(live, key=lambda key: (ha[key], key))
        if ha[small] >= minimum:
            break
        # A part of the zone may touch nothing of it: then the least of all takes it in.
        others = touching[small] or set(live) - {small}
        into = min(others, key=lambda key: (ha[key], key))
        live[into] += live.pop(small)
        ha[into] += ha.pop(small)
        for key in touching.pop(small):
            touching[key].discard(small)
            if key != into:
                touching[key].add(into)
                touching[into].add(key)
    return [live[key] for key in sorted(live)]


def _share_a_side(one: Square, two: Square) -> bool:
    zoom = max(one.zoom, two.zoom)
    left, right, top, bottom = one.at_zoom(zoom)
    left2, right2, top2, bottom2 = two.at_zoom(zoom)
    across = min(right, right2) - max(left, left2)
    down = min(bottom, bottom2) - max(top, top2)
    return (across == 0 and down > 0) or (down == 0 and across > 0)
