"""Which spot a place is at: asked of `precision.py`, so that only what the asker sees exactly can answer."""

import math
import uuid
from collections.abc import Sequence
from dataclasses import dataclass

from spots.disclosure_models import Channel
from spots.precision import release

# A degree of latitude is longer than this everywhere on WGS 84; a degree of longitude shrinks with its cosine.
_METRES_A_DEGREE = 110_500
# In degrees: the box of the places with what can be near them around it is what is meant of new positions.
_MARGIN = 0.01
# Cells as large as the distance, so that what is near stands in the same or the next one: no point is compared
# with all spots.
_NEAR = """
asked AS (
    SELECT q.n, q.x, q.y, ST_SetSRID(ST_MakePoint(q.x, q.y), 4326) AS at
    FROM unnest(%(xs)s::float8[], %(ys)s::float8[]) WITH ORDINALITY AS q (x, y, n)
),
cells AS (
    SELECT asked.n, asked.at, floor(asked.x / %(across)s)::int + dx AS across, floor(asked.y / %(up)s)::int + dy AS up
    FROM asked, generate_series(-1, 1) dx, generate_series(-1, 1) dy
),
there AS MATERIALIZED (
    SELECT shown.*, floor(ST_XMin(shown.shown_geometry) / %(across)s)::int AS across,
        floor(ST_YMin(shown.shown_geometry) / %(up)s)::int AS up
    FROM shown WHERE shown.precision = 'exact'
),
near AS (
    SELECT DISTINCT ON (cells.n) cells.n, there.*,
        ST_Distance(there.shown_geometry::geography, cells.at::geography) AS metres
    FROM cells JOIN there USING (across, up)
    WHERE ST_DWithin(there.shown_geometry::geography, cells.at::geography, %(metres)s)
    ORDER BY cells.n, metres, there.id
),
leaving AS (SELECT DISTINCT ON (near.id) near.* FROM near ORDER BY near.id)
"""
# A row for each place, also where nothing is near as yet: `release` opens what is new only for an answer with rows.
_ANSWER = "asked.n, near.id, near.metres FROM asked LEFT JOIN near ON near.n = asked.n ORDER BY asked.n"


@dataclass(frozen=True)
class Near:
    """A spot that the viewer sees exactly, and how far it is, in metres."""

    spot_id: uuid.UUID
    metres: float


def nearest_spots(
    places: Sequence[tuple[float, float]], *, within_m: float, water_id: uuid.UUID | None = None
) -> list[Near | None]:
    """Return for each (latitude, longitude) the nearest spot that the viewer sees exactly, within so many metres.

    Spots of others that are an answer are written down as shown to the viewer, and the daily cap holds: a
    spot that it holds back is none.
    """
    if not places or within_m <= 0:
        return [None] * len(places)
    lats, lons = [lat for lat, _ in places], [lon for _, lon in places]
    up = within_m / _METRES_A_DEGREE
    farthest_north = min(max(abs(lat) for lat in lats) + 0.1, 89.9)
    across = up / math.cos(math.radians(farthest_north))
    rows = release(
        _NEAR,
        _ANSWER,
        {"xs": lons, "ys": lats, "metres": within_m, "up": up, "across": across},
        channel=Channel.IMPORT,
        water_id=water_id,
        box=(min(lons) - _MARGIN, min(lats) - _MARGIN, max(lons) + _MARGIN, max(lats) + _MARGIN),
    )
    return [Near(key, float(metres)) if key else None for _, key, metres in rows]
