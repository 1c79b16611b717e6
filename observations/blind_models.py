"""Blind calls on proved, cleared pictures. `observations.models` imports them."""

import uuid

from django.db import models
from django.db.models import Q
from django.utils import timezone

from club.models import Member


class BlindCall(models.Model):
    """What a member called a cleared picture before they were told. Practice: it never feeds reliability.

    Its picture is an id without a key: a picture that is taken down leaves what was learned from it.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="+")
    picture = models.UUIDField()
    method = models.CharField(max_length=10)
    called = models.ForeignKey("observations.Species", on_delete=models.PROTECT, related_name="+")
    probability = models.FloatField()
    truth = models.ForeignKey("observations.Species", on_delete=models.PROTECT, related_name="+")
    right = models.BooleanField()
    # Number and size as called, and what they were; empty: not said, or not known.
    band = models.CharField(max_length=5, blank=True)
    size = models.CharField(max_length=10, blank=True)
    true_band = models.CharField(max_length=5, blank=True)
    true_size = models.CharField(max_length=10, blank=True)
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="blind_probability", condition=Q(probability__gt=0, probability__lte=1)
            )
        ]
        indexes = [models.Index(name="blind_of_member", fields=["member", "made_at"])]
        ordering = ["made_at", "id"]

    def __str__(self) -> str:
        return f"blind call of {self.called_id}"
