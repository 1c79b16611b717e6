"""Who sees what of a spot: the one module that decides what leaves.

Pages, API, exports and emails show places only as this module releases them. It starts from nothing: a
spot comes out with what its viewer's level allows added, never with something taken away. Filters, order
and counts work on what is shown, so none of them can be asked about what is not.

Every exact position that leaves is written down here, in the request in which it does (`release`), and so
is the daily cap on new ones: what it holds back is shown as its zone.
"""

import json
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection
from django.http import Http404

from club.models import Level
from club.rls import AUDIENCES, FROZEN, MEMBER, MOMENT
from club.viewer import current_freeze
from spots.disclosure_models import Channel
from spots.models import Position
from spots.rules import IN_FORCE, LEVEL, POLICY_OF_GRANT, TODAY, VIEWER

ONLY_YOU, TEAM_ONLY, SHARED = "only you", "team only", ""

_ASKED = "(%(ids)s::uuid[] IS NULL OR s.id = ANY (%(ids)s)) AND (%(water)s::uuid IS NULL OR s.water_id = %(water)s)"

# Which grants a request can be about at all, so that a club's other waters cost nothing: those of the spots
# and the water asked for, and with a box those of waters that reach into it. A spot lies on its water or up to
# 50 m off it, its zone is made of squares that cover the water; without an outline it may lie anywhere.
_NEAR = """(%(ids)s::uuid[] IS NULL OR g.spot_id = ANY (%(ids)s))
    AND (%(water)s::uuid IS NULL OR g.water_id = %(water)s)
    AND (%(west)s::float IS NULL OR g.water_id = ANY (ARRAY(
        SELECT w.id FROM spots_water w WHERE w.outline IS NULL
            OR ST_Expand(w.outline, 0.01) && ST_MakeEnvelope(%(west)s, %(south)s, %(east)s, %(north)s, 4326)
        UNION SELECT z.water_id FROM spots_zone z
        WHERE z.squares && ST_MakeEnvelope(%(west)s, %(south)s, %(east)s, %(north)s, 4326))))"""

# The viewer's level at every spot, and the finest minimum that an `area` of theirs may have; `held_ha` is
# that of an exact spot that the cap holds back. Row-level security shows only grants to the viewer's own
# audiences, or on spots of their own.
_GRANTED = f"""
granted AS (
    SELECT g.spot_id,
           max({LEVEL}) AS level,
           min(COALESCE(p.minimum_ha, members.minimum_ha)) FILTER (WHERE {LEVEL} = {Level.AREA}) AS minimum_ha,
           min(COALESCE(p.minimum_ha, members.minimum_ha)) FILTER (WHERE {LEVEL} >= {Level.AREA}) AS held_ha,
           bool_or(g.owner = ANY ({AUDIENCES})) AS own,
           -- Shown exactly to all members by the club, or to everybody: the cap is not about these.
           bool_or({LEVEL} = {Level.EXACT} AND (g.audience = 'public'
               OR g.owner = 'organisers' AND g.audience IN ('guest', 'members'))) AS to_all
    FROM spots_grant g
    LEFT JOIN {POLICY_OF_GRANT}
    CROSS JOIN (SELECT minimum_ha FROM club_audiencepolicy WHERE audience = 'members') members
    WHERE {IN_FORCE} AND {_NEAR}
    GROUP BY g.spot_id
),
-- With the zone of an `area`, and of an exact spot that the cap may hold back, as one reading of that table.
zoned AS (
    SELECT granted.*, sz.zone_id, sz.band_from_m, sz.band_to_m
    FROM granted
    LEFT JOIN spots_spotzone sz
        ON sz.spot_id = CASE WHEN granted.level = {Level.AREA}
            OR granted.level = {Level.EXACT} AND NOT granted.own AND NOT granted.to_all THEN granted.spot_id END
        AND sz.minimum_ha = CASE WHEN granted.level = {Level.AREA} THEN granted.minimum_ha ELSE granted.held_ha END
)"""

# The daily cap. `fresh` are the exact positions that this viewer never opened and that count; those that the
# request is about, by the zone they would be held back to, come first, in a fixed order.
_SIGHT = f"""
fresh AS (
    SELECT new.*, row_number() OVER (ORDER BY new.meant DESC, new.spot_id) AS place
    FROM (
        SELECT zoned.spot_id, %(west)s::float IS NULL OR zone.squares IS NULL OR ST_Intersects(
            zone.squares, ST_MakeEnvelope(%(west)s, %(south)s, %(east)s, %(north)s, 4326)) AS meant
        FROM zoned LEFT JOIN spots_zone zone ON zone.id = zoned.zone_id
        WHERE zoned.level = {Level.EXACT} AND NOT zoned.own AND NOT zoned.to_all AND {MEMBER} IS NOT NULL
          AND NOT EXISTS (SELECT 1 FROM spots_own_disclosure d WHERE d.spot_id = zoned.spot_id)
          AND EXISTS (SELECT 1 FROM {{position}} pos WHERE pos.spot_id = zoned.spot_id)
    ) new
),
opening AS (
    SELECT asked.number, CASE WHEN asked.number > 0 THEN (SELECT openings_per_day FROM club_club)
        - (SELECT count(*) FROM spots_own_disclosure d WHERE d.day = {TODAY} AND d.counts) ELSE 0 END AS left_today
    FROM (SELECT count(*) FILTER (WHERE meant) AS number FROM fresh) asked
),
sight AS (
    SELECT seen.spot_id, seen.own, seen.held, seen.new, seen.zone_id, seen.band_from_m, seen.band_to_m,
        CASE WHEN seen.held THEN {Level.AREA} ELSE seen.level END AS level,
        CASE WHEN seen.held THEN seen.held_ha ELSE seen.minimum_ha END AS minimum_ha
    FROM (
        SELECT zoned.*, fresh.spot_id IS NOT NULL AS new,
            CASE WHEN fresh.spot_id IS NULL THEN false
                 WHEN %(unseen)s THEN opening.left_today <= 0
                 ELSE NOT (fresh.meant AND fresh.place <= opening.left_today AND %(may_open)s) END AS held
        FROM zoned LEFT JOIN fresh ON fresh.spot_id = zoned.spot_id CROSS JOIN opening
    ) seen
)"""

# One row a spot, each column nothing unless the level gives it.
#
# At `area` that is the zone and the zone's band of depth, whose water holds the minimum (spots/geometry), and
# neither structure nor cover, whatever they are. Structure (a point, a channel, a creek mouth) can be read off
# the public contours, and no zone is cut by it: the water of one structure in one zone is a few hectares. Of
# cover, public geometry says where some of it is: docks, bridges, riprap, laydowns stand on the bank or are
# seen from the air. To withhold only these would tell them: no cover shown would mean the strip along the bank,
# which is less than the minimum. So nothing is said of any cover, and its absence says nothing.
_SHOWN = """
shown AS (
    SELECT s.id, s.water_id, s.number, sight.level, s.paused_at IS NOT NULL AS paused,
        CASE WHEN sight.level = {exact} THEN sh.name END AS name,
        s.alias,
        COALESCE(sh.cover, '') AS cover,
        sh.structure, sh.depth_min_m, sh.depth_max_m, sh.provenance, sh.placed_on, sh.notes, sh.permission,
        CASE WHEN sh.rest_until > {today} THEN sh.rest_until END AS rest_until, sh.come_back,
        zone.id AS zone_id, zone.water_ha AS zone_ha, zone.number AS zone_number,
        zone.minimum_ha AS zone_rung_ha,
        CASE WHEN zone.id IS NOT NULL THEN sight.band_from_m END AS band_from_m,
        CASE WHEN zone.id IS NOT NULL THEN sight.band_to_m END AS band_to_m,
        CASE WHEN pos.point IS NULL THEN zone.squares
             WHEN NOT %(unseen)s OR sight.own THEN pos.point END AS shown_geometry,
        CASE
            WHEN sight.level = {exact} AND pos.point IS NOT NULL THEN 'exact'
            WHEN zone.id IS NOT NULL THEN 'area'
            ELSE 'water'
        END AS precision,
        CASE WHEN sight.level = {exact} THEN s.owner = ANY ({audiences}) ELSE false END AS owned,
        CASE WHEN sight.level = {exact} THEN s.scope ELSE '' END AS scope,
        sight.held, sight.new
    FROM {spot} s
    JOIN sight ON sight.spot_id = s.id AND sight.level > {hidden}
    -- As the key itself, so that a row which is not for this level is not even fetched.
    LEFT JOIN {sheet} sh ON sh.spot_id = CASE WHEN sight.level = {exact} THEN s.id END
    LEFT JOIN {position} pos ON pos.spot_id = CASE WHEN sight.level = {exact} THEN s.id END
    LEFT JOIN spots_zone zone ON zone.id = CASE WHEN sight.level = {area} THEN sight.zone_id END
    WHERE {asked}
)"""


def _shown(spot: str, sheet: str, position: str) -> str:
    body = _SHOWN.format(
        spot=spot,
        sheet=sheet,
        position=position,
        asked=_ASKED,
        audiences=AUDIENCES,
        today=TODAY,
        hidden=int(Level.HIDDEN),
        area=int(Level.AREA),
        exact=int(Level.EXACT),
    )
    return f"WITH {_GRANTED}, {_SIGHT.format(position=position)}, {body}"


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
        COALESCE(o.row ->> 'alias', n.alias) AS alias,
        CASE WHEN o.row IS NULL THEN n.paused_at ELSE (o.row ->> 'paused_at')::timestamptz END AS paused_at
        FROM spots_spot n LEFT JOIN ({_before("spot")}) o ON o.spot_id = n.id)""",
    f"""(SELECT * FROM spots_sheet UNION ALL
        SELECT (jsonb_populate_record(NULL::spots_sheet, o.row)).* FROM ({_before("sheet")}) o
        WHERE NOT EXISTS (SELECT 1 FROM spots_sheet n WHERE n.spot_id = o.spot_id))""",
    f"""(SELECT spot_id, point FROM spots_position UNION ALL
        SELECT o.spot_id, o.point FROM ({_before("position")}) o
        WHERE NOT EXISTS (SELECT 1 FROM spots_position n WHERE n.spot_id = o.spot_id))""",
)


def _with_shown() -> str:
    """Return the SQL of `shown` for the current viewer: the one place where places come out."""
    return _AT_CUT_OFF if current_freeze().waters else _NOW


# What the rows of `leaving` disclose and is not in the log yet. The owner's own reading is no disclosure.
_UNLOGGED = f"""
    FROM leaving WHERE leaving.precision = 'exact' AND NOT leaving.owned AND NOT %(unseen)s
      AND NOT EXISTS (SELECT 1 FROM spots_own_disclosure d
                      WHERE d.spot_id = leaving.id AND d.day = {TODAY} AND d.channel = %(channel)s)
"""
_LOG = f"""
logged AS (
    INSERT INTO spots_disclosure (viewer_id, spot_id, channel, day, at, counts)
    SELECT {VIEWER}, leaving.id, %(channel)s, {TODAY}, {MOMENT}, leaving.new {_UNLOGGED}
    ON CONFLICT DO NOTHING RETURNING 1
)"""
_LOCK = f"SELECT pg_advisory_xact_lock(hashtextextended('spots_disclosure ' || {VIEWER}::text, 0))"
_ALERT = f"""
INSERT INTO spots_capreached (viewer_id, day, at, opened)
SELECT {VIEWER}, {TODAY}, {MOMENT}, opened.number
FROM (SELECT count(*) AS number FROM spots_own_disclosure d WHERE d.day = {TODAY} AND d.counts) opened, club_club
WHERE opened.number >= club_club.openings_per_day
ON CONFLICT DO NOTHING
"""

Box = tuple[float, float, float, float]


def release(
    ctes: str,
    answer: str,
    parameters: dict[str, Any],
    *,
    channel: Channel,
    ids: Sequence[uuid.UUID] | None = None,
    water_id: uuid.UUID | None = None,
    box: Box | None = None,
) -> list[tuple[Any, ...]]:
    """Return the rows of `answer` (a select list and what follows), and log the positions among them.

    `ctes` may read the table `shown`, which holds the spots asked for, and defines a table `leaving` of the
    spots that the answer names, with `id, precision, owned, new` of `shown`. With the channel `UNSEEN` no
    position but the viewer's own is in `shown`, and nothing is logged. `box` is west, south, east, north in
    degrees, and only says which new positions are meant; `ctes` leaves out what is not shown in it.

    What is new is opened under a lock of the viewer's own, so that requests at once open no more than one
    after the other would.
    """
    west, south, east, north = box or (None, None, None, None)
    values = {
        **parameters,
        **{"ids": None if ids is None else list(ids), "water": water_id, "channel": channel.value},
        **{"west": west, "south": south, "east": east, "north": north},
        **{"unseen": channel is Channel.UNSEEN, "may_open": False},
    }
    before = f"{_with_shown()}, {ctes}"
    counts = f"(SELECT number FROM opening), (SELECT left_today FROM opening), (SELECT count(*) {_UNLOGGED})"
    with connection.cursor() as cursor:
        cursor.execute(f"{before} SELECT {counts}, {answer}", values)
        rows = cursor.fetchall()
        if channel is not Channel.UNSEEN and rows:
            new, left_today, unlogged = rows[0][:3]
            if unlogged or (new and left_today > 0):
                # Nothing was written so far: the lock comes before any row that another might wait for.
                cursor.execute(_LOCK)
                values["may_open"] = True
                cursor.execute(f"{before}, {_LOG} SELECT {counts}, {answer}", values)
                rows = cursor.fetchall()
                if new:
                    cursor.execute(_ALERT)
    return [row[3:] for row in rows]


_COLUMNS = (
    "id, water_id, number, level, paused, name, alias, cover, structure, depth_min_m, depth_max_m, provenance,"
    " placed_on, notes, permission, rest_until, zone_id, zone_ha, zone_number, zone_rung_ha, band_from_m,"
    " band_to_m, precision,"
    " owned, scope, held, come_back::text,"
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
    # While it is left alone; what it waits for is `come_back` (spots.resting).
    rest_until: date | None
    zone_id: uuid.UUID | None
    zone_ha: float | None
    zone_number: int | None
    zone_rung_ha: int | None
    # The band of depth that is shown with the zone, in metres below full pool; without a `to`, the deepest.
    band_from_m: float | None
    band_to_m: float | None
    precision: str
    owned: bool
    scope: str
    # The viewer may see it exactly, but has opened as many new positions today as the club allows.
    held: bool
    come_back: dict[str, Any] | None
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
    *, channel: Channel, water_id: uuid.UUID | None = None, ids: Sequence[uuid.UUID] | None = None
) -> list[ReleasedSpot]:
    """Return the spots that the current viewer (club.viewer) sees, in a fixed order by what is shown of them."""
    rows = release(
        "leaving AS (SELECT * FROM shown)",
        f"{_COLUMNS} FROM shown ORDER BY water_id, COALESCE(name, nullif(alias, ''), 'Spot ' || number), id",
        {},
        channel=channel,
        water_id=water_id,
        ids=ids,
    )
    return [
        ReleasedSpot(*row[:-2], *(json.loads(text) if text else None for text in row[-2:])) for row in rows
    ]


def released_spot(spot_id: uuid.UUID, *, channel: Channel) -> ReleasedSpot:
    """Return one spot, or raise the same Http404 for one that is hidden and one that never was."""
    spots = released_spots(ids=[spot_id], channel=channel)
    if not spots:
        raise Http404
    return spots[0]


def position_of(spot: ReleasedSpot) -> Position | None:
    """Return the position of a spot released exactly, as it was typed; None where there is no such."""
    if spot.precision != "exact" or spot.geometry is None:
        return None
    return Position.objects.filter(spot_id=spot.id).first()
