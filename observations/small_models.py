"""Pictures whose small one the worker has yet to make."""

from django.db import models
from django.utils import timezone


class SmallDue(models.Model):
    """A picture of a look or of a debrief, which go by one id. Written by a trigger, emptied by the worker."""

    picture_id = models.UUIDField(primary_key=True, editable=False)
    since = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["since", "picture_id"]

    def __str__(self) -> str:
        return f"{self.picture_id} is due"
