"""What is drawn on a picture. `observations.models` imports it."""

import uuid

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Q
from django.utils import timezone


class Mark(models.Model):
    """Something drawn or measured on a picture by whose look it is. Never changed: removed and drawn anew.

    It is seen with its look, and by nobody who has the picture only to check or to clear it. A cleared copy
    carries none.
    """

    class Kind(models.TextChoices):
        FISH = "fish", "fish"
        COVER = "cover", "cover"
        BOTTOM = "bottom", "bottom"
        THERMOCLINE = "thermocline", "thermocline"
        BAIT = "bait", "bait"
        # Measured, with limits
        LENGTH = "length", "length"
        HEIGHT = "height", "height"
        WIDTH = "width", "cone"

    class Shape(models.TextChoices):
        BOX = "box", "box"
        LINE = "line", "line"
        OUTLINE = "outline", "outline"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    picture = models.ForeignKey("observations.Picture", on_delete=models.CASCADE, related_name="marks")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    shape = models.CharField(max_length=8, choices=Shape.choices)
    # Pixels of the stored picture. A box: left, top, width, height. Else x and y of each point in turn.
    points = ArrayField(models.IntegerField())
    # Of what is measured: millimetres of a length, metres otherwise.
    value = models.FloatField(null=True, blank=True)
    low = models.FloatField(null=True, blank=True)
    high = models.FloatField(null=True, blank=True)
    # What the measure was computed from: points, known sizes and their bounds.
    basis = models.JSONField(default=dict, blank=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="mark_kind",
                condition=Q(
                    kind__in=["fish", "cover", "bottom", "thermocline", "bait", "length", "height", "width"]
                ),
            ),
            models.CheckConstraint(name="mark_shape", condition=Q(shape__in=["box", "line", "outline"])),
            models.CheckConstraint(
                name="mark_measured_whole",
                condition=Q(
                    kind__in=["length", "height", "width"],
                    # A comparison with null is no refusal.
                    low__isnull=False,
                    value__isnull=False,
                    high__isnull=False,
                    low__gte=0,
                    value__gte=F("low"),
                    high__gte=F("value"),
                    high__lte=100_000,
                )
                | (
                    ~Q(kind__in=["length", "height", "width"])
                    & Q(value__isnull=True, low__isnull=True, high__isnull=True)
                ),
            ),
        ]
        indexes = [models.Index(name="mark_of_picture", fields=["picture", "created_at"])]
        ordering = ["created_at", "id"]

    def __str__(self) -> str:
        return f"{self.kind} on {self.picture_id}"
