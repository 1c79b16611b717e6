from django.db import migrations

# Words of the trade (common practice, no source). The flag: can be seen from the bank or from the air.
COVER = [
    ("brush pile", False), ("stake bed", False), ("crib", False), ("standing timber", True),
    ("stump field", False), ("laydown", True), ("dock", True), ("vegetation", True), ("rock pile", False),
    ("bridge", True), ("riprap", True), ("none", False),
]  # fmt: skip
STRUCTURE = [
    "point", "channel swing bank", "creek mouth", "hump", "saddle", "ledge", "flat", "roadbed", "drop-off",
]  # fmt: skip


def fill(apps, schema_editor):
    term = apps.get_model("spots", "Term")
    term.objects.bulk_create(
        [term(kind="cover", name=name, seen_from_bank=seen, order=i) for i, (name, seen) in enumerate(COVER)]
        + [term(kind="structure", name=name, order=i) for i, name in enumerate(STRUCTURE)]
    )


class Migration(migrations.Migration):
    dependencies = [("spots", "0001_initial")]
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
