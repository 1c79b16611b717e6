"""Who sees what of a spot: the one module that decides what leaves.

Pages, API, exports and emails show places only as this module releases them. It starts from nothing: a
spot comes out with what its viewer's level allows added, never with something taken away. Filters, order
and counts work on what is shown, so none of them can be asked about what is not.
"""

import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection
from django.http import Http404

from club.models import Level
from club.rls import AUDIENCES, FROZEN
from club.viewer import current_freeze
from spots.rules import IN_FORCE, LEVEL, POLICY_OF_GRANT

ONLY_YOU, TEAM_ONLY, SHARED = "only you", "team only", ""

# The viewer's level at every spot, and the finest minimum that an `area` of theirs may have. Row-level
# security shows only grants to the viewer's own audiences, or on spots of their own.
_SIGHT = f"""
sight AS (
    SELECT g.spot_id,
           max({LEVEL}) AS level,
           min(COALESCE(p.minimum_ha, members.minimum_ha)) FILTER (WHERE {LEVEL} = {Level.AREA}) AS minimum_ha
    FROM spots_grant g
    LEFT JOIN {POLICY_OF_GRANT}
    CROSS JOIN (SELECT minimum_ha FROM club_audiencepolicy WHERE audience = 'members') members
    WHERE {IN_FORCE}
    GROUP BY g.spot_id
)"""

# One row a spot, each column nothing unless the level gives it.
_SHOWN = """
shown AS (
    SELECT s.id, s.water_id, s.number, sight.level, s.paused_at IS NOT NULL AS paused,
        CASE WHEN sight.level = {exact} THEN sh.name END AS name,
        s.alias,
        CASE sight.level WHEN {exact} THEN sh.cover WHEN {area} THEN s.area_cover ELSE '' END AS cover,
        sh.structure, sh.depth_min_m, sh.depth_max_m, sh.provenance, sh.placed_on, sh.notes, sh.permission,
        zone.id AS zone_id, zone.water_ha AS zone_ha, zone.number AS zone_number,
        CASE WHEN pos.point IS NOT NULL THEN pos.point ELSE zone.squares END AS shown_geometry,
        CASE
            WHEN sight.level = {exact} AND pos.point IS NOT NULL THEN 'exact'
            WHEN zone.id IS NOT NULL THEN 'area'
            ELSE 'water'
        END AS precision,
        CASE WHEN sight.level = {exact} THEN s.owner = ANY ({audiences}) ELSE false END AS owned,
        CASE WHEN sight.level = {exact} THEN s.scope ELSE '' END AS scope
    FROM {spot} s
    JOIN sight ON sight.spot_id = s.id AND sight.level > {hidden}
    LEFT JOIN {sheet} sh ON sh.spot_id = s.id AND sight.level = {exact}
    LEFT JOIN {position} pos ON pos.spot_id = s.id AND sight.level = {exact}
    LEFT JOIN spots_spotzone sz
        ON sz.spot_id = s.id AND sight.level = {area} AND sz.minimum_ha = sight.minimum_ha
    LEFT JOIN spots_zone zone ON zone.id = sz.zone_id
)"""


def _shown(spot: str, sheet: str, position: str) -> str:
    body = _SHOWN.format(
        spot=spot,
        sheet=sheet,
        position=position,
        audiences=AUDIENCES,
        hidden=int(Level.HIDDEN),
        area=int(Level.AREA),
        exact=int(Level.EXACT),
    )
    return f"WITH {_SIGHT}, {body}"


def _before(kind: str) -> str:
    """Return what a row said before its first change after the viewer's cut-off on its water."""
    at = f"({FROZEN} ->> of.water_id::text)::timestamptz"
    return (
        "SELECT DISTINCT ON (p.spot_id) p.spot_id, p.row, p.point FROM spots_past p"
        f" JOIN spots_spot of ON of.id = p.spot_id WHERE p.kind = '{kind}' AND p.until > {at}"
        " ORDER BY p.spot_id, p.until, p.id"
    )


# Where the newer row is hidden (policies.py), the older one takes its place. A spot's own row cannot be
# hidden: what may have changed on it is taken from the older one, a pause since from nowhere.
_NOW = _shown("spots_spot", "spots_sheet", "spots_position")
_AT_CUT_OFF = _shown(
    f"""(SELECT n.id, n.water_id, n.number, n.owner, n.scope,
        COALESCE(o.row ->> 'alias', n.alias) AS alias, COALESCE(o.row ->> 'area_cover', n.area_cover) AS area_cover,
        CASE WHEN o.row IS NULL THEN n.paused_at ELSE (o.row ->> 'paused_at')::timestamptz END AS paused_at
        FROM spots_spot n LEFT JOIN ({_before("spot")}) o ON o.spot_id = n.id)""",
    f"""(SELECT * FROM spots_sheet UNION ALL
        SELECT (jsonb_populate_record(NULL::spots_sheet, o.row)).* FROM ({_before("sheet")}) o
        WHERE NOT EXISTS (SELECT 1 FROM spots_sheet n WHERE n.spot_id = o.spot_id))""",
    f"""(SELECT spot_id, point FROM spots_position UNION ALL
        SELECT o.spot_id, o.point FROM ({_before("position")}) o
        WHERE NOT EXISTS (SELECT 1 FROM spots_position n WHERE n.spot_id = o.spot_id))""",
)


def with_shown() -> str:
    """Return the SQL of `WITH sight, shown` for the current viewer: the one place where places come out."""
    return _AT_CUT_OFF if current_freeze().waters else _NOW


_COLUMNS = (
    "id, water_id, number, level, paused, name, alias, cover, structure, depth_min_m, depth_max_m, provenance,"
    " placed_on, notes, permission, zone_id, zone_ha, zone_number, precision, owned, scope,"
    " ST_AsGeoJSON(ST_ForcePolygonCCW(shown_geometry), 7)"
)


@dataclass(frozen=True)
class ReleasedSpot:
    """A spot as one viewer may see it now. Whatever is not theirs is None or empty."""

    id: uuid.UUID
    water_id: uuid.UUID
    number: int
    level: int
    paused: bool
    name: str | None
    alias: str
    cover: str
    structure: str | None
    depth_min_m: float | None
    depth_max_m: float | None
    provenance: str | None
    placed_on: Any
    notes: str | None
    permission: str | None
    zone_id: uuid.UUID | None
    zone_ha: float | None
    zone_number: int | None
    precision: str
    owned: bool
    scope: str
    geometry: dict[str, Any] | None

    @property
    def label(self) -> str:
        return self.name or self.alias or f"Spot {self.number}"

    @property
    def is_exact(self) -> bool:
        """True when the viewer may know everything about the place (it may still have no position)."""
        return self.level == Level.EXACT

    @property
    def sharing(self) -> str:
        """Say when few others see it: `only you`, `team only`, or nothing."""
        return sharing_of(self.scope)


def sharing_of(scope: str) -> str:
    return ONLY_YOU if scope.startswith("member:") else TEAM_ONLY if scope.startswith("team:") else SHARED


def released_spots(
    *, water_id: uuid.UUID | None = None, ids: Sequence[uuid.UUID] | None = None
) -> list[ReleasedSpot]:
    """Return the spots that the current viewer (club.viewer) sees, in a fixed order by what is shown of them."""
    where, parameters = ["true"], []
    if water_id:
        where.append("water_id = %s")
        parameters.append(water_id)
    if ids is not None:
        where.append("id = ANY (%s)")
        parameters.append(list(ids))  # type: ignore[arg-type]
    sql = (
        f"{with_shown()} SELECT {_COLUMNS} FROM shown WHERE {' AND '.join(where)}"
        " ORDER BY water_id, COALESCE(name, nullif(alias, ''), 'Spot ' || number), id"
    )
    with connection.cursor() as cursor:
        cursor.execute(sql, parameters)
        return [
            ReleasedSpot(*(*row[:-1], json.loads(row[-1]) if row[-1] else None)) for row in cursor.fetchall()
        ]


def released_spot(spot_id: uuid.UUID) -> ReleasedSpot:
    """Return one spot, or raise the same Http404 for one that is hidden and one that never was."""
    spots = released_spots(ids=[spot_id])
    if not spots:
        raise Http404
    return spots[0]
