"""The log of exact positions shown, and the alert of the daily cap. `spots.models` imports them."""

import uuid

from django.db import models
from django.db.models import Q

# The viewer of a disclosure to somebody who is not signed in.
NOBODY = uuid.UUID(int=0)


class Channel(models.TextChoices):
    """The way by which an exact position leaves. `UNSEEN` is for a page on which none does."""

    PAGE = "page", "spot sheet"
    CHART = "chart", "chart"
    API = "api", "API"
    EXPORT = "export", "file"
    IMPORT = "import", "distance from an imported position"
    PRINT = "print", "print"
    CARRIED = "carried", "carried on a phone"
    UNSEEN = "unseen", "not at all"


class Disclosure(models.Model):
    """One viewer was shown the exact position of one spot, by one channel, on one day (UTC).

    Append-only, and never coordinates. There are no foreign keys: the row outlasts the spot. Written by
    `precision.py` alone, in the request in which the position leaves.
    """

    id = models.BigAutoField(primary_key=True)
    viewer_id = models.UUIDField(help_text="NOBODY stands for the public.")
    spot_id = models.UUIDField()
    channel = models.CharField(max_length=10, choices=Channel.choices)
    day = models.DateField()
    at = models.DateTimeField(help_text="The first time on that day.")
    counts = models.BooleanField(help_text="A first opening, which counts against the daily cap.")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                name="one_disclosure_a_day", fields=["viewer_id", "spot_id", "day", "channel"]
            ),
            models.CheckConstraint(name="disclosed_somehow", condition=~Q(channel="unseen")),
        ]
        indexes = [
            models.Index(fields=["spot_id", "day"]),
            models.Index(fields=["viewer_id", "day"], condition=Q(counts=True), name="openings_of_a_day"),
        ]
        ordering = ["-day", "-at", "-id"]

    def __str__(self) -> str:
        return f"{self.spot_id} to {self.viewer_id} on {self.day}"


class CapReached(models.Model):
    """On this day (UTC) this viewer opened as many new positions as the club allows in one day."""

    id = models.BigAutoField(primary_key=True)
    viewer_id = models.UUIDField()
    day = models.DateField()
    at = models.DateTimeField()
    opened = models.IntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(name="one_alert_a_day", fields=["viewer_id", "day"])]
        ordering = ["-day", "-id"]

    def __str__(self) -> str:
        return f"{self.viewer_id} on {self.day}"
