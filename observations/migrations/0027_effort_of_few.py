from django.db import migrations

# What is published already cannot be told apart by who looked (observations/enough.py): its months and bands tell no
# effort until the next edition.
CELLS = """
(SELECT COALESCE(jsonb_agg(cell || '{{"camera_minutes": null, "rod_hours": null}}' ORDER BY number), '[]')
 FROM jsonb_array_elements({cells}) WITH ORDINALITY AS told (cell, number))
"""
NULLS = """
(SELECT COALESCE(jsonb_agg(NULL::text), '[]') FROM jsonb_array_elements({cells}))
"""
BLANK = f"""
UPDATE observations_history SET months = {CELLS.format(cells="months")}, bands = {CELLS.format(cells="bands")},
    catches = CASE WHEN catches = '{{}}' THEN catches ELSE catches || jsonb_build_object(
        'months', {NULLS.format(cells="catches -> 'months'")}, 'bands', {NULLS.format(cells="catches -> 'bands'")}) END
WHERE edition = 'published' AND thick
"""


class Migration(migrations.Migration):
    dependencies = [("observations", "0026_cleared_names_wait")]

    operations = [migrations.RunSQL(BLANK, migrations.RunSQL.noop)]
