"""Publishing zones: cutting a water once, and keeping each spot in the zone it was published in."""

from django.contrib.gis.geos import GEOSGeometry, MultiPolygon, Point
from django.db import connection
from shapely import wkb

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
    zones = cut_zones(wkb.loads(bytes(water.outline.wkb)), LADDER_HA, low)
    numbers: dict[int, int] = {}
    rows = []
    for zone in sorted(zones, key=lambda z: (z.minimum_ha, -z.polygon().bounds[3], z.polygon().bounds[0])):
        numbers[zone.minimum_ha] = numbers.get(zone.minimum_ha, 0) + 1
        rows.append(
            Zone(
                water=water,
                minimum_ha=zone.minimum_ha,
                number=numbers[zone.minimum_ha],
                squares=GEOSGeometry(memoryview(wkb.dumps(zone.polygon())), srid=4326),
                water_ha=zone.water_ha,
            )
        )
    Zone.objects.bulk_create(rows)
    return len(rows)


def outline_area_ha(outline: MultiPolygon) -> float:
    """Return an outline's area on the ellipsoid, in hectares."""
    return area_ha(wkb.loads(bytes(outline.wkb)))


def metres_off(water: Water, point: Point) -> float | None:
    """Return how far outside the outline a point lies, in metres; 0 inside, None without an outline."""
    if water.outline is None:
        return None
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT ST_Distance(outline::geography, ST_SetSRID(ST_MakePoint(%s, %s), 4326)::geography)"
            " FROM spots_water WHERE id = %s",
            [point.x, point.y, water.id],
        )
        (distance,) = cursor.fetchone()
    return float(distance)


def publish_spot(spot: Spot, point: Point) -> None:
    """Put a new spot in one zone of every minimum, for good. A spot that has zones keeps them."""
    if spot.zones.exists():
        return
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT DISTINCT ON (minimum_ha) id, minimum_ha FROM spots_zone WHERE water_id = %s
            ORDER BY minimum_ha, squares <-> ST_SetSRID(ST_MakePoint(%s, %s), 4326), number
            """,
            [spot.water_id, point.x, point.y],
        )
        rows = [SpotZone(spot=spot, zone_id=zone, minimum_ha=minimum) for zone, minimum in cursor.fetchall()]
    SpotZone.objects.bulk_create(rows)


