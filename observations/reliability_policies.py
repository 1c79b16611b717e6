"""Who reads how far calls can be believed: one's own, theirs who agree, and the club's where enough stand behind it."""

from club.rls import AUDIENCES, MEMBER, Table
from observations.enough import ENOUGH

_MEMBER = f"'members' = ANY ({AUDIENCES})"
_SHARES = "SELECT 1 FROM club_member m WHERE m.id = {who} AND m.shares_reliability AND m.is_active"

# Less one's own, the club's figures of two callers are the other's. So they are told where three or more called, or
# where each of the fewer lets the others read theirs; whoever reads may know their own.
_ENOUGH_CALLED = (
    "NOT EXISTS (SELECT 1 FROM unnest(observations_few_callers(observations_reliability.id)) few"
    f" WHERE few IS DISTINCT FROM {MEMBER} AND NOT EXISTS ({_SHARES.format(who='few')}))"
)

TABLES = [
    Table(
        "observations_reliability",
        select=f"(observer_id = {MEMBER} OR ({_MEMBER} AND CASE WHEN observer_id IS NULL THEN {_ENOUGH_CALLED}"
        f" ELSE EXISTS ({_SHARES.format(who='observations_reliability.observer_id')}) END))"
        " AND EXISTS (SELECT 1 FROM observations_refit r WHERE r.id = observations_reliability.refit_id)",
        worker=("SELECT", "INSERT", "UPDATE", "DELETE"),
    ),
]

# A function, as a policy cannot ask its own table: whose calls a table of the club's rests on, where they are few.
FUNCTIONS = [
    f"""
    CREATE OR REPLACE FUNCTION observations_few_callers(wanted bigint) RETURNS uuid[] LANGUAGE plpgsql STABLE
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
    DECLARE
        callers uuid[];
    BEGIN
        SELECT COALESCE(array_agg(who) FILTER (WHERE many > 0), array_agg(who)) INTO callers FROM (
            SELECT o.observer_id AS who, CASE method WHEN '' THEN (o.body ->> 'proofs')::int
                ELSE jsonb_array_length(o.body -> 'calls') END AS many
            FROM observations_reliability r
            JOIN observations_reliability o USING (refit_id, method, drawn_only, device_only)
            WHERE r.id = wanted AND o.observer_id IS NOT NULL) called;
        RETURN CASE WHEN cardinality(callers) < {ENOUGH} THEN callers ELSE '{{}}' END;
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_few_callers(bigint) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION observations_few_callers(bigint) TO tallow_web, tallow_worker",
]
