"""The spots an importer sees exactly, by water and name. No other spot exists for an import."""

import math
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.contrib.gis.geos import Point

from spots.disclosure_models import Channel
from spots.precision import ReleasedSpot, release, released_spots


def name_key(name: str) -> str:
    """Return what two spellings of one name share: letters in any case, spaces in any number."""
    return " ".join(name.split()).casefold()


@dataclass(frozen=True)
class Known:
    """A spot that is there already, or that this file will create."""

    id: uuid.UUID
    water_id: uuid.UUID
    name: str
    point: Point | None
    scope: str


def _known(spot: ReleasedSpot, name: str) -> Known:
    point = None
    if spot.geometry and spot.geometry["type"] == "Point":
        longitude, latitude = spot.geometry["coordinates"]
        point = Point(longitude, latitude, srid=4326)
    return Known(spot.id, spot.water_id, name, point, spot.scope)


class KnownSpots:
    """Spots by (water, name)."""

    def __init__(self, names: Iterable[str], water_id: uuid.UUID | None = None) -> None:
        """`names` are those that the file gives a position for: only theirs are compared, and so disclosed."""
        self._by_name: dict[str, list[Known]] = {}
        self._tried: dict[tuple[str, uuid.UUID], int] = {}
        self._by_id: dict[str, Known] = {}
        spots = [spot for spot in released_spots(water_id=water_id, channel=Channel.UNSEEN) if spot.is_exact]
        placed = {name_key(name) for name in names}
        compared = [spot.id for spot in spots if name_key(spot.label) in placed]
        at = {spot.id: spot for spot in released_spots(ids=compared, channel=Channel.IMPORT)}
        for spot in spots:
            self.add(_known(at.get(spot.id, spot), spot.label))

    def add(self, spot: Known) -> None:
        self._by_name.setdefault(name_key(spot.name), []).append(spot)
        self._by_id[str(spot.id)] = spot

    def of_id(self, key: str) -> Known | None:
        """Return the spot that had this id where the file came from, if it came from here."""
        return self._by_id.get(key.strip().casefold())

    def named(self, name: str, water_id: uuid.UUID | None = None) -> list[Known]:
        """Return the spots of that name on one water, or on any."""
        spots = self._by_name.get(name_key(name), [])
        return [spot for spot in spots if water_id in (None, spot.water_id)]

    def free_name(self, name: str, water_id: uuid.UUID) -> str:
        """Return the name, or the name with the first number that makes it new on this water."""
        if not self.named(name, water_id):
            return name
        at = (name_key(name), water_id)
        for number in range(self._tried.get(at, 1) + 1, 1_000_000):
            numbered = f"{name[:70]} ({number})"
            if not self.named(numbered, water_id):
                self._tried[at] = number
                return numbered
        raise ValueError("there are a million spots of one name")


# A degree of latitude is longer than this everywhere on WGS 84; a degree of longitude shrinks with its cosine.
_METRES_A_DEGREE = 110_500
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


def nearest_known(points: Sequence[Point], metres: float) -> list[tuple[uuid.UUID, float] | None]:
    """Return for each point the spot seen exactly that lies nearest within so many metres, and how far off.

    Only those are disclosed, as a distance from an imported position.
    """
    out: list[tuple[uuid.UUID, float] | None] = [None] * len(points)
    if not points or metres <= 0:
        return out
    xs, ys = [point.x for point in points], [point.y for point in points]
    up = metres / _METRES_A_DEGREE
    farthest_north = min(max(abs(y) for y in ys) + 0.1, 89.9)
    across = up / math.cos(math.radians(farthest_north))
    parameters = {"xs": xs, "ys": ys, "metres": metres, "up": up, "across": across}
    box = (min(xs) - 0.01, min(ys) - 0.01, max(xs) + 0.01, max(ys) + 0.01)
    rows = release(_NEAR, "n, id, metres FROM near", parameters, channel=Channel.IMPORT, box=box)
    for number, key, off in rows:
        out[number - 1] = (key, float(off))
    return out
