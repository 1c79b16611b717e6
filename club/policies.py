"""Rights of the web and worker roles on the club's tables."""

from club import account_policies, counting, junior_policies, second_factor_policies, sign_in_policies
from club.account_policies import KEY as _KEY
from club.rls import AUDIENCES, MEMBER, MOMENT, Table

_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"

_UNUSED = f"i.token_digest = {_KEY} AND i.used_at IS NULL AND i.expires_at > {MOMENT}"
_INVITED = (
    f"EXISTS (SELECT 1 FROM club_invitation i WHERE {_UNUSED}"
    " AND i.role = club_member.role AND i.is_checker = club_member.is_checker"
    " AND i.guardian_id IS NOT DISTINCT FROM club_member.guardian_id)"
)
_NO_ORGANISER = "NOT EXISTS (SELECT 1 FROM club_member m WHERE m.role = 'organiser' AND m.is_active)"
_SETS_UP = (
    f"role = 'organiser' AND {_NO_ORGANISER}"
    f" AND EXISTS (SELECT 1 FROM club_club c WHERE c.setup_key_digest = {_KEY})"
)


def _lets_in(team: str) -> str:
    """Return the condition that the viewer may bring people into the team of SQL expression `team`.

    A team's captain says who joins. An organiser may while it has no captain, and no longer: whoever is in
    a team sees its spots, and an organiser is not to open those by joining.
    """
    captains = f"SELECT 1 FROM club_teammembership t WHERE t.team_id = {team} AND t.is_captain"
    return f"(EXISTS ({captains} AND t.member_id = {MEMBER}) OR ({_ORGANISER} AND NOT EXISTS ({captains})))"


_LETS_IN = _lets_in("club_teammembership.team_id")
_JOINS = (
    f"EXISTS (SELECT 1 FROM club_invitation i WHERE {_UNUSED} AND i.team_id = club_teammembership.team_id)"
)
_LEADS = (
    "EXISTS (SELECT 1 FROM club_teammembership t WHERE t.team_id = club_teammembership.team_id"
    f" AND t.is_captain AND t.member_id = {MEMBER})"
)

TABLES = [
    *account_policies.TABLES,
    *junior_policies.TABLES,
    *second_factor_policies.TABLES,
    *sign_in_policies.TABLES,
    Table(
        "django_session",
        insert="true",
        update="true",
        delete="true",
        private=False,
        worker=("SELECT", "DELETE"),
    ),
    Table("django_content_type", private=False),
    Table("django_migrations", private=False),
    # Names and roles are for the pages to show or not; passwords are hashes. Which columns may change, see
    # the trigger below. An account comes into being by an invitation, by the set-up key, or, from an
    # organiser's import of past records, as one that cannot sign in.
    Table(
        "club_member",
        insert=f"({_INVITED}) OR ({_SETS_UP}) OR ({_ORGANISER} AND NOT is_active)",
        update=f"id = {MEMBER} OR {_ORGANISER}",
    ),
    Table("club_team", insert=_ORGANISER, update=_ORGANISER),
    Table(
        "club_teammembership",
        insert=f"{_LETS_IN} OR {_JOINS}",
        update=f"{_ORGANISER} OR {_LEADS}",
        delete=f"member_id = {MEMBER} OR {_ORGANISER} OR {_LEADS}",
    ),
    Table("club_audiencepolicy", insert=_ORGANISER, update=_ORGANISER),
    # The row itself is made by the owner (`setup_key`).
    Table("club_club", update=f"{_ORGANISER} OR {_NO_ORGANISER}"),
    Table(
        "club_invitation",
        select=f"{_ORGANISER} OR token_digest = {_KEY}",
        insert=f"{_ORGANISER} AND (team_id IS NULL OR {_lets_in('club_invitation.team_id')})",
        update=f"{_ORGANISER} OR token_digest = {_KEY}",
        update_columns=("used_at", "used_by_id", "expires_at"),
        worker=(),
    ),
    # A token is looked up before it is known who is looking, by its digest, which nobody can guess.
    Table(
        "club_apitoken",
        select=f"member_id = {MEMBER} OR {_ORGANISER} OR {MEMBER} IS NULL",
        insert=f"member_id = {MEMBER}",
        update=f"member_id = {MEMBER} OR {_ORGANISER}",
        update_columns=("last_used_on", "revoked_at"),
        worker=(),
    ),
    Table("club_signinattempt", insert="true", delete="true", private=False, worker=()),
    Table(
        "club_idempotencykey",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER}",
        # An answer that is out of date makes room for the next use of its key (club.idempotency).
        delete=f"member_id = {MEMBER} AND created_at <= {MOMENT} - interval '7 days'",
        worker=("SELECT", "DELETE"),
    ),
]

FUNCTIONS = [*counting.FUNCTIONS]

TRIGGERS = [
    *account_policies.TRIGGERS,
    *junior_policies.TRIGGERS,
    *second_factor_policies.TRIGGERS,
    *sign_in_policies.TRIGGERS,
    # What a policy cannot say: which columns of a member's row may change, and by whom.
    f"""
    CREATE OR REPLACE FUNCTION club_member_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE
        trusts text[] := ARRAY['role', 'is_checker', 'is_active', 'left_at', 'session_epoch', 'guardian_id'];
        fixed text[] := ARRAY[
            'id', 'username', 'joined_at', 'role', 'role_since', 'is_checker', 'is_active', 'left_at',
            'guardian_id'
        ];
        going text[] := ARRAY['is_checker', 'is_active', 'left_at', 'role_since'];
        leaves boolean := NEW.id = {MEMBER} AND OLD.is_active AND NOT NEW.is_active AND NOT NEW.is_checker
            AND NEW.left_at IS NOT DISTINCT FROM {MOMENT} AND to_jsonb(NEW) - going = to_jsonb(OLD) - going;
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        IF NEW.id IS DISTINCT FROM {MEMBER} AND to_jsonb(NEW) - trusts <> to_jsonb(OLD) - trusts THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only a member changes their own account.';
        END IF;
        IF NOT ({_ORGANISER}) AND NOT leaves AND EXISTS (
            SELECT 1 FROM unnest(fixed) AS field WHERE to_jsonb(NEW) -> field <> to_jsonb(OLD) -> field
        ) THEN
            RAISE insufficient_privilege USING MESSAGE = 'Only an organiser changes what a member may do.';
        END IF;
        IF OLD.role = 'organiser' AND OLD.is_active AND NOT (NEW.role = 'organiser' AND NEW.is_active)
            AND NOT EXISTS (
                SELECT 1 FROM club_member m WHERE m.role = 'organiser' AND m.is_active AND m.id <> OLD.id
            )
        THEN
            RAISE insufficient_privilege USING MESSAGE = 'A club keeps one organiser at least.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS member_guard ON club_member",
    "CREATE TRIGGER member_guard BEFORE UPDATE ON club_member FOR EACH ROW"
    " EXECUTE FUNCTION club_member_guard()",
    # Whoever leaves, by whatever way, leaves no open door behind.
    f"""
    CREATE OR REPLACE FUNCTION club_member_left() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
    BEGIN
        UPDATE club_apitoken SET revoked_at = moment WHERE member_id = NEW.id AND revoked_at IS NULL;
        UPDATE club_invitation SET expires_at = moment
            WHERE created_by_id = NEW.id AND used_at IS NULL AND expires_at > moment;
        DELETE FROM club_teammembership WHERE member_id = NEW.id;
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS member_left ON club_member",
    "CREATE TRIGGER member_left AFTER UPDATE OF is_active ON club_member FOR EACH ROW"
    " WHEN (OLD.is_active AND NOT NEW.is_active) EXECUTE FUNCTION club_member_left()",
    # Since when somebody has a role or is in a team is what the database saw, never what a request says.
    # The name sorts after member_guard, which judges what was asked for.
    f"""
    CREATE OR REPLACE FUNCTION club_role_since() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE
        ladder text[] := ARRAY['guest', 'member', 'organiser'];
        moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
    BEGIN
        IF TG_OP = 'INSERT' THEN
            IF current_user = 'tallow_web' THEN NEW.role_since := moment; END IF;
            RETURN NEW;
        END IF;
        IF current_user = 'tallow_web' THEN NEW.role_since := OLD.role_since; END IF;
        IF NEW.role_since = OLD.role_since AND (
            array_position(ladder, NEW.role::text) > array_position(ladder, OLD.role::text)
            OR (NEW.is_checker AND NOT OLD.is_checker) OR (NEW.is_active AND NOT OLD.is_active)
        ) THEN
            NEW.role_since := moment;
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS role_since ON club_member",
    "CREATE TRIGGER role_since BEFORE INSERT OR UPDATE ON club_member FOR EACH ROW"
    " EXECUTE FUNCTION club_role_since()",
    f"""
    CREATE OR REPLACE FUNCTION club_in_team_since() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        IF TG_OP = 'INSERT' THEN
            NEW.since := COALESCE({MOMENT}, clock_timestamp());
        ELSIF (NEW.team_id, NEW.member_id) IS DISTINCT FROM (OLD.team_id, OLD.member_id) THEN
            NEW.since := COALESCE({MOMENT}, clock_timestamp());
        ELSE
            NEW.since := OLD.since;
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS in_team_since ON club_teammembership",
    "CREATE TRIGGER in_team_since BEFORE INSERT OR UPDATE ON club_teammembership FOR EACH ROW"
    " EXECUTE FUNCTION club_in_team_since()",
]
