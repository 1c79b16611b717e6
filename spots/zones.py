"""Publishing zones: cutting a water once, and keeping each spot in the zone it was published in."""

import json
import uuid
from collections import Counter
from collections.abc import Iterable, Sequence

from django.contrib.gis.geos import GEOSGeometry, MultiPolygon, Point
from django.db import connection
from django.db.models import Count, Min
from shapely import wkb
from shapely.geometry.base import BaseGeometry

from club.counting import grew
from club.models import LADDER_HA, AudiencePolicy
from spots.geometry.bands import PublishedZone, cut_bands
from spots.geometry.equalarea import area_ha
from spots.geometry.zones import cut_zones
from spots.models import DepthCell, Spot, SpotZone, Water, Zone

# A bank laydown may lie a little outside the outline at low pool (DESIGN §6).
OUTSIDE_ALLOWED_M = 50


def publish_zones(water: Water) -> int:
    """Cut a water that has an outline and no zones yet; return how many zones it has. Never cuts again."""
    existing = water.zones.count()
    if existing or water.outline is None:
        return existing
    low = _shape(water.low_outline) if water.low_outline else None
    cut = cut_zones(_shape(water.outline), LADDER_HA, low)
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


def publish_bands(water: Water) -> int:
    """Cut the depths of a water whose contours have just come; return how many cells it has. Never cuts again.

    Call it when a water's contours are stored for the first time, before spots are placed where possible: a
    spot that was published without a band keeps on showing none.

    Bands are cut for the minima from the finest that any audience has now: a band of depth that did not cut
    some zone of 2 ha into slivers hardly exists. Spots published afterwards are shown in no finer zone on this
    water, to nobody, even where a finer minimum is set later (`publish_spots`).
    """
    existing = DepthCell.objects.filter(zone__water=water).count()
    contours = list(water.depth_areas.all())
    finest = AudiencePolicy.objects.aggregate(finest=Min("minimum_ha"))["finest"]
    if existing or water.outline is None or not contours or finest is None:
        return existing
    zones = list(water.zones.filter(minimum_ha__gte=finest))
    cells = cut_bands(
        _shape(water.outline),
        [PublishedZone(i, zone.minimum_ha, _shape(zone.squares)) for i, zone in enumerate(zones)],
        [(contour.depth_m, _shape(contour.area)) for contour in contours],
        _shape(water.low_outline) if water.low_outline else None,
    )
    if not any(cell.bands for cell in cells):
        return 0
    numbers: Counter[int] = Counter()
    rows = []
    for cell in cells:
        numbers[cell.zone] += 1
        rows.append(
            DepthCell(
                zone=zones[cell.zone],
                number=numbers[cell.zone],
                area=_multipolygon(cell.area),
                water_ha=cell.water_ha,
                bands={str(minimum): band for minimum, band in cell.bands.items()},
            )
        )
    DepthCell.objects.bulk_create(rows)
    return len(rows)


def _shape(geometry: GEOSGeometry) -> BaseGeometry:
    return wkb.loads(bytes(geometry.wkb))


def _multipolygon(shape: BaseGeometry) -> MultiPolygon:
    geometry = GEOSGeometry(memoryview(wkb.dumps(shape)), srid=4326)
    assert isinstance(geometry, MultiPolygon)  # noqa: S101
    return geometry


def outline_area_ha(outline: MultiPolygon) -> float:
    """Return an outline's area on the ellipsoid, in hectares."""
    return area_ha(_shape(outline))


def metres_off(water: Water, point: Point) -> float | None:
    """Return how far outside the outline a point lies, in metres; 0 inside, None without an outline."""
    return metres_off_all([(water, point)])[0]


def off_outline(at: str) -> str:
    """Return the SQL expression of how many metres the point of SQL expression `at` lies off water `w`.

    Most lie on it, which is asked first: it costs a hundredth of a geodesic distance.
    """
    return (
        f"CASE WHEN ST_Covers(w.outline, {at}) THEN 0"
        f" ELSE ST_Distance(w.outline::geography, {at}::geography) END"
    )


_OFF_ALL = (
    f"SELECT {off_outline('p.at')} FROM"  # noqa: S608 - written above
    " (SELECT n, water, ST_SetSRID(ST_MakePoint(x, y), 4326) AS at"
    " FROM unnest(%s::uuid[], %s::float8[], %s::float8[]) WITH ORDINALITY AS q (water, x, y, n)) p"
    " JOIN spots_water w ON w.id = p.water ORDER BY p.n"
)


def metres_off_all(places: Sequence[tuple[Water, Point]]) -> list[float | None]:
    """Return `metres_off` of many points, each with its water, in their order."""
    ids = [water.pk for water, _ in places]
    with connection.cursor() as cursor:
        cursor.execute(
            _OFF_ALL,
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
    SpotZone.objects.bulk_create(_with_bands(rows, new))
    grew(len(rows), SpotZone)


def _with_bands(
    rows: Sequence[tuple[uuid.UUID, uuid.UUID, int]], places: dict[uuid.UUID, tuple[Spot, Point]]
) -> list[SpotZone]:
    """Return the rows to store: each with the band of depth it is shown with, none finer than bands were cut for.

    The band is that of the public contours at the spot's position, not of the depth that its owner states:
    whoever searches goes by the chart, and by the chart alone it can be counted how much water is left. Off
    the outline the nearest water counts.
    """
    cells = _cells_of(rows, places)
    zones = {(spot, minimum): zone for spot, zone, minimum in rows}
    out = []
    for spot, zone, minimum in rows:
        floor, bands = cells.get(spot, (0, {}))
        band = bands.get(str(max(minimum, floor)), (None, None))
        out.append(
            SpotZone(
                spot_id=spot,
                zone_id=zones[spot, floor] if minimum < floor else zone,
                minimum_ha=minimum,
                band_from_m=band[0],
                band_to_m=band[1],
            )
        )
    return out


def _cells_of(
    rows: Sequence[tuple[uuid.UUID, uuid.UUID, int]], places: dict[uuid.UUID, tuple[Spot, Point]]
) -> dict[uuid.UUID, tuple[int, dict[str, tuple[float, float | None]]]]:
    """Return the minimum of the cells and the bands at each minimum, for spots where depths were cut."""
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT p.spot, p.minimum, cell.bands
            FROM unnest(%s::uuid[], %s::uuid[], %s::int[], %s::float8[], %s::float8[]) AS p (spot, zone, minimum, x, y)
            CROSS JOIN LATERAL (
                SELECT c.bands FROM spots_depthcell c WHERE c.zone_id = p.zone
                ORDER BY ST_Distance(c.area, ST_SetSRID(ST_MakePoint(p.x, p.y), 4326)), c.number LIMIT 1
            ) cell
            """,
            [
                [spot for spot, _, _ in rows],
                [zone for _, zone, _ in rows],
                [minimum for _, _, minimum in rows],
                [places[spot][1].x for spot, _, _ in rows],
                [places[spot][1].y for spot, _, _ in rows],
            ],
        )
        return {spot: (minimum, json.loads(bands)) for spot, minimum, bands in cursor.fetchall()}
