"""Where the positions of a file lie: on which water, how far off, how far apart. Many at once, by PostGIS."""

import uuid
from collections.abc import Sequence

from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError
from django.db import connection

from spots.models import Water
from spots.zones import OUTSIDE_ALLOWED_M, off_outline

# Degrees that hold OUTSIDE_ALLOWED_M east or west up to latitude 85, beyond which no water is taken.
_NEAR_DEGREES = 0.01


def holding_waters(points: Sequence[Point]) -> list[Water | None]:
    """Return for each point the water whose outline holds it, or else is nearest within the allowed 50 m."""
    found = _first_waters(
        points,
        f"w.outline && ST_Expand(p.at, {_NEAR_DEGREES}) AND {off_outline('p.at')} <= {OUTSIDE_ALLOWED_M}",
        "off, w.name",
    )
    waters = Water.objects.in_bulk([water for water, _ in found.values()])
    return [waters[found[n][0]] if n in found else None for n in range(len(points))]


def nearest_waters(points: Sequence[Point]) -> list[tuple[str, float] | None]:
    """Return for each point the name of the nearest outline and its distance in metres."""
    found = _first_waters(points, "w.outline IS NOT NULL", "w.outline <-> p.at")
    waters = Water.objects.in_bulk([water for water, _ in found.values()])
    return [(waters[found[n][0]].name, found[n][1]) if n in found else None for n in range(len(points))]


def on_no_water(nearest: tuple[str, float] | None, exchanged: Water | None) -> str:
    """Say that a position lies on no water: which is nearest, and which would hold it the other way round."""
    words = f"It lies on no water: none has an outline that holds it or ends within {OUTSIDE_ALLOWED_M} m."
    if nearest:
        name, metres = nearest
        distance = f"{metres:,.0f} m" if metres < 10_000 else f"{metres / 1000:,.0f} km"
        words += f" The nearest is {name}, {distance} away."
    if exchanged:
        words += f" With latitude and longitude exchanged it would lie on {exchanged.name}."
    return words


def water_at(point: Point) -> Water:
    """Return the water that a position lies on. Raises ValidationError, of `position`, for one that is on none."""
    [found] = holding_waters([point])
    if found is None:
        [near] = nearest_waters([point])
        [other] = holding_waters([Point(point.y, point.x, srid=4326)])
        raise ValidationError({"position": on_no_water(near, other)})
    return found


def _first_waters(points: Sequence[Point], where: str, order: str) -> dict[int, tuple[uuid.UUID, float]]:
    with connection.cursor() as cursor:
        cursor.execute(
            f"""
            SELECT DISTINCT ON (p.n) p.n - 1, w.id, {off_outline("p.at")} AS off
            FROM (
                SELECT n, ST_SetSRID(ST_MakePoint(x, y), 4326) AS at
                FROM unnest(%s::float8[], %s::float8[]) WITH ORDINALITY AS q (x, y, n)
            ) p JOIN spots_water w ON {where}
            ORDER BY p.n, {order}
            """,  # noqa: S608 - both are written above
            [[point.x for point in points], [point.y for point in points]],
        )
        return {n: (water, float(off)) for n, water, off in cursor.fetchall()}


def metres_between(pairs: Sequence[tuple[Point, Point]]) -> list[float]:
    """Return the geodesic distance of each pair of points, in metres, on WGS 84."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT ST_Distance(ST_SetSRID(ST_MakePoint(a, b), 4326)::geography,"
            " ST_SetSRID(ST_MakePoint(c, d), 4326)::geography)"
            " FROM unnest(%s::float8[], %s::float8[], %s::float8[], %s::float8[])"
            " WITH ORDINALITY AS q (a, b, c, d, n) ORDER BY n",
            [
                [first.x for first, _ in pairs],
                [first.y for first, _ in pairs],
                [second.x for _, second in pairs],
                [second.y for _, second in pairs],
            ],
        )
        return [float(metres) for (metres,) in cursor.fetchall()]
