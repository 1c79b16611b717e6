"""Statistics of tables that grew much in one transaction: the planner would go by what was there before.

Measured: 5,000 rows of looks imported into tables that a statistics run had found empty took 134 s, each policy
and foreign key walking what had just been written; with this, 9 s (tests/observations/test_big_imports_are_planned.py).
"""

from django.db import connection, models

MANY = 500
"""From so many rows on it is worth some 50 ms."""

FUNCTIONS = [
    # A name that is no table of the site's own is an error; one that somebody else is measuring is left to them.
    """
    CREATE OR REPLACE FUNCTION club_count_afresh(tables text[]) RETURNS void LANGUAGE plpgsql SECURITY DEFINER
    SET search_path = public, pg_temp AS $$
    DECLARE
        one text;
    BEGIN
        FOREACH one IN ARRAY tables LOOP
            EXECUTE format('ANALYZE (SKIP_LOCKED) public.%I', one);
        END LOOP;
    END $$
    """,
    "REVOKE ALL ON FUNCTION club_count_afresh(text[]) FROM PUBLIC",
    "GRANT EXECUTE ON FUNCTION club_count_afresh(text[]) TO tallow_web, tallow_worker",
]


def grew(rows: int, *tables: type[models.Model]) -> None:
    """Let the planner know that these tables have just grown by `rows` rows altogether; of few, it need not."""
    if rows >= MANY:
        with connection.cursor() as cursor:
            cursor.execute("SELECT club_count_afresh(%s)", [[table._meta.db_table for table in tables]])
