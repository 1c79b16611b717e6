"""Which spot a place is at: asked of `precision.py`, so that only what the asker sees exactly can answer."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass

from spots.disclosure_models import Channel
from spots.precision import release

# The nearest exact spot of each place asked about. Only a spot that is the answer to one of them leaves.
_ASKED = """
asked AS (
    SELECT n, ST_SetSRID(ST_MakePoint(x, y), 4326)::geography AS at
    FROM unnest(%(xs)s::float8[], %(ys)s::float8[]) WITH ORDINALITY AS q (x, y, n)
),
paired AS (
    SELECT asked.n, shown.id, ST_Distance(shown.shown_geometry::geography, asked.at) AS metres
    FROM asked JOIN shown ON shown.precision = 'exact'
        AND ST_DWithin(shown.shown_geometry::geography, asked.at, %(within)s)
),
nearest AS (SELECT DISTINCT ON (n) n, id, metres FROM paired ORDER BY n, metres, id),
leaving AS (SELECT shown.* FROM shown WHERE shown.id IN (SELECT nearest.id FROM nearest))
"""
_ANSWER = (
    "asked.n, nearest.id, nearest.metres FROM asked LEFT JOIN nearest ON nearest.n = asked.n ORDER BY asked.n"
)


@dataclass(frozen=True)
class Near:
    """A spot that the viewer sees exactly, and how far it is, in metres."""

    spot_id: uuid.UUID
    metres: float


def nearest_spots(
    places: Sequence[tuple[float, float]], *, within_m: float, water_id: uuid.UUID
) -> list[Near | None]:
    """Return for each (latitude, longitude) the nearest spot that the viewer sees exactly, within so many metres.

    Spots of others that are an answer are written down as shown to the viewer, and the daily cap holds: a
    spot that it holds back is none.
    """
    if not places:
        return []
    lats, lons = [lat for lat, _ in places], [lon for _, lon in places]
    rows = release(
        _ASKED,
        _ANSWER,
        {"xs": lons, "ys": lats, "within": within_m},
        channel=Channel.IMPORT,
        water_id=water_id,
        box=(min(lons), min(lats), max(lons), max(lats)),
    )
    return [Near(spot, float(metres)) if spot else None for _, spot, metres in rows]
