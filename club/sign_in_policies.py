"""Sessions in the database: which of them still count, decided by a function that shows no others."""

from club.rls import MEMBER, MOMENT, Table

TABLES = [
    Table(
        "club_signin",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER} AND started_at = {MOMENT} AND seen_at = {MOMENT} AND ended_at IS NULL",
        update=f"member_id = {MEMBER}",
        delete=f"member_id = {MEMBER} AND COALESCE(ended_at, seen_at) < {MOMENT} - interval '90 days'",
        # A session is ended; it is never begun again, nor made another's.
        update_columns=("seen_at", "ended_at"),
        worker=(),
    ),
]

TRIGGERS = [
    # Asked before it is known who asks, by a digest that nobody can guess; limits are in seconds.
    """
    CREATE OR REPLACE FUNCTION club_signed_in(digest text, at timestamptz,
        idle_s int, absolute_s int, organiser_idle_s int, organiser_absolute_s int)
    RETURNS TABLE (sign_in uuid, member_id uuid, seen timestamptz)
    LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
        SELECT s.id, s.member_id, s.seen_at FROM club_signin s JOIN club_member m ON m.id = s.member_id
        WHERE s.key_digest = digest AND s.ended_at IS NULL AND m.is_active
        AND s.seen_at > at - make_interval(secs =>
            CASE m.role WHEN 'organiser' THEN organiser_idle_s ELSE idle_s END)
        AND s.started_at > at - make_interval(secs =>
            CASE m.role WHEN 'organiser' THEN organiser_absolute_s ELSE absolute_s END)
    $$
    """,
    "REVOKE ALL ON FUNCTION club_signed_in(text, timestamptz, int, int, int, int) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION club_signed_in(text, timestamptz, int, int, int, int) TO tallow_web",
    """
    CREATE OR REPLACE FUNCTION club_signin_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user = 'tallow_web' AND OLD.ended_at IS NOT NULL THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only an open session changes.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS signin_guard ON club_signin",
    "CREATE TRIGGER signin_guard BEFORE UPDATE ON club_signin FOR EACH ROW"
    " EXECUTE FUNCTION club_signin_guard()",
    # Whatever ends a member's sessions ends these: a new password, the epoch, the membership.
    f"""
    CREATE OR REPLACE FUNCTION club_sessions_end() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        UPDATE club_signin SET ended_at = COALESCE({MOMENT}, clock_timestamp())
            WHERE member_id = NEW.id AND ended_at IS NULL;
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS sessions_end ON club_member",
    "CREATE TRIGGER sessions_end AFTER UPDATE OF password, session_epoch, is_active ON club_member"
    " FOR EACH ROW WHEN (OLD.password <> NEW.password OR OLD.session_epoch <> NEW.session_epoch"
    " OR (OLD.is_active AND NOT NEW.is_active)) EXECUTE FUNCTION club_sessions_end()",
]
