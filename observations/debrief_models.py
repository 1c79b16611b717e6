"""What a debrief keeps until its member has decided, and the track of the day. Read by that member alone.

`observations.models` imports them.
"""

import uuid

from django.contrib.gis.db import models
from django.db.models import F, Q
from django.utils import timezone

from club.models import Member
from observations.models import Method, Observation, Picture, Trip
from spots.models import Spot


class Track(models.Model):
    """The cleaned track of one trip, and what was done in it. Seconds, metres."""

    trip = models.OneToOneField(Trip, primary_key=True, on_delete=models.CASCADE, related_name="track")
    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    fixes = models.IntegerField()
    # Columns of `observations.files.track.Track`, packed (observations/debrief/packing.py).
    packed = models.BinaryField()
    running_s = models.FloatField(default=0)
    searching_s = models.FloatField(default=0)
    fishing_s = models.FloatField(default=0)
    stopped_s = models.FloatField(default=0)
    gap_s = models.FloatField(default=0)
    metres = models.FloatField(default=0)
    # What was read and what was left out, by reason.
    counts = models.JSONField(default=dict)
    # What the member searched with that day, as far as they say.
    search_method = models.CharField(max_length=10, choices=Method.choices, default=Method.SIDE)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="track_ends_after_start", condition=Q(ended_at__gte=F("started_at"), fixes__gte=2)
            )
        ]
        ordering = ["-started_at", "trip_id"]

    def __str__(self) -> str:
        return f"track of {self.started_at:%d %b %Y}"


class Pass(models.Model):
    """A stretch that was searched and met no spot."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    trip = models.ForeignKey(Trip, on_delete=models.CASCADE, related_name="passes")
    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField()
    metres = models.FloatField()
    path = models.LineStringField()

    class Meta:
        constraints = [
            models.CheckConstraint(name="pass_ends_after_start", condition=Q(ended_at__gt=F("started_at")))
        ]
        ordering = ["started_at", "id"]

    def __str__(self) -> str:
        # Never where: this text lands in logs.
        return f"pass of {self.started_at:%d %b %Y}"


class DebriefDraft(models.Model):
    """One question to the member: what was there at this stop, or what is this waypoint? No evidence by itself."""

    class Kind(models.TextChoices):
        STOP = "stop", "stop"
        WAYPOINT = "waypoint", "waypoint"

    class State(models.TextChoices):
        OPEN = "open", "open"
        CONFIRMED = "confirmed", "confirmed"
        DISCARDED = "discarded", "discarded"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    trip = models.ForeignKey(Trip, on_delete=models.CASCADE, related_name="drafts")
    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    started_at = models.DateTimeField(null=True)
    ended_at = models.DateTimeField(null=True)
    place = models.PointField()
    # Without constraints in the database: a spot may go from sight, and its row must not be held by this one.
    spot = models.ForeignKey(
        Spot, null=True, on_delete=models.DO_NOTHING, db_constraint=False, related_name="+"
    )
    away_m = models.FloatField(null=True)
    # Medians of the log over the stop.
    depth_m = models.FloatField(null=True)
    water_temp_c = models.FloatField(null=True)
    name = models.CharField(max_length=80, blank=True)
    notes = models.TextField(blank=True)
    # What it became.
    look = models.ForeignKey(
        Observation, null=True, on_delete=models.DO_NOTHING, db_constraint=False, related_name="+"
    )
    made_spot = models.ForeignKey(
        Spot, null=True, on_delete=models.DO_NOTHING, db_constraint=False, related_name="+"
    )
    decided_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="draft_of_a_stop_has_times",
                condition=~Q(kind="stop") | Q(started_at__isnull=False, ended_at__gt=F("started_at")),
            )
        ]
        indexes = [models.Index(fields=["trip", "kind", "started_at"])]
        ordering = ["trip_id", F("started_at").asc(nulls_last=True), "name", "id"]

    def __str__(self) -> str:
        # Never where: this text lands in logs.
        return f"{self.kind} of a debrief"


class DebriefPicture(models.Model):
    """A picture of the day, stored clean like any other, laid to a stop by its time or place, or waiting."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    trip = models.ForeignKey(Trip, on_delete=models.CASCADE, related_name="debrief_pictures")
    member = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    draft = models.ForeignKey(DebriefDraft, null=True, on_delete=models.SET_NULL, related_name="pictures")
    # As the file said, before its metadata went; and where the boat was then.
    taken_at = models.DateTimeField(null=True)
    place = models.PointField(null=True)
    width = models.IntegerField()
    height = models.IntegerField()
    # Of the file that was sent, so that it is not taken twice.
    digest = models.CharField(max_length=64)
    # Since when it belongs to a look, under the same id.
    used_at = models.DateTimeField(null=True)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(name="one_file_a_member", fields=["member", "digest"])]
        ordering = [F("taken_at").asc(nulls_last=True), "id"]

    def __str__(self) -> str:
        return f"picture {self.id} of a debrief"

    def stored(self) -> Picture:
        """Return the picture that it is or will be of a look: the same id, the same files."""
        return Picture(id=self.id, uploaded_by_id=self.member_id, width=self.width, height=self.height)
