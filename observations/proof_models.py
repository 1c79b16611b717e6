"""What an observer says to a decision on their finding. `observations.models` imports it."""

import uuid

from django.db import models
from django.utils import timezone

from club.models import Member


class Dispute(models.Model):
    """An observer asks for another checker, after a correction or a rejection. Open until one has decided."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    finding = models.ForeignKey("observations.Finding", on_delete=models.CASCADE, related_name="disputes")
    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    opened_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-opened_at", "id"]

    def __str__(self) -> str:
        return f"dispute of {self.finding_id}"
