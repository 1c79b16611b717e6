"""Rights on links between two owners' spots; part of spots/policies.py.

A proposal tells the owner of the one spot that there is the other, at its place. So it is made only by
somebody who decides who is told that: of the two sides, one is theirs to share, and the other they see
exactly. Nobody else learns of it before both have agreed, and then only who sees both exactly.
"""

from club.models import Level
from club.rls import MEMBER, MOMENT, Table
from spots.rules import known, owns_spot, sees, shares_spot

_ONE, _OTHER, _WATER = "spots_spotlink.one_id", "spots_spotlink.other_id", "spots_spotlink.water_id"


def _exact(spot: str) -> str:
    return f"({owns_spot(spot)} OR {sees(spot, Level.EXACT)})"


_HOLDS = (
    "spots_spotlink.ended_at IS NULL AND spots_spotlink.one_agreed_at IS NOT NULL"
    " AND spots_spotlink.other_agreed_at IS NOT NULL"
)
_SIDES = (
    f"({owns_spot(_ONE)} OR {owns_spot(_OTHER)})"
    f""" AND {known(_WATER, "spots_spotlink.proposed_at", "('member:' || spots_spotlink.proposed_by_id::text)")}"""
)
_BOTH = (
    f"{_HOLDS} AND {sees(_ONE, Level.EXACT)} AND {sees(_OTHER, Level.EXACT)}"
    f" AND {known(_WATER, 'GREATEST(spots_spotlink.one_agreed_at, spots_spotlink.other_agreed_at)')}"
)

TABLES = [
    Table(
        "spots_spotlink",
        select=f"({_SIDES}) OR ({_BOTH})",
        insert=f"({shares_spot(_ONE)} AND {_exact(_OTHER)}) OR ({shares_spot(_OTHER)} AND {_exact(_ONE)})",
        update=f"{shares_spot(_ONE)} OR {shares_spot(_OTHER)}",
        update_columns=("one_agreed_at", "other_agreed_at", "ended_at"),
        # Goes with its spot.
        delete=f"{shares_spot(_ONE)} OR {shares_spot(_OTHER)}",
        worker=(),
    )
]

TRIGGERS = [
    # What a policy cannot say: each side agrees for itself alone, and the times are the database's own.
    f"""
    CREATE OR REPLACE FUNCTION spots_link_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE
        moment timestamptz := {MOMENT};
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        IF TG_OP = 'INSERT' THEN
            NEW.water_id := (SELECT s.water_id FROM spots_spot s WHERE s.id = NEW.one_id);
            IF NEW.water_id IS DISTINCT FROM (SELECT s.water_id FROM spots_spot s WHERE s.id = NEW.other_id) THEN
                RAISE EXCEPTION 'One place lies on one water.' USING ERRCODE = 'check_violation';
            END IF;
            NEW.proposed_at := moment;
            NEW.proposed_by_id := {MEMBER};
            NEW.one_agreed_at := CASE WHEN {shares_spot("NEW.one_id")} THEN moment END;
            NEW.other_agreed_at := CASE WHEN {shares_spot("NEW.other_id")} THEN moment END;
            NEW.ended_at := NULL;
            RETURN NEW;
        END IF;
        IF OLD.ended_at IS NOT NULL THEN
            RAISE insufficient_privilege USING MESSAGE = 'A link that has ended stays so.';
        END IF;
        IF NEW.one_agreed_at IS DISTINCT FROM OLD.one_agreed_at THEN
            IF OLD.one_agreed_at IS NOT NULL OR NOT {shares_spot("NEW.one_id")} THEN
                RAISE insufficient_privilege USING MESSAGE = 'Each side agrees for itself.';
            END IF;
            NEW.one_agreed_at := moment;
        END IF;
        IF NEW.other_agreed_at IS DISTINCT FROM OLD.other_agreed_at THEN
            IF OLD.other_agreed_at IS NOT NULL OR NOT {shares_spot("NEW.other_id")} THEN
                RAISE insufficient_privilege USING MESSAGE = 'Each side agrees for itself.';
            END IF;
            NEW.other_agreed_at := moment;
        END IF;
        IF NEW.ended_at IS NOT NULL THEN
            NEW.ended_at := moment;
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS link_guard ON spots_spotlink",
    "CREATE TRIGGER link_guard BEFORE INSERT OR UPDATE ON spots_spotlink FOR EACH ROW"
    " EXECUTE FUNCTION spots_link_guard()",
]
