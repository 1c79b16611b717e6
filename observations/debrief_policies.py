"""Rights on what a debrief keeps: like trips, each row is its member's alone. The worker has no business there."""

from club.rls import MEMBER, MOMENT, Table

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

# What a member logged, their track may complete: an empty temperature is filled once, and then stands. Not while a
# cut-off is on: whoever sees the water as it stood then would see it change.
TRIGGERS = [
    f"""
    CREATE OR REPLACE FUNCTION observations_filled_once() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
    BEGIN
        IF OLD.water_temp_c IS NOT NULL THEN
            RAISE EXCEPTION 'what stands in a look is not changed' USING ERRCODE = 'check_violation';
        END IF;
        IF EXISTS (SELECT 1 FROM spots_event e JOIN spots_spot s ON s.water_id = e.water_id
                   WHERE s.id = NEW.spot_id AND e.cutoff_at <= moment AND e.ends_at > moment) THEN
            RAISE EXCEPTION 'a look is not filled while a cut-off is on' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS filled_once ON observations_observation",
    "CREATE TRIGGER filled_once BEFORE UPDATE OF water_temp_c ON observations_observation FOR EACH ROW"
    " WHEN (NEW.water_temp_c IS DISTINCT FROM OLD.water_temp_c) EXECUTE FUNCTION observations_filled_once()",
]
