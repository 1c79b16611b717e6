"""Who may read and write what of lessons, and the triggers that take them back at once."""

from club.rls import AUDIENCES, FROZEN, MEMBER, Table

# Advisory lock: the worker takes it alone to lay out an edition, whoever changes their mind shares it.
LOCK = 7_411_003

_FIRST_CUT_OFF = f"(SELECT min(value::timestamptz) FROM jsonb_each_text({FROZEN}))"
_READS = f"'members' = ANY ({AUDIENCES}) AND ({FROZEN} IS NULL OR made_at <= {_FIRST_CUT_OFF})"
_OWN_PRIVATE_LOOK = (
    "EXISTS (SELECT 1 FROM observations_observation o WHERE o.id = observations_lessonshare.look_id"
    f" AND o.observer_id = {MEMBER} AND o.scope <> 'club')"
)

TABLES = [
    Table("observations_lessonedition", select=_READS, worker=("SELECT", "INSERT", "DELETE")),
    Table("observations_lesson", select=_READS, worker=("SELECT", "INSERT", "DELETE")),
    Table("observations_lessonsource", select=None, worker=("SELECT", "INSERT", "DELETE")),
    Table(
        "observations_lessonshare",
        select=f"owner_id = {MEMBER}",
        insert=f"owner_id = {MEMBER} AND {_OWN_PRIVATE_LOOK}",
        update=f"owner_id = {MEMBER}",
        update_columns=("shared",),
        delete=f"owner_id = {MEMBER}",
    ),
    Table(
        "observations_lessonchoice",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER} AND 'members' = ANY ({AUDIENCES})",
        delete=f"member_id = {MEMBER}",
    ),
]

# A lesson stands while its look and its proof do, and while its owner wants it shared.
_STANDS = """EXISTS (
    SELECT 1 FROM observations_lessonsource s
    JOIN observations_observation o ON o.id = s.look_id AND o.withdrawn_at IS NULL AND o.scope <> 'club'
    JOIN observations_finding f ON f.id = s.finding_id
    JOIN observations_observation p ON p.id = f.look_id AND p.withdrawn_at IS NULL
    WHERE s.lesson_id = l.id AND COALESCE(
        (SELECT h.shared FROM observations_lessonshare h WHERE h.look_id = s.look_id),
        EXISTS (SELECT 1 FROM observations_lessonchoice c WHERE c.member_id = s.owner_id))
)"""
_OWNERS = "observations_lesson l JOIN observations_lessonsource s ON s.lesson_id = l.id"

_DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"


def _after(table: str, when: str, condition: str = "", each: str = "STATEMENT") -> list[str]:
    return [
        f"DROP TRIGGER IF EXISTS lessons_stand ON {table}",
        f"CREATE TRIGGER lessons_stand AFTER {when} ON {table} FOR EACH {each} {condition}"
        " EXECUTE FUNCTION observations_lessons_stand()",
    ]


def _lock_first(table: str) -> list[str]:
    return [
        f"DROP TRIGGER IF EXISTS lessons_lock ON {table}",
        f"CREATE TRIGGER lessons_lock BEFORE INSERT OR UPDATE OR DELETE ON {table} FOR EACH STATEMENT"
        " EXECUTE FUNCTION observations_lessons_lock()",
    ]


TRIGGERS = [
    # Before any row is touched, so that an edition in the making comes wholly before or wholly after.
    f"""
    CREATE OR REPLACE FUNCTION observations_lessons_lock() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        PERFORM pg_advisory_xact_lock_shared({LOCK}::bigint);
        RETURN NULL;
    END $$
    """,
    # What no longer stands goes at once; and all go when so few are left that they would tell whose they are.
    f"""
    CREATE OR REPLACE FUNCTION observations_lessons_stand() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        PERFORM pg_advisory_xact_lock_shared({LOCK}::bigint);
        DELETE FROM observations_lesson l WHERE NOT {_STANDS};
        IF (SELECT count(DISTINCT s.owner_id) FROM {_OWNERS}) < 3 AND EXISTS (
            SELECT 1 FROM {_OWNERS} JOIN club_member m ON m.id = s.owner_id WHERE NOT m.shares_thin_history
        ) THEN
            DELETE FROM observations_lesson;
        END IF;
        RETURN NULL;
    END $$
    """,
    *_lock_first("observations_lessonshare"),
    *_lock_first("observations_lessonchoice"),
    *_after("observations_lessonshare", "INSERT OR UPDATE OR DELETE"),
    *_after("observations_lessonchoice", "DELETE"),
    *_after(
        "observations_observation",
        "UPDATE",
        "WHEN (OLD.withdrawn_at IS DISTINCT FROM NEW.withdrawn_at OR OLD.scope IS DISTINCT FROM NEW.scope)",
        "ROW",
    ),
    *_after("club_member", "UPDATE", "WHEN (OLD.shares_thin_history AND NOT NEW.shares_thin_history)", "ROW"),
]
