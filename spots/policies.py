"""Rights of the web and worker roles on waters and spots."""

from club.models import Level
from club.rls import AUDIENCES, Table
from spots import event_policies
from spots.rules import owns, owns_spot, sees

_MEMBER = f"'members' = ANY ({AUDIENCES})"
_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"


def _exact(table: str) -> str:
    return f"{owns_spot(f'{table}.spot_id')} OR {sees(f'{table}.spot_id', Level.EXACT)}"


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

TABLES = [
    # Waters and everything on their charts are public.
    # Only an organiser writes them.
    Table("spots_water", insert=_ORGANISER, update=_ORGANISER),
    Table("spots_deptharea", insert=_ORGANISER, update=_ORGANISER, delete=_ORGANISER),
    Table("spots_feature", insert=_ORGANISER, update=_ORGANISER, delete=_ORGANISER),
    Table("spots_zone", insert=_ORGANISER),
    Table("spots_term", insert=_ORGANISER, update=_ORGANISER),
    Table(
        "spots_spot",
        select=f"{owns('owner')} OR {sees('spots_spot.id', Level.WATER)}",
        insert=f"{owns('owner')} AND {_MEMBER}",
        update=owns("owner"),
        delete=owns("owner"),
    ),
    Table(
        "spots_grant",
        select=f"{owns('owner')} OR audience = ANY ({AUDIENCES})",
        # The trigger below has put the spot's own owner there before this is checked; to look at spots_spot
        # here, whose policy looks at grants, would be a recursion.
        insert=owns("owner"),
        update=owns("owner"),
        delete=owns("owner"),
    ),
    Table(
        "spots_sheet",
        select=_exact("spots_sheet"),
        insert=_own("spots_sheet"),
        update=_own("spots_sheet"),
        delete=_own("spots_sheet"),
    ),
    Table(
        "spots_position",
        select=_exact("spots_position"),
        insert=_own("spots_position"),
        update=_own("spots_position"),
        delete=_own("spots_position"),
        worker=(),
    ),
    Table(
        "spots_spotzone",
        select=f"{_own('spots_spotzone')} OR {_ZONE_GRANTED}",
        insert=_own("spots_spotzone"),
        delete=_own("spots_spotzone"),
        worker=(),
    ),
    *event_policies.TABLES,
]

# A grant must not be laid under another owner than its spot's: its policy trusts that column.
TRIGGERS = [
    "ALTER TABLE spots_spot DROP CONSTRAINT IF EXISTS spot_owner_key",
    "ALTER TABLE spots_spot ADD CONSTRAINT spot_owner_key CHECK (owner = CASE"
    " WHEN owner_member_id IS NOT NULL THEN 'member:' || owner_member_id::text"
    " WHEN owner_team_id IS NOT NULL THEN 'team:' || owner_team_id::text ELSE 'organisers' END)",
    """
    CREATE OR REPLACE FUNCTION spots_grant_owner() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    BEGIN
        SELECT owner INTO NEW.owner FROM spots_spot WHERE id = NEW.spot_id;
        RETURN NEW;
    END $$
    """,
    "DROP TRIGGER IF EXISTS grant_owner ON spots_grant",
    "CREATE TRIGGER grant_owner BEFORE INSERT OR UPDATE ON spots_grant FOR EACH ROW"
    " EXECUTE FUNCTION spots_grant_owner()",
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
    *event_policies.TRIGGERS,
]
