"""Juniors in the database: their name is kept apart, whichever way it comes in."""

from club.rls import AUDIENCES, MEMBER, Table

SHOWN = "A junior"

_GUARDS = (
    "EXISTS (SELECT 1 FROM club_member m WHERE m.id = club_juniorname.member_id"
    f" AND m.guardian_id = {MEMBER})"
)
_SAME_TEAM = (
    "EXISTS (SELECT 1 FROM club_teammembership theirs JOIN club_teammembership mine"
    " ON mine.team_id = theirs.team_id WHERE theirs.member_id = club_juniorname.member_id"
    f" AND mine.member_id = {MEMBER})"
)

TABLES = [
    Table(
        "club_juniorname",
        select=f"member_id = {MEMBER} OR 'organisers' = ANY ({AUDIENCES}) OR {_GUARDS} OR {_SAME_TEAM}",
        worker=(),
    )
]

TRIGGERS = [
    f"""
    CREATE OR REPLACE FUNCTION club_junior_name() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF NEW.guardian_id IS NOT NULL THEN
            IF NEW.name <> '{SHOWN}' THEN
                INSERT INTO club_juniorname (member_id, name) VALUES (NEW.id, NEW.name)
                    ON CONFLICT (member_id) DO UPDATE SET name = EXCLUDED.name;
                NEW.name := '{SHOWN}';
            END IF;
        ELSIF TG_OP = 'UPDATE' AND OLD.guardian_id IS NOT NULL THEN
            IF NEW.name = '{SHOWN}' THEN
                NEW.name := COALESCE(
                    (SELECT j.name FROM club_juniorname j WHERE j.member_id = NEW.id), NEW.name);
            END IF;
            DELETE FROM club_juniorname WHERE member_id = NEW.id;
        END IF;
        RETURN NEW;
    END $$
    """,
    # The name sorts after member_guard, which judges what was asked for.
    "DROP TRIGGER IF EXISTS the_junior_name ON club_member",
    "CREATE TRIGGER the_junior_name BEFORE INSERT OR UPDATE OF name, guardian_id ON club_member FOR EACH ROW"
    " EXECUTE FUNCTION club_junior_name()",
]
