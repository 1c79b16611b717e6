"""The second factor in the database: codes are checked here, so that no query of the web reads a secret.

The web role has no right at all on the table. It can ask the functions below, which answer yes, no or wait
and keep count themselves. Codes are TOTP (RFC 6238: SHA-1, 30 s, 6 digits), computed with pgcrypto's HMAC;
one step to either side is allowed, as RFC 6238 §5.2 advises, and no step twice.
"""

from club.account_policies import KEY
from club.rls import MEMBER, MOMENT, Table

# Wrong codes after which each further one costs a wait, doubled every time, a day at most.
FREE_TRIES = 5

TABLES = [Table("club_secondfactor", select=None, worker=())]

_FUNCTIONS = (
    "club_check_second_factor(uuid, text)",
    "club_set_second_factor(bytea, text, jsonb)",
    "club_drop_second_factor(text)",
    "club_renew_recovery(text, jsonb)",
    "club_recovery_left()",
    "club_lift_second_factor()",
)

TRIGGERS = [
    "CREATE EXTENSION IF NOT EXISTS pgcrypto SCHEMA public",
    # RFC 4226 §5.3, dynamic truncation.
    """
    CREATE OR REPLACE FUNCTION club_totp(secret bytea, step bigint) RETURNS text LANGUAGE plpgsql IMMUTABLE
    SET search_path = public, pg_temp AS $$
    DECLARE
        mac bytea := hmac(int8send(step), secret, 'sha1');
        at int := get_byte(mac, 19) & 15;
        number bigint := ((get_byte(mac, at) & 127)::bigint << 24) | (get_byte(mac, at + 1) << 16)
            | (get_byte(mac, at + 2) << 8) | get_byte(mac, at + 3);
    BEGIN
        RETURN lpad((number % 1000000)::text, 6, '0');
    END $$
    """,
    f"""
    CREATE OR REPLACE FUNCTION club_check_second_factor(who uuid, given text,
        OUT answer text, OUT failed int, OUT wait_s int)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
    DECLARE
        factor club_secondfactor;
        moment timestamptz := {MOMENT};
        now_step bigint := floor(extract(epoch FROM {MOMENT}) / 30);
        used text := encode(sha256(convert_to(given, 'UTF8')), 'hex');
    BEGIN
        -- One try at a time: of two that come together with the same code, the second finds it used.
        SELECT * INTO factor FROM club_secondfactor WHERE member_id = who FOR UPDATE;
        failed := COALESCE(factor.failures, 0);
        wait_s := 0;
        IF factor.member_id IS NULL THEN
            answer := 'none';
            RETURN;
        END IF;
        IF failed >= {FREE_TRIES} THEN
            wait_s := ceil(extract(epoch FROM factor.failed_at
                + least(interval '15 minutes' * 2 ^ least(failed - {FREE_TRIES}, 10), interval '1 day')
                - moment));
            IF wait_s > 0 THEN
                answer := 'wait';
                RETURN;
            END IF;
        END IF;
        IF jsonb_exists(factor.recovery, used) THEN
            UPDATE club_secondfactor SET recovery = recovery - used, failures = 0 WHERE member_id = who;
            answer := 'yes';
            RETURN;
        END IF;
        FOR step IN now_step - 1 .. now_step + 1 LOOP
            IF step > factor.last_step AND given = club_totp(factor.secret, step) THEN
                UPDATE club_secondfactor SET last_step = step, failures = 0 WHERE member_id = who;
                answer := 'yes';
                RETURN;
            END IF;
        END LOOP;
        UPDATE club_secondfactor SET failures = failures + 1, failed_at = moment WHERE member_id = who;
        failed := failed + 1;
        answer := 'no';
    END $$
    """,
    f"""
    CREATE OR REPLACE FUNCTION club_set_second_factor(given_secret bytea, given text, digests jsonb)
    RETURNS boolean LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
    DECLARE now_step bigint := floor(extract(epoch FROM {MOMENT}) / 30);
    BEGIN
        IF length(given_secret) < 20 THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only a secret of 160 bits will do.';
        END IF;
        FOR step IN now_step - 1 .. now_step + 1 LOOP
            IF given = club_totp(given_secret, step) THEN
                INSERT INTO club_secondfactor (member_id, secret, set_at, last_step, recovery, failures)
                    VALUES ({MEMBER}, given_secret, {MOMENT}, step, digests, 0)
                    ON CONFLICT DO NOTHING;
                IF FOUND THEN
                    UPDATE club_member SET second_factor_since = {MOMENT} WHERE id = {MEMBER};
                    RETURN true;
                END IF;
            END IF;
        END LOOP;
        RETURN false;
    END $$
    """,
    f"""
    CREATE OR REPLACE FUNCTION club_drop_second_factor(given text,
        OUT answer text, OUT failed int, OUT wait_s int)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
    BEGIN
        SELECT * INTO answer, failed, wait_s FROM club_check_second_factor({MEMBER}, given);
        IF answer = 'yes' THEN
            DELETE FROM club_secondfactor WHERE member_id = {MEMBER};
            UPDATE club_member SET second_factor_since = NULL WHERE id = {MEMBER};
        END IF;
    END $$
    """,
    f"""
    CREATE OR REPLACE FUNCTION club_renew_recovery(given text, digests jsonb,
        OUT answer text, OUT failed int, OUT wait_s int)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
    BEGIN
        SELECT * INTO answer, failed, wait_s FROM club_check_second_factor({MEMBER}, given);
        IF answer = 'yes' THEN
            UPDATE club_secondfactor SET recovery = digests WHERE member_id = {MEMBER};
        END IF;
    END $$
    """,
    f"""
    CREATE OR REPLACE FUNCTION club_recovery_left() RETURNS int LANGUAGE sql STABLE SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
        SELECT jsonb_array_length(recovery) FROM club_secondfactor WHERE member_id = {MEMBER}
    $$
    """,
    # For a reset link that was made at the machine for someone who has lost the second factor too.
    f"""
    CREATE OR REPLACE FUNCTION club_lift_second_factor() RETURNS void LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE whose uuid := (SELECT r.member_id FROM club_resetlink r WHERE r.token_digest = {KEY}
        AND r.lifts_second_factor AND r.issued_by_id IS NULL AND r.used_at = {MOMENT});
    BEGIN
        DELETE FROM club_secondfactor WHERE member_id = whose;
        UPDATE club_member SET second_factor_since = NULL WHERE id = whose;
    END $$
    """,
    *(f"REVOKE ALL ON FUNCTION {name} FROM PUBLIC" for name in _FUNCTIONS),
    *(f"GRANT EXECUTE ON FUNCTION {name} TO tallow_web" for name in _FUNCTIONS),
    # What the pages go by is true: only the functions above change it.
    """
    CREATE OR REPLACE FUNCTION club_factor_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user = 'tallow_web' THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only a code that fits changes the second factor.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS factor_guard ON club_member",
    "CREATE TRIGGER factor_guard BEFORE UPDATE ON club_member FOR EACH ROW"
    " WHEN (NEW.second_factor_since IS DISTINCT FROM OLD.second_factor_since)"
    " EXECUTE FUNCTION club_factor_guard()",
]
