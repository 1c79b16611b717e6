"""Ceilings of vulnerable species. `observations.models` imports them."""

from django.db import models
from django.db.models import Q
from django.utils import timezone

from club.models import Level, Member


class SpeciesCeiling(models.Model):
    """How exactly a spot may be shown at most, for this species to be told there. No owner can lift it."""

    species = models.OneToOneField(
        "observations.Species", primary_key=True, on_delete=models.CASCADE, related_name="ceiling"
    )
    level = models.SmallIntegerField(choices=[pair for pair in Level.choices if pair[0] < Level.EXACT])
    set_at = models.DateTimeField(default=timezone.now)
    set_by = models.ForeignKey(Member, null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(name="species_ceiling_level", condition=Q(level__gte=0, level__lt=3))
        ]
        ordering = ["species_id"]

    def __str__(self) -> str:
        return f"{self.species_id} at {self.get_level_display()}"
