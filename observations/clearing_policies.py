"""Rights on pictures cleared for everybody, and the triggers that tie both hands to it."""

from club.rls import AUDIENCES, FROZEN, MEMBER, MOMENT, Table

_CHECKER = f"'checkers' = ANY ({AUDIENCES})"
_MEMBER = f"'members' = ANY ({AUDIENCES})"
_ORGANISER = f"'organisers' = ANY ({AUDIENCES}) AND cleared_id IS NOT NULL"
_MINE = f"owner_id = {MEMBER}"

# A checker is shown what an owner offers, at whatever spot: the owner asked. One for whom a water is frozen
# waits until it is not.
OFFERED = (
    f"({_CHECKER} AND {FROZEN} IS NULL AND EXISTS (SELECT 1 FROM observations_clearance c"
    " WHERE c.picture_id = observations_picture.id AND c.ended_at IS NULL))"
)

TABLES = [
    Table(
        "observations_clearance",
        select=f"{_MINE} OR {_CHECKER} OR ({_ORGANISER})",
        insert=f"{_MINE} AND {_MEMBER} AND checker_id IS NULL AND ended_at IS NULL",
        update=f"{_MINE} OR {_CHECKER} OR ({_ORGANISER})",
        update_columns=("checker_id", "cleared_at", "cleared_id", "ended_at", "ended_by_id"),
        worker=(),
    ),
    # Everybody's to read; written by the trigger below alone.
    Table("observations_clearedpicture", worker=()),
]

_NOW = f"COALESCE({MOMENT}, clock_timestamp())"
_DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"

# What a picture is proved to show: its finding's verified species, or of a sonar picture with one group of
# echoes the one species that a verified *same fish* proof of the same observer and scope gave them.
_PROVED = [
    f"""
    CREATE OR REPLACE FUNCTION observations_proved_species(wanted uuid) RETURNS text {_DEFINER} STABLE AS $$
    BEGIN
        RETURN (SELECT CASE
            WHEN p.finding_id IS NOT NULL THEN (
                SELECT CASE WHEN f.verified_at IS NOT NULL
                    THEN COALESCE(f.corrected_species_id, f.species_id) END
                FROM observations_finding f WHERE f.id = p.finding_id)
            WHEN (SELECT count(*) FROM observations_echogroup e
                  WHERE e.look_id = o.id AND e.band <> 'none') = 1 THEN (
                SELECT min(COALESCE(f.corrected_species_id, f.species_id)) FROM observations_echogroup e
                JOIN observations_finding f ON f.settles_id = e.id
                WHERE e.look_id = o.id AND f.tie = 'same fish' AND f.verified_at IS NOT NULL
                  AND f.withdrawn_at IS NULL AND f.observer_id = o.observer_id AND f.scope = o.scope
                HAVING count(DISTINCT COALESCE(f.corrected_species_id, f.species_id)) = 1)
            END
            FROM observations_picture p JOIN observations_observation o ON o.id = p.look_id
            WHERE p.id = wanted);
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_proved_species(uuid) FROM PUBLIC",
    # How many of that species, and how long on average to the nearest centimetre: of the picture's own finding, or
    # of the proofs that the species of a screen comes from, the most at once.
    f"""
    CREATE OR REPLACE FUNCTION observations_proved_many(wanted uuid, OUT number int, OUT length_mm int)
    {_DEFINER} STABLE AS $$
    BEGIN
        SELECT COALESCE(max(f.count), 0),
            COALESCE(round(avg((SELECT avg(l) FROM unnest(f.lengths_mm) l)) / 10) * 10, 0)
        INTO number, length_mm
        FROM observations_picture p JOIN observations_observation o ON o.id = p.look_id
        JOIN observations_finding f ON f.verified_at IS NOT NULL
            AND (f.id = p.finding_id OR (p.finding_id IS NULL AND f.tie = 'same fish' AND f.withdrawn_at IS NULL
                AND f.observer_id = o.observer_id AND f.scope = o.scope
                AND f.settles_id IN (SELECT e.id FROM observations_echogroup e WHERE e.look_id = p.look_id)))
        WHERE p.id = wanted AND observations_proved_species(wanted) IS NOT NULL;
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_proved_many(uuid) FROM PUBLIC",
    # While an event holds its water, what came in since the cut-off is not told: it would be to the frozen too.
    f"""
    CREATE OR REPLACE FUNCTION observations_cleared_waits(wanted uuid) RETURNS boolean {_DEFINER} STABLE AS $$
    BEGIN
        RETURN EXISTS (SELECT 1 FROM observations_picture p JOIN observations_observation o ON o.id = p.look_id
            JOIN spots_spot s ON s.id = o.spot_id
            JOIN spots_event v ON v.water_id = s.water_id AND v.cutoff_at <= {_NOW} AND v.ends_at > {_NOW}
            JOIN observations_finding f ON f.id = p.finding_id OR p.finding_id IS NULL AND f.settles_id IN (
                SELECT e.id FROM observations_echogroup e WHERE e.look_id = p.look_id)
            WHERE p.id = wanted AND (f.received_at > v.cutoff_at OR EXISTS (
                SELECT 1 FROM observations_confirmation c WHERE c.finding_id = f.id
                AND (c.created_at > v.cutoff_at OR c.undone_at > v.cutoff_at))));
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_cleared_waits(uuid) FROM PUBLIC",
    # What is proved of a cleared picture, told; asked again by the worker of those that had to wait.
    f"""
    CREATE OR REPLACE FUNCTION observations_tell_cleared(wanted uuid) RETURNS void {_DEFINER} AS $$
    DECLARE
        many record;
    BEGIN
        SELECT * INTO many FROM observations_proved_many(wanted);
        UPDATE observations_clearedpicture shown SET species_id = observations_proved_species(wanted),
            number = many.number, length_mm = many.length_mm
        FROM observations_clearance c WHERE c.picture_id = wanted AND c.ended_at IS NULL AND shown.id = c.cleared_id;
        UPDATE observations_clearance SET untold = false WHERE picture_id = wanted AND untold;
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_tell_cleared(uuid) FROM PUBLIC",
    f"""
    CREATE OR REPLACE FUNCTION observations_tell_cleared_late() RETURNS void {_DEFINER} AS $$
    BEGIN
        PERFORM observations_tell_cleared(c.picture_id) FROM observations_clearance c
        WHERE c.untold AND c.ended_at IS NULL AND NOT observations_cleared_waits(c.picture_id);
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_tell_cleared_late() FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION observations_tell_cleared_late() TO tallow_worker",
    # Of a picture that the caller sees: whether everybody sees a named copy, not which. So the two need never stand
    # side by side.
    f"""
    CREATE OR REPLACE FUNCTION observations_has_named_copy(wanted uuid) RETURNS boolean {_DEFINER} STABLE AS $$
    BEGIN
        RETURN EXISTS (SELECT 1 FROM observations_clearance c
            JOIN observations_clearedpicture shown ON shown.id = c.cleared_id
            WHERE c.picture_id = wanted AND c.ended_at IS NULL AND shown.species_id IS NOT NULL);
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_has_named_copy(uuid) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION observations_has_named_copy(uuid) TO tallow_web",
]

TRIGGERS = [
    *_PROVED,
    # An offer is of a picture of one's own look. Not a policy: the one on pictures looks at offers.
    f"""
    CREATE OR REPLACE FUNCTION observations_clearance_own() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        IF NOT EXISTS (SELECT 1 FROM observations_picture p JOIN observations_observation o ON o.id = p.look_id
            WHERE p.id = NEW.picture_id AND o.observer_id = NEW.owner_id AND o.withdrawn_at IS NULL) THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only its owner offers a picture.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS clearance_own ON observations_clearance",
    "CREATE TRIGGER clearance_own BEFORE INSERT ON observations_clearance FOR EACH ROW"
    " EXECUTE FUNCTION observations_clearance_own()",
    # One yes, by a checker who is not the owner; one end, which stays.
    f"""
    CREATE OR REPLACE FUNCTION observations_clearance_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF OLD.ended_at IS NOT NULL THEN
            RAISE EXCEPTION 'this clearance has ended' USING ERRCODE = 'check_violation';
        END IF;
        IF NEW.checker_id IS DISTINCT FROM OLD.checker_id AND (OLD.checker_id IS NOT NULL
            OR (current_user = 'tallow_web' AND (NEW.checker_id IS DISTINCT FROM {MEMBER} OR NOT ({_CHECKER})))) THEN
            RAISE EXCEPTION 'a checker clears a picture, once, in their own name' USING ERRCODE = 'check_violation';
        END IF;
        IF (NEW.cleared_at, NEW.cleared_id) IS DISTINCT FROM (OLD.cleared_at, OLD.cleared_id)
            AND OLD.checker_id IS NOT NULL THEN
            RAISE EXCEPTION 'a picture is cleared once' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS clearance_guard ON observations_clearance",
    "CREATE TRIGGER clearance_guard BEFORE UPDATE ON observations_clearance FOR EACH ROW"
    " EXECUTE FUNCTION observations_clearance_guard()",
    # What is public of a picture comes into being and goes with its clearance.
    f"""
    CREATE OR REPLACE FUNCTION observations_clearance_shown() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        IF NEW.ended_at IS NOT NULL THEN
            DELETE FROM observations_clearedpicture WHERE id = NEW.cleared_id;
        ELSIF NEW.cleared_id IS NOT NULL AND OLD.cleared_id IS NULL THEN
            INSERT INTO observations_clearedpicture (id, method, number, length_mm)
            SELECT NEW.cleared_id, o.method, 0, 0
            FROM observations_picture p JOIN observations_observation o ON o.id = p.look_id
            WHERE p.id = NEW.picture_id;
            IF observations_cleared_waits(NEW.picture_id) THEN
                UPDATE observations_clearance SET untold = true WHERE id = NEW.id;
            ELSE
                PERFORM observations_tell_cleared(NEW.picture_id);
            END IF;
        END IF;
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS clearance_shown ON observations_clearance",
    "CREATE TRIGGER clearance_shown AFTER UPDATE ON observations_clearance FOR EACH ROW"
    " EXECUTE FUNCTION observations_clearance_shown()",
    # A species verified or corrected later is told, and waits where an event holds the water; a proof taken back is
    # gone at once. A look taken back takes its pictures with it.
    f"""
    CREATE OR REPLACE FUNCTION observations_cleared_species() RETURNS trigger {_DEFINER} AS $$
    DECLARE
        one record;
    BEGIN
        FOR one IN SELECT c.id, c.picture_id, c.cleared_id
            FROM observations_clearance c JOIN observations_picture p ON p.id = c.picture_id
            WHERE c.ended_at IS NULL AND c.cleared_id IS NOT NULL
                AND (p.finding_id = NEW.id OR p.finding_id IS NULL AND p.look_id = (
                    SELECT e.look_id FROM observations_echogroup e WHERE e.id = NEW.settles_id))
        LOOP
            IF NOT observations_cleared_waits(one.picture_id) THEN
                PERFORM observations_tell_cleared(one.picture_id);
            ELSE
                UPDATE observations_clearance SET untold = true WHERE id = one.id;
                IF NEW.withdrawn_at IS NOT NULL AND OLD.withdrawn_at IS NULL THEN
                    UPDATE observations_clearedpicture SET species_id = NULL, number = 0, length_mm = 0
                    WHERE id = one.cleared_id;
                END IF;
            END IF;
        END LOOP;
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS cleared_species ON observations_finding",
    "CREATE TRIGGER cleared_species AFTER UPDATE ON observations_finding FOR EACH ROW"
    " EXECUTE FUNCTION observations_cleared_species()",
    f"""
    CREATE OR REPLACE FUNCTION observations_cleared_ends() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        UPDATE observations_clearance c SET ended_at = NEW.withdrawn_at
        FROM observations_picture p
        WHERE p.id = c.picture_id AND p.look_id = NEW.id AND c.ended_at IS NULL;
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS cleared_ends ON observations_observation",
    "CREATE TRIGGER cleared_ends AFTER UPDATE OF withdrawn_at ON observations_observation FOR EACH ROW"
    " WHEN (NEW.withdrawn_at IS NOT NULL) EXECUTE FUNCTION observations_cleared_ends()",
]
