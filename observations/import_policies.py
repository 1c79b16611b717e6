"""Rights on what an import keeps, and taking an import back. Each row is its member's alone."""

from club.rls import AUDIENCES, MEMBER, MOMENT, Table

_OWN = f"member_id = {MEMBER}"
_ORGANISER = f"'organisers' = ANY ({AUDIENCES})"

TABLES = [
    Table("observations_importmap", select=_OWN, insert=_OWN, update=_OWN, delete=_OWN, worker=()),
    # What was created is written once; that it was taken back is the function's to say.
    Table("observations_importrecord", select=_OWN, insert=_OWN, worker=()),
]

# Looks are sealed: they are taken back, and stay counted. Spots are emptied (spots/removal_policies.py). Only rows
# that the import itself wrote are touched, whatever a record says.
FUNCTIONS = [
    f"""
    CREATE OR REPLACE FUNCTION observations_undo_import(wanted uuid) RETURNS void LANGUAGE plpgsql
    SECURITY DEFINER SET search_path = public, pg_temp AS $$
    DECLARE
        -- Of no named type: the table may come later.
        made record;
    BEGIN
        SELECT * INTO made FROM observations_importrecord r
            WHERE r.id = wanted AND r.member_id = {MEMBER} AND r.undone_at IS NULL FOR UPDATE;
        IF NOT FOUND THEN
            RAISE insufficient_privilege USING MESSAGE = 'There is no such import to take back.';
        END IF;
        UPDATE observations_observation o SET withdrawn_at = {MOMENT}
            WHERE o.id = ANY (made.looks) AND o.source = 'import' AND o.received_at = made.at
              AND o.withdrawn_at IS NULL
              AND (o.observer_id = {MEMBER} OR ({_ORGANISER} AND o.scope = ANY ({AUDIENCES})));
        PERFORM spots_take_back(made.spots, made.at);
        IF {_ORGANISER} THEN
            DELETE FROM spots_poollevel WHERE id = ANY (made.levels) AND received_at = made.at;
            UPDATE spots_poollevel l SET level_m = (b.value ->> 1)::float, source = b.value ->> 2,
                    received_at = (b.value ->> 4)::timestamptz
                FROM jsonb_array_elements(made.levels_before) b
                WHERE l.id = (b.value ->> 0)::bigint AND l.received_at = made.at;
        END IF;
        UPDATE observations_importrecord SET undone_at = {MOMENT} WHERE id = wanted;
    END $$
    """,
    "REVOKE ALL ON FUNCTION observations_undo_import(uuid) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION observations_undo_import(uuid) TO tallow_web",
]
