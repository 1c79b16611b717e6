"""Rights on what a debrief keeps: like trips, each row is its member's alone. The worker has no business there."""

from club.rls import MEMBER, Table

_OWN = f"member_id = {MEMBER}"


def _private(table: str) -> Table:
    own_trip = (
        f"EXISTS (SELECT 1 FROM observations_trip t WHERE t.id = {table}.trip_id AND t.member_id = {MEMBER})"
    )
    return Table(table, select=_OWN, insert=f"{_OWN} AND {own_trip}", update=_OWN, delete=_OWN, worker=())


TABLES = [
    _private("observations_track"),
    _private("observations_pass"),
    _private("observations_debriefdraft"),
    _private("observations_debriefpicture"),
]

# What a member logged, their track may complete: an empty temperature is filled once, and then stands.
TRIGGERS = [
    """
    CREATE OR REPLACE FUNCTION observations_filled_once() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        RAISE EXCEPTION 'what stands in a look is not changed' USING ERRCODE = 'check_violation';
    END $$
    """,
    "DROP TRIGGER IF EXISTS filled_once ON observations_observation",
    "CREATE TRIGGER filled_once BEFORE UPDATE OF water_temp_c ON observations_observation FOR EACH ROW"
    " WHEN (OLD.water_temp_c IS NOT NULL AND NEW.water_temp_c IS DISTINCT FROM OLD.water_temp_c)"
    " EXECUTE FUNCTION observations_filled_once()",
]
