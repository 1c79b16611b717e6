"""Publishing zones: cutting a water once, and keeping each spot in the zone it was published in."""

import uuid
from collections import Counter
from collections.abc import Iterable, Sequence

from django.contrib.gis.geos import GEOSGeometry, MultiPolygon, Point
from django.db import connection
from django.db.models import Count
from shapely import wkb
from shapely.geometry.base import BaseGeometry

from club.models import LADDER_HA
from spots.geometry.equalarea import area_ha
from spots.geometry.zones import cut_zones
from spots.models import Spot, SpotZone, Water, Zone

# A bank laydown may lie a little outside the outline at low pool (DESIGN §6).
OUTSIDE_ALLOWED_M = 50


def publish_zones(water: Water) -> int:
    """Cut a water that has an outline and no zones yet; return how many zones it has. Never cuts again."""
    existing = water.zones.count()
    if existing or water.outline is None:
        return existing
    low = wkb.loads(bytes(water.low_outline.wkb)) if water.low_outline else None
    cut = cut_zones(wkb.loads(bytes(water.outline.wkb)), LADDER_HA, low)
    numbers: dict[int, int] = {}
    rows = []
    drawn = [(zone, zone.polygon()) for zone in cut]
    for zone, squares in sorted(
        drawn, key=lambda pair: (pair[0].minimum_ha, -pair[1].bounds[3], pair[1].bounds[0])
    ):
        numbers[zone.minimum_ha] = numbers.get(zone.minimum_ha, 0) + 1
        rows.append(
            Zone(
                water=water,
                minimum_ha=zone.minimum_ha,
                number=numbers[zone.minimum_ha],
                squares=_multipolygon(squares),
                water_ha=zone.water_ha,
            )
        )
    Zone.objects.bulk_create(rows)
    return len(rows)


def _multipolygon(shape: BaseGeometry) -> MultiPolygon:
    geometry = GEOSGeometry(memoryview(wkb.dumps(shape)), srid=4326)
    assert isinstance(geometry, MultiPolygon)  # noqa: S101
    return geometry


def outline_area_ha(outline: MultiPolygon) -> float:
    """Return an outline's area on the ellipsoid, in hectares."""
    return area_ha(wkb.loads(bytes(outline.wkb)))


def metres_off(water: Water, point: Point) -> float | None:
    """Return how far outside the outline a point lies, in metres; 0 inside, None without an outline."""
    return metres_off_all([(water, point)])[0]


def metres_off_all(places: Sequence[tuple[Water, Point]]) -> list[float | None]:
    """Return `metres_off` of many points, each with its water, in their order."""
    ids = [water.pk for water, _ in places]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT ST_Distance(w.outline::geography, ST_SetSRID(ST_MakePoint(p.x, p.y), 4326)::geography)"
            " FROM unnest(%s::uuid[], %s::float8[], %s::float8[]) WITH ORDINALITY AS p (water, x, y, n)"
            " JOIN spots_water w ON w.id = p.water ORDER BY p.n",
            [ids, [point.x for _, point in places], [point.y for _, point in places]],
        )
        return [None if off is None else float(off) for (off,) in cursor.fetchall()]


def publish_spot(spot: Spot, point: Point) -> None:
    """Put a new spot in one zone of every minimum, for good. A spot that has zones keeps them."""
    publish_spots([(spot, point)])


def _nearest_zones(
    places: Iterable[tuple[Spot, Point]], where: str, order: str
) -> list[tuple[uuid.UUID, uuid.UUID, int]]:
    """Return (spot, zone, minimum) of the first zone in this order of every minimum, for each place."""
    places = list(places)
    with connection.cursor() as cursor:
        cursor.execute(
            f"""
            SELECT p.spot, near.id, near.minimum_ha
            FROM (
                SELECT spot, water, ST_SetSRID(ST_MakePoint(x, y), 4326) AS at
                FROM unnest(%s::uuid[], %s::uuid[], %s::float8[], %s::float8[]) AS q (spot, water, x, y)
            ) p
            CROSS JOIN LATERAL (
                SELECT DISTINCT ON (z.minimum_ha) z.id, z.minimum_ha FROM spots_zone z
                WHERE z.water_id = p.water AND {where}
                ORDER BY z.minimum_ha, {order}
            ) near
            """,  # noqa: S608 - both are written above and below
            [
                [spot.pk for spot, _ in places],
                [spot.water_id for spot, _ in places],
                [point.x for _, point in places],
                [point.y for _, point in places],
            ],
        )
        return [(spot, zone, minimum) for spot, zone, minimum in cursor.fetchall()]


def publish_spots(places: Sequence[tuple[Spot, Point]]) -> None:
    """Publish many spots, as `publish_spot` does one."""
    published = SpotZone.objects.filter(spot__in=[spot.pk for spot, _ in places])
    done = set(published.values_list("spot_id", flat=True))
    new = {spot.pk: (spot, point) for spot, point in places if spot.pk not in done}
    rows = _nearest_zones(new.values(), "ST_Intersects(z.squares, p.at)", "z.number")
    # Off the outline a zone may be near without holding the point; only then are all of them measured.
    per_water = Zone.objects.order_by().values_list("water_id")
    minima = dict(per_water.annotate(Count("minimum_ha", distinct=True)))
    held = Counter(spot for spot, _, _ in rows)
    found = {(spot, minimum) for spot, _, minimum in rows}
    outside = [pair for pk, pair in new.items() if held[pk] < minima.get(pair[0].water_id, 0)]
    rows += [
        row
        for row in _nearest_zones(outside, "true", "z.squares <-> p.at, z.number")
        if (row[0], row[2]) not in found
    ]
    SpotZone.objects.bulk_create(
        SpotZone(spot_id=spot, zone_id=zone, minimum_ha=minimum) for spot, zone, minimum in rows
    )
