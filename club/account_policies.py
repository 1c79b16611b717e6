"""Rights of the web role on what belongs to signing in, and what it may change there."""

from club.rls import AUDIENCES, MEMBER, MOMENT, Table

_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"

# The digest of the link or key that the visitor holds (club.people.holding).
KEY = "(SELECT nullif(current_setting('tallow.key', true), ''))"

# A junior's guardian sees, and may close, what the junior does.
_THEIRS = (
    f"(member_id = {MEMBER} OR EXISTS (SELECT 1 FROM club_member m"
    f" WHERE m.id = club_resetlink.member_id AND m.guardian_id = {MEMBER}))"
)

TABLES = [
    Table(
        "club_resetlink",
        select=f"{_THEIRS} OR {_ORGANISER} OR token_digest = {KEY}",
        # An organiser's own password is changed on the account page, with the old one.
        insert=f"{_ORGANISER} AND issued_by_id = {MEMBER} AND member_id <> {MEMBER} AND used_at IS NULL"
        f" AND NOT lifts_second_factor AND issued_at = {MOMENT}"
        f" AND expires_at <= {MOMENT} + interval '24 hours' AND EXISTS ("
        "SELECT 1 FROM club_member m WHERE m.id = club_resetlink.member_id AND m.is_active)",
        update=f"{_THEIRS} OR {_ORGANISER} OR token_digest = {KEY}",
        update_columns=("used_at", "expires_at", "browser"),
        worker=(),
    ),
]

TRIGGERS = [
    # A link is used by who holds it, once and in time; anybody else can only close it.
    f"""
    CREATE OR REPLACE FUNCTION club_resetlink_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        IF OLD.used_at IS NOT NULL OR OLD.expires_at <= {MOMENT} THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only an open reset link changes.';
        END IF;
        IF NEW.expires_at <> OLD.expires_at AND NEW.expires_at <> {MOMENT} THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only closing changes when a reset link ends.';
        END IF;
        IF (NEW.used_at, NEW.browser) IS DISTINCT FROM (OLD.used_at, OLD.browser) AND (
            NEW.used_at IS DISTINCT FROM {MOMENT} OR OLD.token_digest IS DISTINCT FROM {KEY}
        ) THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only who holds a reset link uses it.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS resetlink_guard ON club_resetlink",
    "CREATE TRIGGER resetlink_guard BEFORE UPDATE ON club_resetlink FOR EACH ROW"
    " EXECUTE FUNCTION club_resetlink_guard()",
]
