"""The rules of sight as SQL conditions: the one place they stand.

`precision.py` decides with them what a page shows; `policies.py` lays them on the tables, so that a query
that forgot to ask gets nothing.
"""

from uuid import UUID

from club.models import Level
from club.rls import AUDIENCES, KEPT, MEMBER, MOMENT, SIDE, thawed_or

# A grant counts for the viewer now. Time rules are evaluated when read: no job to miss. Where the water is
# frozen it must have counted at the cut-off, for somebody who was in its audience then; what the viewer's
# own side gives counts as ever. An end, and a narrowing, hold at once for everybody.
_STARTED = f"(g.starts_at IS NULL OR g.starts_at <= {MOMENT})"
_NOW = f"(g.replaced_at IS NULL AND {_STARTED})"
_AT_CUT_OFF = (
    f"(CASE WHEN g.owner = ANY ({SIDE}) THEN {_NOW} ELSE g.audience = ANY ({KEPT}) AND g.known_at <= {{at}}"
    " AND (g.replaced_at IS NULL OR g.replaced_at > {at}) AND (g.starts_at IS NULL OR g.starts_at <= {at}) END)"
)
IN_FORCE = (
    f"g.audience = ANY ({AUDIENCES}) AND (g.ends_at IS NULL OR g.ends_at > {MOMENT})"
    f" AND {thawed_or('g.water_id', _AT_CUT_OFF, _NOW)}"
)

# The level a grant gives: the owner's word or else the organiser's default, never above the ceiling. Teams
# and single members have neither unless the organiser set one.
POLICY_OF_GRANT = "club_audiencepolicy p ON p.audience = g.audience"
LEVEL = f"LEAST(COALESCE(g.level, p.default_level, {Level.HIDDEN}), COALESCE(p.ceiling_level, {Level.EXACT}))"


# The finest level at which anybody but its owner is shown a spot now, whoever asks; null: nobody is. In
# plpgsql, whose body is only looked at when it runs: the tables may come later. It may see all grants, and
# tells a number of a spot whose id the caller has; a policy calls it for the few rows that need it.
WIDEST_SIGHT = [
    f"""
    CREATE OR REPLACE FUNCTION spots_widest_sight(wanted uuid) RETURNS integer LANGUAGE plpgsql STABLE
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
    BEGIN
        RETURN (SELECT max({LEVEL}) FROM spots_grant g LEFT JOIN {POLICY_OF_GRANT}
            WHERE g.spot_id = wanted AND g.audience <> g.owner AND (g.ends_at IS NULL OR g.ends_at > {MOMENT})
              AND {_NOW});
    END $$
    """,
    "REVOKE ALL ON FUNCTION spots_widest_sight(uuid) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION spots_widest_sight(uuid) TO tallow_web, tallow_worker",
]


def sees(spot_id: str, level: int | str, extra: str = "") -> str:
    """Return the condition that the viewer sees the spot of SQL expression `spot_id` at `level` or finer.

    `spot_id` names its table: a bare column would be taken for the grant's own, and everything be seen.
    `level` may be an expression. An owner sees through a grant as well (`Grant`), so nothing is asked of
    the owner here: it would bring the policy of spots into every plan.
    """
    _qualified(spot_id)
    least = level if isinstance(level, str) else int(level)
    return (
        f"EXISTS (SELECT 1 FROM spots_grant g LEFT JOIN {POLICY_OF_GRANT}"
        f" WHERE g.spot_id = {spot_id} AND {IN_FORCE} AND {LEVEL} >= {least}{extra})"
    )


def owns(owner: str) -> str:
    """Return the condition that the viewer owns what carries the audience key `owner`."""
    return f"{owner} = ANY ({AUDIENCES})"


def known(water: str, since: str, owner: str = "''") -> str:
    """Return the condition that what happened at `since` on a water is known to the viewer.

    It is unless the water is frozen for them and it came after the cut-off from another side than theirs.
    """
    return thawed_or(water, f"({since} <= {{at}} OR {owner} = ANY ({SIDE}))")


def water_of(spot_id: str) -> str:
    """Return the SQL expression of a spot's water.

    A function, laid by policies.py: as a sub-select it brought the policies of spots into every plan that
    reads a sheet, a look or a history, and planning took longer than the query. It is called per row only
    where something is frozen.
    """
    _qualified(spot_id)
    return f"spots_water_of({spot_id})"


def owner_of(spot_id: str) -> str:
    """Return the SQL expression of a spot's owner; as `water_of`."""
    _qualified(spot_id)
    return f"spots_owner_of({spot_id})"


def owns_spot(spot_id: str) -> str:
    """Return the condition that the viewer owns the spot of SQL expression `spot_id`, which names its table."""
    _qualified(spot_id)
    return f"EXISTS (SELECT 1 FROM spots_spot s WHERE s.id = {spot_id} AND {owns('s.owner')})"


def shares(owner: str) -> str:
    """Return the condition that the viewer decides who sees what carries the audience key `owner`.

    A member about their own, an organiser about the club's, and about a team's its captain, or anybody in
    it while it has none.
    """
    captains = (
        f"SELECT 1 FROM club_teammembership t WHERE 'team:' || t.team_id::text = {owner} AND t.is_captain"
    )
    return (
        f"({owns(owner)} AND (left({owner}, 5) <> 'team:'"
        f" OR EXISTS ({captains} AND t.member_id = {MEMBER}) OR NOT EXISTS ({captains})))"
    )


def shares_spot(spot_id: str) -> str:
    """Return the condition that the viewer decides who sees the spot of SQL expression `spot_id`."""
    _qualified(spot_id)
    return f"EXISTS (SELECT 1 FROM spots_spot s WHERE s.id = {spot_id} AND {shares('s.owner')})"


def _qualified(column: str) -> None:
    if "." not in column:
        raise ValueError(f"{column} must name its table: a bare column means another one inside EXISTS")


# Who a disclosure is to, and its day. The public is one viewer, of the id spots.models.NOBODY.
VIEWER = f"COALESCE({MEMBER}, '{UUID(int=0)}'::uuid)"
TODAY = f"({MOMENT} AT TIME ZONE 'UTC')::date"
