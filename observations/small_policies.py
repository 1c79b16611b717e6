"""Rights on what pictures the worker has yet to make small ones of, and the trigger that writes it down."""

from club.rls import Table

TABLES = [Table("observations_smalldue", select=None, worker=("SELECT", "INSERT", "UPDATE", "DELETE"))]

# As the owner: no viewer has a right on what is due.
TRIGGERS = [
    """
    CREATE OR REPLACE FUNCTION observations_small_due() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
    BEGIN
        INSERT INTO observations_smalldue (picture_id, since) VALUES (NEW.id, clock_timestamp())
        ON CONFLICT (picture_id) DO NOTHING;
        RETURN NULL;
    END $$
    """,
    *(
        statement
        for table in ("observations_picture", "observations_debriefpicture")
        for statement in (
            f"DROP TRIGGER IF EXISTS small_due ON {table}",
            f"CREATE TRIGGER small_due AFTER INSERT ON {table} FOR EACH ROW EXECUTE FUNCTION observations_small_due()",
        )
    ),
]
