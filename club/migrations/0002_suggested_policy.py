from django.db import migrations

# As suggested in the design: 8 search hours for the public and guests, 2 for members, at 20 ha an hour.
POLICY = [("public", 2, 2, 250), ("guest", 2, 2, 250), ("members", 2, 3, 50)]


def suggest(apps, schema_editor):
    model = apps.get_model("club", "AudiencePolicy")
    for audience, default, ceiling, minimum in POLICY:
        model.objects.get_or_create(
            audience=audience,
            defaults={"default_level": default, "ceiling_level": ceiling, "minimum_ha": minimum},
        )


class Migration(migrations.Migration):
    dependencies = [("club", "0001_initial")]
    operations = [migrations.RunPython(suggest, migrations.RunPython.noop)]
