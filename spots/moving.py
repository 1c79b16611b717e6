"""A spot that has moved: whether it left the zone that it is published in, and what follows it then.

A published zone never changes. A small move, a second look by GPS or a correction keeps it, and keeps the band
of depth; a spot that is found well outside is another one from then on, its successor. Only who sees both
exactly can tell that they belong together: the successor has a number of its own and no alias, and below
`exact` it appears with the next month, so that the one does not go in the moment in which the other comes.
"""

import uuid
from datetime import datetime

from django.contrib.gis.geos import Point
from django.db import connection
from django.db.models import Q

from spots.batches import Batch
from spots.models import Grant, Spot

# How far outside its zone a spot may be found and keep it: what a laydown may lie off the outline.
STAYS_WITHIN_M = 50

_LEFT = """
    SELECT ST_Distance(z.squares::geography, at.point) > %(within)s
        -- Of the cells that are shown as this spot is, the nearest is far.
        OR sz.band_from_m IS NOT NULL AND (
            SELECT min(ST_Distance(c.area::geography, at.point)) > %(within)s
            FROM spots_depthcell c JOIN spots_zone fine ON fine.id = c.zone_id
            WHERE fine.water_id = z.water_id AND ST_Covers(z.squares, ST_PointOnSurface(c.area))
              AND (c.bands -> sz.minimum_ha::text ->> 0)::float = sz.band_from_m
              AND (c.bands -> sz.minimum_ha::text ->> 1)::float IS NOT DISTINCT FROM sz.band_to_m)
    FROM spots_spotzone sz JOIN spots_zone z ON z.id = sz.zone_id
    CROSS JOIN (SELECT ST_SetSRID(ST_MakePoint(%(x)s, %(y)s), 4326)::geography AS point) at
    WHERE sz.spot_id = %(spot)s AND sz.minimum_ha = (
        SELECT min(minimum_ha) FROM club_audiencepolicy)
"""


def leaves_its_zone(spot: Spot, point: Point) -> bool:
    """Say whether a point lies outside the finest zone in which anybody is shown a spot, or its band there."""
    with connection.cursor() as cursor:
        cursor.execute(_LEFT, {"within": STAYS_WITHIN_M, "x": point.x, "y": point.y, "spot": spot.pk})
        row = cursor.fetchone()
    return bool(row and row[0])


def sights_of_a_successor(old: Spot, new: Spot, moment: datetime, by: uuid.UUID | None) -> list[Grant]:
    """Return rows that give others of the new spot what they have of the old; below `exact` from next month."""
    batch = Batch(moment)
    rows = Grant.objects.filter(spot=old, replaced_at=None).exclude(audience=old.owner)
    out = []
    for row in rows.filter(Q(ends_at=None) | Q(ends_at__gt=moment)).order_by("audience", "id"):
        starts = batch.starts(row.audience, row.level, row.starts_at)
        if starts and row.ends_at and starts >= row.ends_at:
            continue
        out.append(
            Grant(
                spot=new,
                audience=row.audience,
                level=row.level,
                starts_at=starts,
                ends_at=row.ends_at,
                owner=new.owner,
                created_at=moment,
                created_by_id=by,
            )
        )
    return out
