"""Taking back spots that an import created; part of spots/policies.py."""

from club.rls import AUDIENCES, MOMENT

# A spot is emptied of all that tells its place, and of everybody's sight. Its row stays, for looks that others may
# have there, and is nobody's to see: so nobody can ask by it whether there are any. Only one's own, and only those
# that were created at the moment said. Called by the undo of an import (observations/import_policies.py) alone.
FUNCTIONS = [
    f"""
    CREATE OR REPLACE FUNCTION spots_take_back(wanted uuid[], made timestamptz) RETURNS void LANGUAGE plpgsql
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
    DECLARE
        mine uuid[];
    BEGIN
        SELECT COALESCE(array_agg(s.id), '{{}}') INTO mine FROM spots_spot s
            WHERE s.id = ANY (wanted) AND s.created_at = made AND s.owner = ANY ({AUDIENCES});
        DELETE FROM spots_grant WHERE spot_id = ANY (mine);
        DELETE FROM spots_position WHERE spot_id = ANY (mine);
        DELETE FROM spots_sheet WHERE spot_id = ANY (mine);
        DELETE FROM spots_spotzone WHERE spot_id = ANY (mine);
        DELETE FROM spots_past WHERE spot_id = ANY (mine);
        UPDATE spots_spot SET removed_at = {MOMENT}, alias = '' WHERE id = ANY (mine);
    END $$
    """,
    "REVOKE ALL ON FUNCTION spots_take_back(uuid[], timestamptz) FROM PUBLIC",
]
