"""The level of a water over time. `spots.models` imports it."""

from django.db import models
from django.db.models import Q
from django.utils import timezone

# A reading beyond these is a slip (an elevation given for a level): metres from full pool.
LOWEST_M, HIGHEST_M = -200.0, 50.0


class PoolLevel(models.Model):
    """One reading of a water's level. Public, as the water is; below full pool is minus."""

    id = models.BigAutoField(primary_key=True)
    water = models.ForeignKey("spots.Water", on_delete=models.CASCADE, related_name="levels")
    at = models.DateTimeField()
    level_m = models.FloatField(help_text="Metres from full pool; below it is minus.")
    source = models.CharField(max_length=120, blank=True, help_text="Who measured or published it.")
    received_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="one_level_a_time", fields=["water", "at"]),
            models.CheckConstraint(
                name="level_possible", condition=Q(level_m__gte=LOWEST_M, level_m__lte=HIGHEST_M)
            ),
        ]
        ordering = ["water_id", "at"]

    def __str__(self) -> str:
        return f"{self.level_m:+.2f} m at {self.at:%Y-%m-%d %H:%M}"
