"""Rights of the web and worker roles on looks, proofs and histories, and the triggers that keep them true."""

from club.models import Level
from club.rls import AUDIENCES, FROZEN, KEPT, MEMBER, MOMENT, SIDE, Table, thawed_or
from observations import (
    ceiling_policies,
    clearing_policies,
    debrief_policies,
    editing_policies,
    import_policies,
    lesson_policies,
    marking_policies,
    proof_policies,
    reliability_policies,
    small_policies,
)
from observations.ceiling_policies import told, told_in_look
from observations.clearing_policies import OFFERED
from observations.editing_policies import EDITABLE
from spots.rules import known, sees, water_of

_MEMBER = f"'members' = ANY ({AUDIENCES})"
_CHECKER = f"'checkers' = ANY ({AUDIENCES})"
_IN_SCOPE = f"scope = ANY ({AUDIENCES})"


def _exact(table: str) -> str:
    return sees(f"{table}.spot_id", Level.EXACT)


def _scope_known(table: str, since: str) -> str:
    """The row's scope is the viewer's; where its water is frozen, by what had come in at the cut-off.

    A look that opens is the club's from then on.
    """
    return thawed_or(
        water_of(f"{table}.spot_id"),
        f"({table}.scope = ANY ({SIDE}) OR (({table}.scope = ANY ({KEPT})"
        f" OR ({table}.opens_at <= {{at}} AND 'club' = ANY ({KEPT}))) AND {table}.{since} <= {{at}}))",
        f"({table}.scope = ANY ({AUDIENCES}) OR ({table}.opens_at <= {MOMENT} AND 'club' = ANY ({AUDIENCES})))",
    )


_LOOK_EXACT = _exact("observations_observation")

# A member may log at a spot they see exactly, under their own name, in a scope of their own.
_MAY_LOG = f"observer_id = {MEMBER} AND {_MEMBER} AND {_IN_SCOPE} AND {_LOOK_EXACT}"
# An organiser brings in past records of others, for the club's own spots.
_MAY_IMPORT = f"'organisers' = ANY ({AUDIENCES}) AND source = 'import' AND {_IN_SCOPE} AND {_LOOK_EXACT}"


def _look(condition: str = "true") -> str:
    """Return the condition that the row's look can be seen (the look's own policy applies inside)."""
    return f"EXISTS (SELECT 1 FROM observations_observation o WHERE o.id = look_id AND {condition})"


_OWN_LOOK = _look(f"(o.observer_id = {MEMBER} OR (o.source = 'import' AND 'organisers' = ANY ({AUDIENCES})))")
_OWN_CHECK = _look(f"o.observer_id = {MEMBER}")
_GROUP_VISIBLE = "EXISTS (SELECT 1 FROM observations_echogroup e WHERE e.id = group_id)"
_OWN_GROUP = (
    "EXISTS (SELECT 1 FROM observations_echogroup e JOIN observations_observation o ON o.id = e.look_id"
    f" WHERE e.id = group_id AND (o.observer_id = {MEMBER}"
    f" OR (o.source = 'import' AND 'organisers' = ANY ({AUDIENCES}))))"
)
# A checker sees the findings of the club's scope that are not their own, and nothing of the look. Those of a
# water that is frozen for them wait for another checker.
_TO_CHECK = (
    f"({_CHECKER} AND (scope = 'club' OR opens_at <= {MOMENT}) AND observer_id <> {MEMBER}"
    " AND withdrawn_at IS NULL"
    f" AND {thawed_or('observations_finding.water_id', 'false')})"
)
# What a checker decided after the cut-off is not known yet, except to the finding's own side.
_DECISION_KNOWN = (
    "EXISTS (SELECT 1 FROM observations_finding f WHERE f.id = observations_confirmation.finding_id"
    f" AND (f.observer_id = {MEMBER} OR"
    f" {known('f.water_id', 'observations_confirmation.created_at', 'f.scope')}))"
)
_PICTURE_KNOWN = (
    f"(o.observer_id = {MEMBER}"
    f" OR {known(water_of('o.spot_id'), 'observations_picture.created_at', 'o.scope')})"
)
# Species with a ceiling. A corrected finding names two. A checker who sees the look is told nothing more than
# others are: such a finding waits for one who does not, or for the spot's owner.
_CALL_TOLD = (
    "(NOT EXISTS (SELECT 1 FROM observations_speciesceiling k WHERE k.species_id = observations_call.species_id)"
    " OR EXISTS (SELECT 1 FROM observations_echogroup e WHERE e.id = observations_call.group_id"
    f" AND {told_in_look('observations_call.species_id', 'e.look_id')}))"
)
_FINDING_TOLD = told_in_look(
    "observations_finding.species_id, observations_finding.corrected_species_id",
    "observations_finding.look_id",
)
# The picture of a finding goes with it (the finding's own policy applies inside).
_FINDING_VISIBLE = (
    "(observations_picture.finding_id IS NULL OR EXISTS (SELECT 1 FROM observations_finding f"
    " WHERE f.id = observations_picture.finding_id))"
)
_FIRST_CUT_OFF = f"(SELECT min(value::timestamptz) FROM jsonb_each_text({FROZEN}))"
_HISTORY_LEVEL = (
    f"CASE observations_history.edition WHEN 'published' THEN {Level.WATER} ELSE {Level.EXACT} END"
)
_HISTORY_WATER = water_of("observations_history.spot_id")
_OWN_HISTORY = f"(observations_history.scope = ANY ({SIDE}) OR (scope = 'club' AND scope = ANY ({KEPT})))"

TABLES = [
    # One's own alone, and what was called stays called.
    Table(
        "observations_blindcall",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER}",
        worker=(),
    ),
    Table("observations_species", insert="true", update="true", private=False),
    Table(
        "observations_trip",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER}",
        update=f"member_id = {MEMBER}",
        delete=f"member_id = {MEMBER}",
    ),
    Table(
        "observations_observation",
        select=f"observer_id = {MEMBER}"
        f" OR ({_scope_known('observations_observation', 'received_at')} AND {_LOOK_EXACT})",
        insert=f"({_MAY_LOG}) OR ({_MAY_IMPORT})",
        update=f"observer_id = {MEMBER}",
        # Conditions and note can be put right; what was seen, called and when stays as it was sealed.
        update_columns=("withdrawn_at", "trip_id", "opens_at", "settings", *EDITABLE),
        worker=("SELECT",),
    ),
    Table("observations_echogroup", select=_look(), insert=_OWN_LOOK),
    Table(
        "observations_call",
        select=f"{_GROUP_VISIBLE} AND {_CALL_TOLD}",
        insert=_OWN_GROUP,
        update=_OWN_GROUP,
        update_columns=("withdrawn_at",),
    ),
    Table(
        "observations_finding",
        select=f"({_look()} AND {_FINDING_TOLD}) OR ({_TO_CHECK} AND ({_FINDING_TOLD} OR NOT {_look()}))",
        insert=_OWN_LOOK,
    ),
    Table("observations_presentation", select=_look(), insert=_OWN_LOOK),
    # Between a member and the draw: what was refused is nobody else's to read.
    Table(
        "observations_cameracheck",
        select=_OWN_CHECK,
        insert=_OWN_CHECK,
        update=_OWN_CHECK,
        update_columns=("answer", "answered_at"),
    ),
    Table(
        "observations_picture",
        select=f"({_look(_PICTURE_KNOWN)} AND {_FINDING_VISIBLE})"
        " OR EXISTS (SELECT 1 FROM observations_finding f WHERE f.id = finding_id"
        f" AND {known('f.water_id', 'observations_picture.created_at', 'f.scope')}) OR {OFFERED}",
        insert=_OWN_LOOK,
    ),
    Table(
        "observations_confirmation",
        select=_DECISION_KNOWN,
        insert=f"(checker_id = {MEMBER} AND {_CHECKER}"
        " AND EXISTS (SELECT 1 FROM observations_finding f WHERE f.id = finding_id))"
        f" OR ('organisers' = ANY ({AUDIENCES}) AND EXISTS (SELECT 1 FROM observations_finding f"
        " JOIN observations_observation o ON o.id = f.look_id WHERE f.id = finding_id AND o.source = 'import'))",
        # Kept, but taken back by whoever decided.
        update=f"checker_id = {MEMBER} AND {_CHECKER}",
        update_columns=("undone_at",),
    ),
    # The first name stands: there is no way to change or remove it.
    Table(
        "observations_blindname",
        select=f"checker_id = {MEMBER}",
        insert=f"checker_id = {MEMBER} AND {_CHECKER} AND EXISTS (SELECT 1 FROM observations_finding f"
        f" WHERE f.id = finding_id AND f.observer_id <> {MEMBER})",
    ),
    # A fit made after a cut-off rests on looks that a frozen member may not know of.
    Table(
        "observations_refit",
        select=f"{_MEMBER} AND ({FROZEN} IS NULL OR finished_at <= {_FIRST_CUT_OFF})",
        worker=("SELECT", "INSERT", "UPDATE", "DELETE"),
    ),
    Table(
        "observations_history",
        # Live for exact viewers. Where the water is frozen for them: what was live at the cut-off, until the
        # worker touches it and lays the frozen edition beside it. Published for everybody else; while a
        # cut-off is on, nothing of that water is published.
        select=told("observations_history.species_id", "observations_history.spot_id")
        + f" AND {sees('observations_history.spot_id', _HISTORY_LEVEL)}"
        + " AND CASE observations_history.edition WHEN 'live' THEN "
        + thawed_or(_HISTORY_WATER, f"({_OWN_HISTORY} AND computed_at <= {{at}})", _IN_SCOPE)
        + " WHEN 'frozen' THEN "
        + thawed_or(_HISTORY_WATER, f"({_OWN_HISTORY} AND cutoff_at = {{at}})", "false")
        + f" ELSE scope = 'club' AND {known(_HISTORY_WATER, 'computed_at')} END",
        worker=("SELECT", "INSERT", "UPDATE", "DELETE"),
    ),
    *ceiling_policies.TABLES,
    *clearing_policies.TABLES,
    *debrief_policies.TABLES,
    *import_policies.TABLES,
    *lesson_policies.TABLES,
    *marking_policies.TABLES,
    *proof_policies.TABLES,
    *small_policies.TABLES,
    *reliability_policies.TABLES,
    Table("observations_due", select=None, worker=("SELECT", "INSERT", "UPDATE", "DELETE")),
]

# Advisory lock: a spot's refresh shares it with other spots' (jobs.py); a swap of all results takes it alone.
SWAP_LOCK = 7_411_001

_DEFINER = "LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp"


def _trigger(name: str, when: str, table: str, function: str) -> list[str]:
    return [
        f"DROP TRIGGER IF EXISTS {name} ON {table}",
        f"CREATE TRIGGER {name} {when} ON {table} FOR EACH ROW EXECUTE FUNCTION {function}()",
    ]


def _touches(look: str) -> str:
    """Return the scope whose histories the look of SQL row `look` belongs to: the club's once it has opened."""
    opened = f"{look}.opens_at <= COALESCE({MOMENT}, clock_timestamp())"
    return f"CASE WHEN {opened} THEN 'club' ELSE {look}.scope END"


def _makes_due(name: str, source: str) -> list[str]:
    """Return the trigger function that makes due what `source` selects: a spot, and the scope that changed.

    No scope stands for all of them, and stays so.
    """
    return [
        f"""
        CREATE OR REPLACE FUNCTION observations_due_by_{name}() RETURNS trigger {_DEFINER} AS $$
        BEGIN
            INSERT INTO observations_due (spot_id, since, scopes)
            SELECT spot_id, clock_timestamp(), array_remove(ARRAY[scope::text], NULL) FROM ({source}) changed
            ON CONFLICT (spot_id) DO UPDATE SET since = excluded.since, scopes = CASE
                WHEN cardinality(observations_due.scopes) = 0 OR cardinality(excluded.scopes) = 0 THEN '{{}}'
                ELSE ARRAY(SELECT DISTINCT unnest(observations_due.scopes || excluded.scopes) ORDER BY 1) END;
            RETURN NULL;
        END $$
        """
    ]


FUNCTIONS = [*import_policies.FUNCTIONS, *proof_policies.FUNCTIONS, *reliability_policies.FUNCTIONS]

TRIGGERS = [
    # A sealed call never changes: it may be withdrawn once, and that stays.
    """
    CREATE OR REPLACE FUNCTION observations_call_sealed() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF (NEW.group_id, NEW.species_id, NEW.probability, NEW.size, NEW.sealed_at, NEW.seal)
            IS DISTINCT FROM (OLD.group_id, OLD.species_id, OLD.probability, OLD.size, OLD.sealed_at, OLD.seal)
            OR OLD.withdrawn_at IS NOT NULL THEN
            RAISE EXCEPTION 'a sealed call cannot be changed' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    *_trigger("call_sealed", "BEFORE UPDATE", "observations_call", "observations_call_sealed"),
    # A finding belongs to a camera or rod look, and carries its observer and scope.
    f"""
    CREATE OR REPLACE FUNCTION observations_finding_of_look() RETURNS trigger {_DEFINER} AS $$
    DECLARE look observations_observation;
    BEGIN
        SELECT * INTO look FROM observations_observation WHERE id = NEW.look_id;
        IF look.method NOT IN ('camera', 'rod') THEN
            RAISE EXCEPTION 'only a camera or a rod can prove' USING ERRCODE = 'check_violation';
        END IF;
        IF NEW.settles_id IS NOT NULL AND NOT EXISTS (
            SELECT 1 FROM observations_echogroup e JOIN observations_observation o ON o.id = e.look_id
            WHERE e.id = NEW.settles_id AND o.spot_id = look.spot_id AND o.started_at <= look.started_at
        ) THEN
            RAISE EXCEPTION 'a proof settles an earlier look at the same spot' USING ERRCODE = 'check_violation';
        END IF;
        IF EXISTS (SELECT 1 FROM observations_species WHERE code = NEW.species_id AND is_wider) THEN
            RAISE EXCEPTION 'a finding names a species' USING ERRCODE = 'check_violation';
        END IF;
        NEW.observer_id := look.observer_id;
        NEW.scope := look.scope;
        NEW.opens_at := look.opens_at;
        SELECT water_id INTO NEW.water_id FROM spots_spot WHERE id = look.spot_id;
        IF TG_OP = 'INSERT' THEN NEW.verified_at := NULL; NEW.corrected_species_id := NULL; NEW.votes := 0; END IF;
        NEW.waits_since := CASE WHEN NEW.votes = 0 OR NEW.disputed_at IS NOT NULL
            THEN GREATEST(NEW.received_at, NEW.opens_at, NEW.disputed_at, NEW.undone_at) END;
        RETURN NEW;
    END $$
    """,
    *_trigger(
        "finding_of_look", "BEFORE INSERT OR UPDATE", "observations_finding", "observations_finding_of_look"
    ),
    # A decision may not contradict itself, nor the name that its checker gave before seeing the claim.
    f"""
    CREATE OR REPLACE FUNCTION observations_name_stands() RETURNS trigger {_DEFINER} AS $$
    DECLARE claimed text;
    DECLARE named observations_blindname;
    BEGIN
        SELECT species_id INTO claimed FROM observations_finding WHERE id = NEW.finding_id;
        IF (NEW.decision = 'confirmed' AND NEW.named_species_id IS DISTINCT FROM claimed)
            OR (NEW.decision = 'corrected' AND NEW.named_species_id = claimed) THEN
            RAISE EXCEPTION 'confirmed means the same species, corrected another' USING ERRCODE = 'check_violation';
        END IF;
        SELECT * INTO named FROM observations_blindname
        WHERE finding_id = NEW.finding_id AND checker_id = NEW.checker_id;
        IF FOUND AND named.named_species_id IS DISTINCT FROM NEW.named_species_id THEN
            RAISE EXCEPTION 'the species named first stands' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    *_trigger("name_stands", "BEFORE INSERT", "observations_confirmation", "observations_name_stands"),
    # A withdrawn look takes its findings out of the checkers' queue.
    f"""
    CREATE OR REPLACE FUNCTION observations_look_withdrawn() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        UPDATE observations_finding SET withdrawn_at = NEW.withdrawn_at WHERE look_id = NEW.id;
        RETURN NULL;
    END $$
    """,
    *_trigger(
        "look_withdrawn",
        "AFTER UPDATE OF withdrawn_at",
        "observations_observation",
        "observations_look_withdrawn",
    ),
    # When a look opens to the club can be changed until it has; its findings carry it for the checkers.
    f"""
    CREATE OR REPLACE FUNCTION observations_look_opens() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    DECLARE moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
    BEGIN
        IF OLD.opens_at <= moment OR NEW.opens_at < moment THEN
            RAISE EXCEPTION 'what is open to the club stays open, and opens no earlier than now'
                USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS look_opens ON observations_observation",
    "CREATE TRIGGER look_opens BEFORE UPDATE OF opens_at ON observations_observation FOR EACH ROW"
    " WHEN (OLD.opens_at IS DISTINCT FROM NEW.opens_at) EXECUTE FUNCTION observations_look_opens()",
    f"""
    CREATE OR REPLACE FUNCTION observations_findings_open() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        UPDATE observations_finding SET opens_at = NEW.opens_at WHERE look_id = NEW.id;
        RETURN NULL;
    END $$
    """,
    *_trigger(
        "findings_open",
        "AFTER UPDATE OF opens_at",
        "observations_observation",
        "observations_findings_open",
    ),
    # Whatever wrote it, a new or changed piece of evidence makes its spot due, in the scopes that it belongs to.
    *_makes_due("look", f"SELECT NEW.spot_id AS spot_id, {_touches('NEW')} AS scope"),
    *_trigger("due", "AFTER INSERT OR UPDATE", "observations_observation", "observations_due_by_look"),
    *_makes_due(
        "finding",
        f"SELECT o.spot_id, {_touches('o')} AS scope FROM observations_observation o WHERE o.id = NEW.look_id",
    ),
    *_trigger("due", "AFTER INSERT OR UPDATE", "observations_finding", "observations_due_by_finding"),
    *_trigger("due", "AFTER INSERT", "observations_echogroup", "observations_due_by_finding"),
    *_makes_due(
        "call",
        f"SELECT o.spot_id, {_touches('o')} AS scope FROM observations_echogroup e"
        " JOIN observations_observation o ON o.id = e.look_id WHERE e.id = NEW.group_id",
    ),
    *_trigger("due", "AFTER INSERT OR UPDATE", "observations_call", "observations_due_by_call"),
    # A spot has a history from its first day, of what is likely before anybody has looked.
    *_makes_due("spot", "SELECT NEW.id AS spot_id, NULL AS scope"),
    *_trigger("due", "AFTER INSERT", "spots_spot", "observations_due_by_spot"),
    # Whoever takes back their yes takes it back at once. A swap that is publishing comes before or after.
    f"""
    CREATE OR REPLACE FUNCTION observations_no_longer_thin() RETURNS trigger {_DEFINER} AS $$
    BEGIN
        PERFORM pg_advisory_xact_lock_shared({SWAP_LOCK}::bigint);
        DELETE FROM observations_history h WHERE h.edition = 'published' AND NOT h.thick AND EXISTS (
            SELECT 1 FROM observations_observation o
            WHERE o.spot_id = h.spot_id AND {_touches("o")} = 'club' AND o.observer_id = NEW.id);
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS no_longer_thin ON club_member",
    "CREATE TRIGGER no_longer_thin AFTER UPDATE ON club_member FOR EACH ROW"
    " WHEN (OLD.shares_thin_history AND NOT NEW.shares_thin_history)"
    " EXECUTE FUNCTION observations_no_longer_thin()",
    *clearing_policies.TRIGGERS,
    *editing_policies.TRIGGERS,
    *lesson_policies.TRIGGERS,
    *marking_policies.TRIGGERS,
    *proof_policies.TRIGGERS,
    *small_policies.TRIGGERS,
]
