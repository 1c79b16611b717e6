"""Rights of the web and worker roles on events and entries; part of spots/policies.py."""

from club.rls import AUDIENCES, MEMBER, MOMENT, Table

_MEMBER = f"'members' = ANY ({AUDIENCES})"
_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"

# An entry that binds: it was not withdrawn before its event's cut-off. SQL over `n` (entry) and `v` (event).
BINDS = "(n.withdrawn_at IS NULL OR n.withdrawn_at >= v.cutoff_at)"


def _not_entered(event: str) -> str:
    """Return the condition that the viewer has no binding entry in the event of SQL row `event`."""
    return (
        f"NOT EXISTS (SELECT 1 FROM spots_entry n WHERE n.event_id = {event}.id AND n.member_id = {MEMBER}"
        f" AND (n.withdrawn_at IS NULL OR n.withdrawn_at >= {event}.cutoff_at))"
    )


def _acts(event: str) -> str:
    """Return the condition that the viewer acts for the event of SQL row `event`.

    An organiser or its deputy, who is not entered in it.
    """
    return f"(({_ORGANISER} OR {event}.deputy_id = {MEMBER}) AND {_not_entered(event)})"


# Whether they are entered themselves is the trigger's to ask: a policy on entries cannot look at entries.
_RUNS = (
    f"({_ORGANISER} OR EXISTS (SELECT 1 FROM spots_event v WHERE v.id = spots_entry.event_id"
    f" AND v.deputy_id = {MEMBER}))"
)
_BEFORE_CUTOFF = (
    f"EXISTS (SELECT 1 FROM spots_event v WHERE v.id = spots_entry.event_id AND {MOMENT} < v.cutoff_at)"
)
_LEADS = (
    "EXISTS (SELECT 1 FROM club_teammembership t WHERE t.team_id = spots_entry.team_id"
    f" AND t.is_captain AND t.member_id = {MEMBER})"
)
# Whoever enters with a team belongs to it.
_OF_THE_TEAM = (
    "(spots_entry.team_id IS NULL OR EXISTS (SELECT 1 FROM club_teammembership t"
    " WHERE t.team_id = spots_entry.team_id AND t.member_id = spots_entry.member_id))"
)
_THEMSELF = f"(spots_entry.member_id = {MEMBER} AND {_MEMBER})"

# Who reads another's log of openings, on an event's water and from the day of its cut-off to its end: whoever
# acts for the event, of those who ask to enter late; a captain, of the own team's entered anglers. Never of a
# spot that they are not shown themselves.
READS_LOG = (
    "EXISTS (SELECT 1 FROM spots_entry n JOIN spots_event v ON v.id = n.event_id"
    " JOIN spots_spot s ON s.id = spots_disclosure.spot_id AND s.water_id = v.water_id"
    " WHERE n.member_id = spots_disclosure.viewer_id AND spots_disclosure.at < v.ends_at"
    " AND spots_disclosure.day >= (v.cutoff_at AT TIME ZONE 'UTC')::date"
    f" AND ((n.late AND {_acts('v')}) OR EXISTS (SELECT 1 FROM club_teammembership t"
    f" WHERE t.team_id = n.team_id AND t.is_captain AND t.member_id = {MEMBER})))"
)

TABLES = [
    Table(
        "spots_event",
        insert=f"{_ORGANISER} AND created_by_id = {MEMBER}",
        update=_acts("spots_event"),
        # Deleting an event after its cut-off would thaw whom it froze, and lose what was frozen.
        delete=f"{_acts('spots_event')} AND {MOMENT} < cutoff_at",
    ),
    Table(
        "spots_entry",
        select=_MEMBER,
        # What the entry's own columns may say, see the trigger below.
        insert=f"{_OF_THE_TEAM} AND ({_THEMSELF} OR {_RUNS} OR ({_LEADS} AND {_BEFORE_CUTOFF}))",
        update=f"{_THEMSELF} OR {_RUNS} OR {_LEADS}",
        update_columns=("team_id", "withdrawn_at", "accepted_by_id"),
        delete=f"{_BEFORE_CUTOFF} AND {_RUNS}",
    ),
]

# Somebody can still act for the event of variable `v` (a row) when member `leaving` fishes it.
_SOMEBODY_ACTS = """(
        EXISTS (
            SELECT 1 FROM club_member m WHERE m.role = 'organiser' AND m.is_active
                AND m.id IS DISTINCT FROM leaving AND NOT EXISTS (
                    SELECT 1 FROM spots_entry n WHERE n.event_id = v.id AND n.member_id = m.id
                        AND (n.withdrawn_at IS NULL OR n.withdrawn_at >= v.cutoff_at))
        ) OR EXISTS (
            SELECT 1 FROM club_member m WHERE m.id = v.deputy_id AND m.is_active AND m.role <> 'guest'
                AND m.id IS DISTINCT FROM leaving)
    )"""

# One change of an event or its entries is judged at a time, or its last two free organisers could both enter.
_LOCK = 7_411_003

TRIGGERS = [
    # What a policy cannot say: a cut-off that has passed stands, for everybody but the owner of the database.
    f"""
    CREATE OR REPLACE FUNCTION spots_event_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE
        moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
        v spots_event := NEW;
        leaving uuid := NULL;
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        PERFORM pg_advisory_xact_lock({_LOCK}, hashtext(NEW.id::text));
        IF TG_OP = 'INSERT' THEN
            IF NEW.cutoff_at < moment THEN
                RAISE EXCEPTION 'A cut-off is set before it comes.' USING ERRCODE = 'check_violation';
            END IF;
            NEW.created_at := moment;
        ELSE
            IF (NEW.id, NEW.created_by_id, NEW.created_at)
                IS DISTINCT FROM (OLD.id, OLD.created_by_id, OLD.created_at) THEN
                RAISE EXCEPTION 'Who made an event, and when, stands.' USING ERRCODE = 'check_violation';
            END IF;
            IF OLD.cutoff_at <= moment AND (
                (NEW.cutoff_at, NEW.water_id) IS DISTINCT FROM (OLD.cutoff_at, OLD.water_id)
                OR NEW.ends_at < OLD.ends_at
            ) THEN
                RAISE EXCEPTION 'A cut-off that has passed stands, and so do its water and its end.'
                    USING ERRCODE = 'check_violation';
            END IF;
            IF OLD.ends_at <= moment AND NEW.ends_at <> OLD.ends_at THEN
                RAISE EXCEPTION 'An event that is over is not made longer.' USING ERRCODE = 'check_violation';
            END IF;
            IF OLD.cutoff_at > moment AND NEW.cutoff_at < moment THEN
                RAISE EXCEPTION 'A cut-off is set before it comes.' USING ERRCODE = 'check_violation';
            END IF;
        END IF;
        IF NEW.deputy_id IS NOT NULL AND (TG_OP = 'INSERT' OR NEW.deputy_id IS DISTINCT FROM OLD.deputy_id)
            AND (
                EXISTS (SELECT 1 FROM spots_entry n WHERE n.event_id = v.id AND n.member_id = v.deputy_id
                    AND (n.withdrawn_at IS NULL OR n.withdrawn_at >= v.cutoff_at))
                OR NOT EXISTS (SELECT 1 FROM club_member m WHERE m.id = v.deputy_id AND m.is_active
                    AND m.role <> 'guest')
            ) THEN
            RAISE EXCEPTION 'A deputy is a member who is not entered.' USING ERRCODE = 'check_violation';
        END IF;
        IF TG_OP = 'UPDATE' AND NEW.deputy_id IS DISTINCT FROM OLD.deputy_id AND NOT {_SOMEBODY_ACTS} THEN
            RAISE EXCEPTION 'Every organiser is entered: the event needs a deputy.'
                USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS event_guard ON spots_event",
    "CREATE TRIGGER event_guard BEFORE INSERT OR UPDATE ON spots_event FOR EACH ROW"
    " EXECUTE FUNCTION spots_event_guard()",
    # The times of an entry are the request's own; after the cut-off it is late, needs somebody who acts for
    # the event to accept it, and no change of it thaws.
    f"""
    CREATE OR REPLACE FUNCTION spots_entry_guard() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE
        moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
        v spots_event;
        acts boolean;
        leaving uuid := NEW.member_id;
        enters boolean := true;
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        PERFORM pg_advisory_xact_lock({_LOCK}, hashtext(NEW.event_id::text));
        SELECT * INTO v FROM spots_event WHERE id = NEW.event_id;
        acts := {_acts("v")};
        IF moment >= v.ends_at THEN
            RAISE EXCEPTION 'The event is over.' USING ERRCODE = 'check_violation';
        END IF;
        IF NEW.member_id IS DISTINCT FROM {MEMBER} AND NOT acts AND NOT EXISTS (
            SELECT 1 FROM club_teammembership t WHERE t.team_id = NEW.team_id AND t.is_captain
                AND t.member_id = {MEMBER} AND (TG_OP = 'UPDATE' OR moment < v.cutoff_at)
        ) THEN
            RAISE insufficient_privilege USING MESSAGE = 'Who is entered does not act for others in an event.';
        END IF;
        IF TG_OP = 'INSERT' THEN
            NEW.entered_at := moment;
            NEW.withdrawn_at := NULL;
            NEW.late := moment >= v.cutoff_at;
            -- To enter late is to be frozen at once, and to show one's openings: only the angler asks for it.
            IF NEW.late AND NEW.member_id IS DISTINCT FROM {MEMBER} THEN
                RAISE EXCEPTION 'After the cut-off an angler asks to enter themself.'
                    USING ERRCODE = 'check_violation';
            END IF;
            NEW.accepted_by_id := NULL;
        ELSE
            IF NEW.accepted_by_id IS DISTINCT FROM OLD.accepted_by_id AND NOT (
                acts AND OLD.late AND OLD.accepted_by_id IS NULL AND NEW.accepted_by_id = {MEMBER}
            ) THEN
                RAISE EXCEPTION 'A late entry is accepted by an organiser who is not entered, or the deputy.'
                    USING ERRCODE = 'check_violation';
            END IF;
            IF NEW.team_id IS NOT NULL AND NEW.team_id IS DISTINCT FROM OLD.team_id AND NOT EXISTS (
                SELECT 1 FROM club_teammembership t
                WHERE t.team_id = NEW.team_id AND t.member_id = NEW.member_id
            ) THEN
                RAISE EXCEPTION 'Whoever enters with a team belongs to it.' USING ERRCODE = 'check_violation';
            END IF;
            IF NEW.withdrawn_at IS NOT NULL THEN
                NEW.withdrawn_at := COALESCE(OLD.withdrawn_at, moment);
            END IF;
            IF moment >= v.cutoff_at AND (
                NEW.team_id IS DISTINCT FROM OLD.team_id
                OR (OLD.withdrawn_at IS NOT NULL AND NEW.withdrawn_at IS NULL)
            ) THEN
                RAISE EXCEPTION 'After the cut-off an entry can only be withdrawn or accepted.'
                    USING ERRCODE = 'check_violation';
            END IF;
            enters := OLD.withdrawn_at IS NOT NULL AND NEW.withdrawn_at IS NULL;
        END IF;
        IF enters AND NOT EXISTS (
            SELECT 1 FROM club_member m WHERE m.id = NEW.member_id AND m.is_active AND m.role <> 'guest'
        ) THEN
            RAISE EXCEPTION 'Only a member of the club is entered.' USING ERRCODE = 'check_violation';
        END IF;
        IF enters AND NEW.member_id = v.deputy_id THEN
            RAISE EXCEPTION 'The deputy does not fish the event.' USING ERRCODE = 'check_violation';
        END IF;
        IF enters AND NOT {_SOMEBODY_ACTS} THEN
            RAISE EXCEPTION 'Nobody would be left to act for the event: name a deputy first.'
                USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS entry_guard ON spots_entry",
    "CREATE TRIGGER entry_guard BEFORE INSERT OR UPDATE ON spots_entry FOR EACH ROW"
    " EXECUTE FUNCTION spots_entry_guard()",
    f"""
    CREATE OR REPLACE FUNCTION spots_entry_stays() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE v spots_event;
    BEGIN
        SELECT * INTO v FROM spots_event WHERE id = OLD.event_id;
        IF current_user = 'tallow_web' AND NOT {_acts("v")} THEN
            RAISE insufficient_privilege USING MESSAGE = 'Who is entered does not act for others in an event.';
        END IF;
        RETURN OLD;
    END $$
    """,
    "DROP TRIGGER IF EXISTS entry_stays ON spots_entry",
    "CREATE TRIGGER entry_stays BEFORE DELETE ON spots_entry FOR EACH ROW EXECUTE FUNCTION spots_entry_stays()",
]
