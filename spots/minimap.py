"""A small chart around what is shown of one spot, drawn on the server as SVG without a script."""

from math import cos, radians
from typing import Any

from django.db import connection
from shapely.geometry import shape

from club.units import FOOT_M, Units
from spots.models import Water
from spots.precision import ReleasedSpot

WIDTH, HEIGHT = 440, 220
Box = tuple[float, float, float, float]
_METRES_PER_DEGREE = 111_320.0  # along a meridian, near enough for drawing
_HALF_WIDTH_M = 800.0
_TINTS = ((20, 5), (10, 4), (5, 3), (2, 2), (0, 1))

# Lengths of the scale bar, in metres, and their words in the reader's unit; a mile is 5,280 feet.
_BARS: dict[str, list[tuple[float, str]]] = {
    "m": [(5000, "5 km"), (2000, "2 km"), (1000, "1 km"), (500, "500 m"), (200, "200 m"), (100, "100 m")],
    "ft": [
        *((miles * 5280 * FOOT_M, f"{miles} mi") for miles in (4, 2, 1)),
        *((feet * FOOT_M, f"{feet} ft") for feet in (2000, 1000, 500, 250)),
    ],
}

_PATHS = """
SELECT kind, depth, ST_AsSVG(ST_Affine(
    ST_ClipByBox2D(g, ST_MakeEnvelope(%(west)s, %(south)s, %(east)s, %(north)s, 4326)),
    %(sx)s, 0, 0, %(sy)s, -%(west)s * %(sx)s, -%(north)s * %(sy)s), 1, 1)
FROM (
    SELECT 'outline' AS kind, 0::float AS depth, outline AS g FROM spots_water WHERE id = %(water)s
    UNION ALL
    SELECT 'depth', depth_m, area FROM spots_deptharea WHERE water_id = %(water)s
) parts
WHERE g IS NOT NULL ORDER BY depth
"""


def _window(spot: ReleasedSpot, water: Water) -> Box | None:
    """Return west, south, east, north around what is shown, in the picture's proportions."""
    if spot.geometry is not None:
        return window_around(shape(spot.geometry).bounds)
    return window_around(water.outline.extent) if water.outline is not None else None


def window_around(bounds: Box) -> Box:
    """Return a box in the picture's proportions, with room around these bounds, and not too small."""
    west, south, east, north = bounds
    middle = (south + north) / 2
    across = _METRES_PER_DEGREE * cos(radians(middle))
    width = max(
        (east - west) * across * 1.25,
        2 * _HALF_WIDTH_M,
        (north - south) * _METRES_PER_DEGREE * 1.25 * WIDTH / HEIGHT,
    )
    half_x, half_y = width / 2 / across, width * HEIGHT / WIDTH / 2 / _METRES_PER_DEGREE
    centre = (west + east) / 2
    return centre - half_x, middle - half_y, centre + half_x, middle + half_y


def minimap(spot: ReleasedSpot, water: Water, units: Units) -> dict[str, Any] | None:
    """Return what the template draws: paths with their tints, the sign or the squares, and a scale bar."""
    window = _window(spot, water)
    if window is None:
        return None
    west, south, east, north = window
    sx, sy = WIDTH / (east - west), HEIGHT / (north - south)
    point, squares = None, []
    if spot.geometry and spot.geometry["type"] == "Point":
        lon, lat = spot.geometry["coordinates"]
        point = (round((lon - west) * sx, 1), round((north - lat) * sy, 1))
    elif spot.geometry:
        for polygon in spot.geometry["coordinates"]:
            ring = " ".join(f"{(x - west) * sx:.1f},{(north - y) * sy:.1f}" for x, y in polygon[0])
            squares.append(ring)
    return {**ground(water, window, units), "point": point, "squares": squares}


def ground(water: Water, window: Box, units: Units) -> dict[str, Any]:
    """Return the water within a window: paths with their tints, all of them public, and a scale bar."""
    west, south, east, north = window
    sx, sy = WIDTH / (east - west), HEIGHT / (north - south)
    with connection.cursor() as cursor:
        cursor.execute(
            _PATHS,
            {
                "water": water.pk,
                "west": west,
                "south": south,
                "east": east,
                "north": north,
                "sx": sx,
                "sy": sy,
            },
        )
        rows = cursor.fetchall()
    paths = [{"kind": kind, "tint": _tint(depth), "d": d} for kind, depth, d in rows if d]
    metres = (east - west) * _METRES_PER_DEGREE * cos(radians((south + north) / 2))
    bar, bar_words = next(
        ((length, words) for length, words in _BARS[units.length] if length / metres * WIDTH < 130),
        _BARS[units.length][-1],
    )
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "paths": paths,
        "bar": bar_words,
        "bar_px": round(bar / metres * WIDTH, 1),
    }


def _tint(depth: float) -> int:
    return next(tint for edge, tint in _TINTS if depth >= edge)
