import django.contrib.gis.db.models.fields
import django.db.models.deletion
import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("spots", "0003_events")]

    operations = [
        migrations.AddField(
            "grant",
            "water",
            models.ForeignKey(
                editable=False,
                null=True,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="+",
                to="spots.water",
            ),
        ),
        migrations.AddField("grant", "known_at", models.DateTimeField(default=django.utils.timezone.now)),
        migrations.AddField("grant", "replaced_at", models.DateTimeField(blank=True, null=True)),
        # Old grants were known when they were made.
        migrations.RunSQL(
            "UPDATE spots_grant g SET water_id = s.water_id, known_at = g.created_at"
            " FROM spots_spot s WHERE s.id = g.spot_id; SET CONSTRAINTS ALL IMMEDIATE",
            migrations.RunSQL.noop,
        ),
        migrations.AlterField(
            "grant",
            "water",
            models.ForeignKey(
                editable=False,
                on_delete=django.db.models.deletion.CASCADE,
                related_name="+",
                to="spots.water",
            ),
        ),
        migrations.AddField(
            "sheet", "updated_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)
        ),
        migrations.CreateModel(
            name="Past",
            fields=[
                ("id", models.BigAutoField(primary_key=True, serialize=False)),
                (
                    "kind",
                    models.CharField(
                        choices=[("spot", "spot"), ("sheet", "sheet"), ("position", "position")], max_length=10
                    ),
                ),
                ("until", models.DateTimeField(help_text="When the newer row took its place.")),
                ("row", models.JSONField()),
                ("point", django.contrib.gis.db.models.fields.PointField(null=True, srid=4326)),
                (
                    "spot",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="+", to="spots.spot"
                    ),
                ),
            ],
            options={
                "indexes": [models.Index(fields=["spot", "kind", "until"], name="spots_past_of_a_spot")],
            },
        ),
    ]
