"""What of a sealed look can be put right, and when it cannot."""

from club.rls import MOMENT

# Conditions, platform and note. `settings` may change too: it keeps what was typed of them.
EDITABLE = ("platform", "secchi_m", "clarity", "water_temp_c", "water_temp_depth_m", "pool_level_m", "wind_m_s",
            "wind_from_deg", "sky", "note")  # fmt: skip

_CHANGED = " OR ".join(f"OLD.{name} IS DISTINCT FROM NEW.{name}" for name in ("settings", *EDITABLE))

TRIGGERS = [
    "DROP TRIGGER IF EXISTS filled_once ON observations_observation",
    # While an event's cut-off is on, its anglers see the water as it stood then: a look that others may see does
    # not change under them.
    f"""
    CREATE OR REPLACE FUNCTION observations_look_edited() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
    BEGIN
        IF OLD.withdrawn_at IS NOT NULL THEN
            RAISE EXCEPTION 'a look that was taken back stays as it is' USING ERRCODE = 'check_violation';
        END IF;
        IF NOT starts_with(OLD.scope, 'member:') AND EXISTS (
            SELECT 1 FROM spots_event e JOIN spots_spot s ON s.water_id = e.water_id
            WHERE s.id = OLD.spot_id AND e.cutoff_at <= moment AND e.ends_at > moment) THEN
            RAISE EXCEPTION 'while a cut-off is on, a look stays as it is'
                USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS look_edited ON observations_observation",
    "CREATE TRIGGER look_edited BEFORE UPDATE ON observations_observation FOR EACH ROW"
    f" WHEN ({_CHANGED}) EXECUTE FUNCTION observations_look_edited()",
]
