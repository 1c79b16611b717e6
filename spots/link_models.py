"""Two owners' records of the same place. `spots.models` imports them."""

import uuid

from django.db import models
from django.db.models import F, Q
from django.utils import timezone


class SpotLink(models.Model):
    """Two spots that are one place, by the word of both owners.

    Made by somebody who decides who sees one of them and sees the other exactly; it holds once both sides
    have agreed, until either ends it. It changes nobody's sight of anything: each record keeps its own
    grants, looks and history. The database guards who may write what (spots/link_policies.py).
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    # In order of their ids, so that a pair stands there once.
    one = models.ForeignKey("spots.Spot", on_delete=models.CASCADE, related_name="+")
    other = models.ForeignKey("spots.Spot", on_delete=models.CASCADE, related_name="+")
    # Repeated here, because one side's owner may not see the other spot: their cut-off must still be kept.
    water = models.ForeignKey("spots.Water", editable=False, on_delete=models.CASCADE, related_name="+")
    proposed_by = models.ForeignKey("club.Member", null=True, on_delete=models.SET_NULL, related_name="+")
    proposed_at = models.DateTimeField(default=timezone.now)
    one_agreed_at = models.DateTimeField(null=True)
    other_agreed_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True, help_text="Declined, taken back or unlinked.")

    class Meta:
        constraints = [
            models.CheckConstraint(name="link_in_order", condition=Q(one__lt=F("other"))),
            models.UniqueConstraint(
                name="one_open_link_a_pair", fields=["one", "other"], condition=Q(ended_at=None)
            ),
        ]
        indexes = [models.Index(fields=["other"], name="spots_link_other")]
        ordering = ["-proposed_at", "id"]

    def __str__(self) -> str:
        return f"{self.one_id} and {self.other_id}"

    @property
    def holds(self) -> bool:
        return self.ended_at is None and None not in (self.one_agreed_at, self.other_agreed_at)
