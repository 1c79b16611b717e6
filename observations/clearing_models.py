"""Pictures cleared for everybody. `observations.models` imports them."""

import uuid

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from club.models import Member


class Clearance(models.Model):
    """A look's owner offers one picture to everybody, and a checker who is not the owner clears it or not.

    Private: it alone ties a cleared picture to where it comes from.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    picture = models.ForeignKey("observations.Picture", on_delete=models.CASCADE, related_name="clearances")
    owner = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    offered_at = models.DateTimeField(default=timezone.now)
    checker = models.ForeignKey(Member, null=True, on_delete=models.PROTECT, related_name="+")
    cleared_at = models.DateTimeField(null=True)
    # The public id: that of the row below and of its file.
    cleared_id = models.UUIDField(null=True, unique=True)
    # Something is proved that waits for the end of an event on its water (clearing_policies.py).
    untold = models.BooleanField(default=False, db_default=False, editable=False)
    ended_at = models.DateTimeField(null=True)
    ended_by = models.ForeignKey(Member, null=True, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_clearance_at_a_time", fields=["picture"], condition=Q(ended_at=None)
            ),
            models.CheckConstraint(name="cleared_by_two", condition=Q(checker=None) | ~Q(checker=F("owner"))),
            models.CheckConstraint(
                name="cleared_whole",
                condition=Q(checker=None, cleared_at=None, cleared_id=None)
                | Q(checker__isnull=False, cleared_at__isnull=False, cleared_id__isnull=False),
            ),
        ]
        ordering = ["offered_at", "id"]

    def __str__(self) -> str:
        return f"clearance of {self.picture_id}"


class ClearedPicture(models.Model):
    """A picture as everybody may see it: no spot, water, day, observer, and no way back to them.

    Its id is new and random, its file a copy encoded anew. Only the trigger of a clearance writes here.
    """

    id = models.UUIDField(primary_key=True, editable=False)
    method = models.CharField(max_length=10)
    # Only what is verified: an open proof is checked blind.
    species = models.ForeignKey("observations.Species", null=True, on_delete=models.PROTECT, related_name="+")
    # What the verified proof found, for who practises on it: how many, and how long to the centimetre; 0: unknown.
    number = models.IntegerField(default=0)
    length_mm = models.IntegerField(default=0)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"cleared picture {self.id}"

    # Set where its species is left out for a reader who has not called it (observations/blind.py).
    kept = False

    @property
    def method_text(self) -> str:
        from observations.models import Method

        return str(Method(self.method).label)

    @property
    def grade(self) -> str:
        return "verified" if self.species_id else ""
