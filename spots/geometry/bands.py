"""Depth at `area`: each zone's own bands, from public contours alone.

A depth narrows a search as a square does, so it is cut as squares are: into cells of water, each of which
holds its minimum, and each a union of the cells of the next finer minimum. Whatever two audiences are shown
then meets in a cell of the finer one, never in less.

A band that cuts a zone cleanly in two may cut the finer zones inside it into slivers. Then those finer cells
are told no depth at all at the coarser minimum: they are a cell of their own, "none", which holds the minimum
too, because that no depth is shown is also something shown.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from spots.geometry.equalarea import area_ha

# From and to, in metres below full pool; to is None for the deepest band.
Band = tuple[float, float | None]


@dataclass(frozen=True)
class PublishedZone:
    """A zone as it was cut: a number of the caller's, its minimum, and its squares in degrees."""

    key: int
    minimum_ha: int
    squares: BaseGeometry


@dataclass(frozen=True)
class DepthCell:
    """The smallest cell that any audience is shown: part of one zone of the finest minimum.

    `bands` says what a spot in it is shown at each minimum; a minimum that is missing shows no depth.
    `water_ha` is what remains of it at low pool.
    """

    zone: int
    area: MultiPolygon
    water_ha: float
    bands: dict[int, Band]


@dataclass
class _Unit:
    """Water that is shown the same: the numbers of its atoms, its least and greatest class of depth, hectares."""

    atoms: list[int]
    first: int
    last: int
    ha: float
    band: tuple[int, int] | None = None


def cut_bands(
    outline: BaseGeometry,
    zones: Sequence[PublishedZone],
    deeper_than: Sequence[tuple[float, BaseGeometry]],
    low_outline: BaseGeometry | None = None,
) -> list[DepthCell]:
    """Return the cells of a water, those of one zone in order of depth.

    Parameters
    ----------
    outline, low_outline
        Polygons at full and at low pool, in degrees. Where the second is given, the smaller water counts.
    zones
        All the published zones of the water.
    deeper_than
        Pairs of a depth in metres below full pool and the area that is deeper, in degrees.
    """
    depths = [0.0, *sorted({depth for depth, _ in deeper_than})]
    ladder = sorted({zone.minimum_ha for zone in zones})
    if len(depths) == 1 or not ladder:
        return []
    finest = [zone for zone in zones if zone.minimum_ha == ladder[0]]
    classes = _classes(outline, depths, deeper_than)
    low = low_outline.buffer(0) if low_outline is not None else None

    areas: list[MultiPolygon] = []
    homes: list[PublishedZone] = []
    units: list[_Unit] = []
    for zone in finest:
        cut = [_polygons(shapely.intersection(one, zone.squares)) for one in classes]
        there = [_Unit([k], k, k, _wet_ha(area, low)) for k, area in enumerate(cut) if not area.is_empty]
        for unit in _joined(there, ladder[0], len(classes)):
            units.append(replace(unit, atoms=[len(areas)]))
            areas.append(_polygons(shapely.union_all([cut[k] for k in unit.atoms])))
            homes.append(zone)
    water_ha = [unit.ha for unit in units]
    bands: list[dict[int, Band]] = [{} for _ in areas]
    for minimum in ladder:
        if minimum != ladder[0]:
            within = _zones_over(homes, [zone for zone in zones if zone.minimum_ha == minimum])
            inside: dict[int, list[_Unit]] = {}
            for unit in units:
                inside.setdefault(within[unit.atoms[0]], []).append(unit)
            units = [unit for group in inside.values() for unit in _joined(group, minimum, len(classes))]
        for unit in units:
            if unit.band:
                start, end = unit.band
                for atom in unit.atoms:
                    bands[atom][minimum] = (depths[start], depths[end] if end < len(depths) else None)
    return [
        DepthCell(home.key, area, ha, shown)
        for home, area, ha, shown in zip(homes, areas, water_ha, bands, strict=True)
    ]


def _zones_over(homes: Sequence[PublishedZone], coarser: Sequence[PublishedZone]) -> list[int]:
    """Return, for each of `homes`, the index of the coarser zone that it is part of."""
    points = [home.squares.representative_point() for home in homes]
    found = shapely.STRtree([zone.squares for zone in coarser]).query(points, predicate="within")
    within = dict(zip(found[0].tolist(), found[1].tolist(), strict=True))
    return [within[i] for i in range(len(homes))]


def _classes(
    outline: BaseGeometry, depths: Sequence[float], deeper_than: Sequence[tuple[float, BaseGeometry]]
) -> list[BaseGeometry]:
    """Return the water by class of depth: in the k-th, `depths[k]` is the greatest depth it is said to exceed."""
    left: BaseGeometry = outline.buffer(0)
    out: list[BaseGeometry] = []
    for depth in reversed(depths[1:]):
        deeper = shapely.union_all([area.buffer(0) for at, area in deeper_than if at == depth])
        out.append(shapely.intersection(left, deeper))
        left = shapely.difference(left, deeper)
    return [left, *reversed(out)]


def _polygons(shape: BaseGeometry) -> MultiPolygon:
    """Return the polygons of an overlay: it may leave points and lines where two areas touch."""
    parts = [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and part.area > 0]
    return MultiPolygon(parts)


def _wet_ha(area: BaseGeometry, low: BaseGeometry | None) -> float:
    return area_ha(shapely.intersection(area, low) if low is not None else area)


def _joined(units: Sequence[_Unit], minimum: float, classes: int) -> list[_Unit]:
    """Join the units of one zone into cells of at least `minimum` hectares, each with its band or none.

    Bands are merged from the shallowest until each holds the minimum. A unit that reaches over the edge of a
    band is told none; where those are too few, the smallest bands join them.
    """
    cuts: list[int] = [0]
    for end in range(1, classes + 1):
        if sum(unit.ha for unit in units if cuts[-1] <= unit.first and unit.last < end) >= minimum:
            cuts.append(end)
    # What lies below the last band is too little: it belongs to that band.
    if len(cuts) > 1:
        cuts[-1] = classes
    bands: dict[tuple[int, int], list[_Unit]] = {}
    none: list[_Unit] = []
    edges = list(pairwise(cuts))
    for unit in units:
        band = next(((low, high) for low, high in edges if low <= unit.first and unit.last < high), None)
        if band is None:
            none.append(unit)
        else:
            bands.setdefault(band, []).append(unit)
    while bands and none and _ha(none) < minimum:
        none += bands.pop(min(bands, key=lambda band: (_ha(bands[band]), band)))
    if len(bands) == 1 and not none:
        none += bands.popitem()[1]
    cells = [_cell(inside, band) for band, inside in sorted(bands.items())]
    return [*cells, _cell(none, None)] if none else cells


def _ha(units: Sequence[_Unit]) -> float:
    return sum(unit.ha for unit in units)


def _cell(units: Sequence[_Unit], band: tuple[int, int] | None) -> _Unit:
    return _Unit(
        sorted(atom for unit in units for atom in unit.atoms),
        min(unit.first for unit in units),
        max(unit.last for unit in units),
        _ha(units),
        band,
    )
