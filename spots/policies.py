"""Rights of the web and worker roles on waters and spots."""

from club.models import Level
from club.rls import AUDIENCES, FROZEN, MEMBER, MOMENT, Table
from spots import event_policies, junior_policies, link_policies, removal_policies
from spots.rules import (
    TODAY,
    VIEWER,
    WIDEST_SIGHT,
    known,
    owner_of,
    owns,
    owns_spot,
    sees,
    shares,
    water_of,
)

_MEMBERS = f"'members' = ANY ({AUDIENCES})"
_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"


def _exact(table: str) -> str:
    return sees(f"{table}.spot_id", Level.EXACT)


def _exact_as_known(table: str) -> str:
    """Of a row that can change: not the newer one for those who see the water as it stood before."""
    spot = f"{table}.spot_id"
    return f"{_exact(table)} AND {known(water_of(spot), f'{table}.updated_at', owner_of(spot))}"


def _own(table: str) -> str:
    return owns_spot(f"{table}.spot_id")


# A zone is shown to an audience that is granted `area`, at the minimum the organiser set for it; teams and
# single members, who have no policy of their own, take the members'.
_ZONE_GRANTED = sees(
    "spots_spotzone.spot_id",
    Level.AREA,
    " AND spots_spotzone.minimum_ha >= COALESCE(p.minimum_ha,"
    " (SELECT minimum_ha FROM club_audiencepolicy WHERE audience = 'members'))",
)


def _of_spot(name: str, column: str, kind: str) -> list[str]:
    return [
        f"CREATE OR REPLACE FUNCTION {name}(spot uuid) RETURNS {kind} LANGUAGE plpgsql STABLE SECURITY DEFINER"
        " SET search_path = public, pg_temp AS $$ BEGIN RETURN"
        f" (SELECT s.{column} FROM spots_spot s WHERE s.id = spot); END $$",
        f"REVOKE ALL ON FUNCTION {name}(uuid) FROM PUBLIC",
        f"GRANT EXECUTE ON FUNCTION {name}(uuid) TO tallow_web, tallow_worker",
    ]


# Laid before the policies, which call them (rules.py).
FUNCTIONS = [
    *_of_spot("spots_water_of", "water_id", "uuid"),
    *_of_spot("spots_owner_of", "owner", "text"),
    *WIDEST_SIGHT,
    *removal_policies.FUNCTIONS,
]

TABLES = [
    # Waters and everything on their charts are public.
    # Only an organiser writes them.
    Table("spots_water", insert=_ORGANISER, update=_ORGANISER),
    Table("spots_deptharea", insert=_ORGANISER, update=_ORGANISER, delete=_ORGANISER),
    Table("spots_feature", insert=_ORGANISER, update=_ORGANISER, delete=_ORGANISER),
    # Never frozen either: how high the water stands is no find of anybody's.
    Table("spots_poollevel", insert=_ORGANISER, update=_ORGANISER, delete=_ORGANISER),
    Table("spots_zone", insert=_ORGANISER),
    Table("spots_depthcell", insert=_ORGANISER),
    Table("spots_term", insert=_ORGANISER, update=_ORGANISER),
    Table(
        "spots_spot",
        # An organiser owns the club's spots, and may be frozen: what the club adds then is not there yet.
        # One taken back with its import is nobody's to see (its grants are gone).
        select=f"({owns('owner')} AND removed_at IS NULL"
        f" AND {known('spots_spot.water_id', 'spots_spot.created_at', 'spots_spot.owner')})"
        f" OR {sees('spots_spot.id', Level.WATER)}",
        insert=f"{owns('owner')} AND {_MEMBERS}",
        update=owns("owner"),
        delete=owns("owner"),
    ),
    Table(
        "spots_grant",
        select=f"{owns('owner')} OR audience = ANY ({AUDIENCES})",
        # The trigger below has put the spot's own owner there before this is checked; to look at spots_spot
        # here, whose policy looks at grants, would be a recursion.
        # Whoever places a spot gives its owner their own row; others are given by who decides for the owner.
        insert=f"({shares('spots_grant.owner')} OR ({owns('spots_grant.owner')}"
        " AND spots_grant.audience = spots_grant.owner))",
        update=shares("spots_grant.owner"),
        delete=shares("spots_grant.owner"),
    ),
    Table(
        "spots_sheet",
        select=_exact_as_known("spots_sheet"),
        insert=_own("spots_sheet"),
        update=_own("spots_sheet"),
        delete=_own("spots_sheet"),
    ),
    Table(
        "spots_position",
        select=_exact_as_known("spots_position"),
        insert=_own("spots_position"),
        update=_own("spots_position"),
        delete=_own("spots_position"),
        worker=(),
    ),
    Table(
        "spots_sharingchange",
        select=f"member_id = {MEMBER}",
        insert=f"member_id = {MEMBER}",
        update=f"member_id = {MEMBER}",
        update_columns=("undone_at",),
        worker=(),
    ),
    Table(
        "spots_past",
        # The spot's own row is for whoever sees the spot at all; the others for exact viewers.
        select=f"{FROZEN} IS NOT NULL AND CASE kind WHEN 'spot' THEN {sees('spots_past.spot_id', Level.WATER)}"
        f" ELSE {_exact('spots_past')} END",
        worker=("SELECT", "DELETE"),
    ),
    Table(
        "spots_spotzone",
        select=f"{_ZONE_GRANTED} OR {_own('spots_spotzone')}",
        insert=_own("spots_spotzone"),
        delete=_own("spots_spotzone"),
        worker=(),
    ),
    *event_policies.TABLES,
    *link_policies.TABLES,
    # Append-only: a viewer is told of their own openings, an owner of those of their spots.
    Table(
        "spots_disclosure",
        select=f"viewer_id = {MEMBER} OR {owns_spot('spots_disclosure.spot_id')} OR {event_policies.READS_LOG}",
        insert=f"viewer_id = {VIEWER} AND day = {TODAY}",
        worker=(),
    ),
    Table(
        "spots_capreached",
        select=f"{_ORGANISER} OR EXISTS (SELECT 1 FROM spots_disclosure d"
        " WHERE d.viewer_id = spots_capreached.viewer_id AND d.day = spots_capreached.day AND d.counts"
        f" AND {owns_spot('d.spot_id')})",
        insert=f"viewer_id = {MEMBER} AND day = {TODAY}",
        worker=(),
    ),
]


def _keeps_past(table: str, kind: str, key: str) -> list[str]:
    return [
        f"DROP TRIGGER IF EXISTS keep_past ON {table}",
        f"CREATE TRIGGER keep_past AFTER UPDATE ON {table} FOR EACH ROW WHEN (OLD.* IS DISTINCT FROM NEW.*)"
        f" EXECUTE FUNCTION spots_keep_past('{kind}', '{key}')",
    ]


# The viewer's own lines of the log, and nobody else's: what `precision.py` asks three times a request. Through
# the table's policy, which also serves owners and organisers, planning took longer than the map.
_OWN_DISCLOSURES = [
    "CREATE OR REPLACE VIEW spots_own_disclosure WITH (security_barrier) AS"
    f" SELECT spot_id, day, channel, counts FROM spots_disclosure WHERE viewer_id = {VIEWER}",
    "REVOKE ALL ON spots_own_disclosure FROM PUBLIC, tallow_web, tallow_worker",
    "GRANT SELECT ON spots_own_disclosure TO tallow_web",
]

TRIGGERS = [
    *_OWN_DISCLOSURES,
    # A grant must not be laid under another owner than its spot's: its policy trusts that column.
    "ALTER TABLE spots_spot DROP CONSTRAINT IF EXISTS spot_owner_key",
    "ALTER TABLE spots_spot ADD CONSTRAINT spot_owner_key CHECK (owner = CASE"
    " WHEN owner_member_id IS NOT NULL THEN 'member:' || owner_member_id::text"
    " WHEN owner_team_id IS NOT NULL THEN 'team:' || owner_team_id::text ELSE 'organisers' END)",
    """
    CREATE OR REPLACE FUNCTION spots_grant_owner() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        SELECT owner, water_id INTO NEW.owner, NEW.water_id FROM spots_spot WHERE id = NEW.spot_id;
        RETURN NEW;
    END $$
    """,
    # Nobody is given a sight as what they are in the club, nor by a word that no reader has.
    "ALTER TABLE spots_grant DROP CONSTRAINT IF EXISTS grant_audience",
    "ALTER TABLE spots_grant ADD CONSTRAINT grant_audience CHECK (audience = owner"
    " OR audience IN ('public', 'guest', 'members')"
    " OR audience ~ '^(team|member):[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$')",
    "DROP TRIGGER IF EXISTS grant_owner ON spots_grant",
    "CREATE TRIGGER grant_owner BEFORE INSERT OR UPDATE ON spots_grant FOR EACH ROW"
    " EXECUTE FUNCTION spots_grant_owner()",
    # What a website may not say of a grant: that it was given before it was, or that a wider one is the old.
    f"""
    CREATE OR REPLACE FUNCTION spots_grant_known() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user <> 'tallow_web' THEN
            RETURN NEW;
        END IF;
        IF TG_OP = 'INSERT' THEN
            NEW.known_at := {MOMENT};
            RETURN NEW;
        END IF;
        IF (NEW.spot_id, NEW.audience, NEW.known_at) IS DISTINCT FROM (OLD.spot_id, OLD.audience, OLD.known_at)
            OR NEW.level IS DISTINCT FROM OLD.level AND NOT COALESCE(NEW.level <= OLD.level, NEW.level = 0, false)
            OR COALESCE(NEW.starts_at, '-infinity') < COALESCE(OLD.starts_at, '-infinity')
            OR COALESCE(NEW.ends_at, 'infinity') > COALESCE(OLD.ends_at, 'infinity')
            OR OLD.replaced_at IS NOT NULL THEN
            RAISE insufficient_privilege USING MESSAGE = 'A wider grant is a new one.';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS grant_known ON spots_grant",
    "CREATE TRIGGER grant_known BEFORE INSERT OR UPDATE ON spots_grant FOR EACH ROW"
    " EXECUTE FUNCTION spots_grant_known()",
    """
    CREATE OR REPLACE FUNCTION spots_owner_changed() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        UPDATE spots_grant SET owner = NEW.owner WHERE spot_id = NEW.id;
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS owner_changed ON spots_spot",
    "CREATE TRIGGER owner_changed AFTER UPDATE OF owner ON spots_spot FOR EACH ROW"
    " WHEN (OLD.owner IS DISTINCT FROM NEW.owner) EXECUTE FUNCTION spots_owner_changed()",
    # Whatever changes of a place while a cut-off is on for its water is kept as it was, for the frozen.
    f"""
    CREATE OR REPLACE FUNCTION spots_keep_past() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE
        now timestamptz := COALESCE({MOMENT}, clock_timestamp());
        key uuid := (to_jsonb(OLD) ->> TG_ARGV[1])::uuid;
    BEGIN
        INSERT INTO spots_past (spot_id, kind, until, row, point)
        SELECT key, TG_ARGV[0], now, to_jsonb(OLD) - 'point',
            CASE WHEN TG_ARGV[0] = 'position'
                THEN (jsonb_populate_record(NULL::spots_position, to_jsonb(OLD))).point END
        FROM spots_spot s WHERE s.id = key AND EXISTS (
            SELECT 1 FROM spots_event e WHERE e.water_id = s.water_id AND e.cutoff_at <= now AND e.ends_at > now);
        RETURN NULL;
    END $$
    """,
    *_keeps_past("spots_spot", "spot", "id"),
    *_keeps_past("spots_sheet", "sheet", "spot_id"),
    *_keeps_past("spots_position", "position", "spot_id"),
    # When a sheet or a position last changed is the database's to say.
    f"""
    CREATE OR REPLACE FUNCTION spots_touched() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF TG_OP = 'UPDATE' OR current_user = 'tallow_web' THEN
            NEW.updated_at := COALESCE({MOMENT}, clock_timestamp());
        END IF;
        RETURN NEW;
    END $$
    """,
    *(
        statement
        for table in ("spots_sheet", "spots_position")
        for statement in (
            f"DROP TRIGGER IF EXISTS touched ON {table}",
            f"CREATE TRIGGER touched BEFORE INSERT OR UPDATE ON {table} FOR EACH ROW"
            " EXECUTE FUNCTION spots_touched()",
        )
    ),
    # While any cut-off is on, the club's policy only narrows: what it opened would reach whoever is frozen.
    f"""
    CREATE OR REPLACE FUNCTION spots_policy_only_narrows() RETURNS trigger LANGUAGE plpgsql
    SET search_path = public, pg_temp AS $$
    BEGIN
        IF current_user = 'tallow_web' AND EXISTS (
                SELECT 1 FROM spots_event WHERE cutoff_at <= {MOMENT} AND ends_at > {MOMENT})
            AND (TG_OP = 'INSERT' OR NEW.default_level > OLD.default_level
                OR NEW.ceiling_level > OLD.ceiling_level OR NEW.minimum_ha < OLD.minimum_ha) THEN
            RAISE EXCEPTION 'the policy only narrows while a cut-off is on' USING ERRCODE = 'check_violation';
        END IF;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS policy_only_narrows ON club_audiencepolicy",
    "CREATE TRIGGER policy_only_narrows BEFORE INSERT OR UPDATE ON club_audiencepolicy FOR EACH ROW"
    " EXECUTE FUNCTION spots_policy_only_narrows()",
    *event_policies.TRIGGERS,
    *link_policies.TRIGGERS,
    *junior_policies.TRIGGERS,
    # What was shared with one member alone ends when they leave; their own spots stay theirs, sealed.
    f"""
    CREATE OR REPLACE FUNCTION spots_member_left() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE
        moment timestamptz := COALESCE({MOMENT}, clock_timestamp());
        key text := 'member:' || NEW.id::text;
    BEGIN
        DELETE FROM spots_grant WHERE audience = key AND owner <> key AND starts_at >= moment;
        UPDATE spots_grant SET ends_at = moment
            WHERE audience = key AND owner <> key AND (ends_at IS NULL OR ends_at > moment);
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS spots_member_left ON club_member",
    "CREATE TRIGGER spots_member_left AFTER UPDATE OF is_active ON club_member FOR EACH ROW"
    " WHEN (OLD.is_active AND NOT NEW.is_active) EXECUTE FUNCTION spots_member_left()",
    # A position or a sheet that its owner deletes is not kept for a cut-off either.
    """
    CREATE OR REPLACE FUNCTION spots_forget_past() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        DELETE FROM spots_past WHERE spot_id = OLD.spot_id AND kind = TG_ARGV[0];
        RETURN NULL;
    END $$
    """,
    "DROP TRIGGER IF EXISTS forget_past ON spots_position",
    "CREATE TRIGGER forget_past AFTER DELETE ON spots_position FOR EACH ROW"
    " EXECUTE FUNCTION spots_forget_past('position')",
    "DROP TRIGGER IF EXISTS forget_past ON spots_sheet",
    "CREATE TRIGGER forget_past AFTER DELETE ON spots_sheet FOR EACH ROW"
    " EXECUTE FUNCTION spots_forget_past('sheet')",
]
