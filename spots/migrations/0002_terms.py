from django.db import migrations

# Words of the trade (common practice, no source).
COVER = [
    "brush pile", "stake bed", "crib", "standing timber", "stump field", "laydown", "dock", "vegetation",
    "rock pile", "bridge", "riprap", "none",
]  # fmt: skip
STRUCTURE = [
    "point", "channel swing bank", "creek mouth", "hump", "saddle", "ledge", "flat", "roadbed", "drop-off",
]  # fmt: skip


def fill(apps, schema_editor):
    term = apps.get_model("spots", "Term")
    term.objects.bulk_create(
        [term(kind="cover", name=name, order=i) for i, name in enumerate(COVER)]
        + [term(kind="structure", name=name, order=i) for i, name in enumerate(STRUCTURE)]
    )


class Migration(migrations.Migration):
    dependencies = [("spots", "0001_initial")]
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
