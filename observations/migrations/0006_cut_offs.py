from django.db import migrations, models
from django.db.models import Q


class Migration(migrations.Migration):
    dependencies = [("observations", "0005_reliability"), ("spots", "0004_known_sights")]

    operations = [
        migrations.AddField("finding", "water_id", models.UUIDField(editable=False, null=True)),
        migrations.RunSQL(
            "UPDATE observations_finding f SET water_id = s.water_id FROM observations_observation o"
            " JOIN spots_spot s ON s.id = o.spot_id WHERE o.id = f.look_id; SET CONSTRAINTS ALL IMMEDIATE",
            migrations.RunSQL.noop,
        ),
        migrations.AlterField("finding", "water_id", models.UUIDField(editable=False)),
        migrations.AddField("history", "cutoff_at", models.DateTimeField(null=True)),
        migrations.AlterField(
            "history",
            "edition",
            models.CharField(
                choices=[("live", "live"), ("frozen", "frozen"), ("published", "published")],
                default="live",
                max_length=10,
            ),
        ),
        migrations.RemoveConstraint("history", "one_history"),
        migrations.AddConstraint(
            "history",
            models.UniqueConstraint(
                name="one_history",
                fields=["spot", "scope", "species", "edition", "cutoff_at"],
                nulls_distinct=False,
            ),
        ),
        migrations.AddConstraint(
            "history",
            models.CheckConstraint(
                name="frozen_at_a_cut_off",
                condition=Q(edition="frozen", cutoff_at__isnull=False)
                | (~Q(edition="frozen") & Q(cutoff_at__isnull=True)),
            ),
        ),
    ]
