"""What a member chose for files of one header, and what each of their imports created."""

import uuid

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.utils import timezone

from club.models import Member


class ImportMap(models.Model):
    """How a member reads tables with one header (spots/files/mapping.py). Private to them."""

    id = models.BigAutoField(primary_key=True)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="+")
    # The names of the columns as `column_key` has them, in their order.
    header = ArrayField(models.CharField(max_length=4000))
    kind = models.CharField(max_length=10)
    columns = models.JSONField(default=dict)
    units = models.JSONField(default=dict)
    fixed = models.JSONField(default=dict)
    order = models.CharField(max_length=3, default="ymd")
    chosen_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint(name="one_map_a_header", fields=["member", "header"])]
        ordering = ["member_id", "-chosen_at", "-id"]

    def __str__(self) -> str:
        return f"{len(self.header)} columns of {self.kind}"


class ImportRecord(models.Model):
    """One import: what it was, and what it created, so that it can be taken back. Private to its member."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="imports")
    at = models.DateTimeField()
    name = models.CharField(max_length=100)
    kind = models.CharField(max_length=10)
    words = models.CharField(max_length=300)
    spots = ArrayField(models.UUIDField(), default=list)
    looks = ArrayField(models.UUIDField(), default=list)
    levels = ArrayField(models.BigIntegerField(), default=list)
    # Readings that took another's place: [id, level, source, level since, stood since].
    levels_before = models.JSONField(default=list)
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-at", "id"]

    def __str__(self) -> str:
        return f"{self.kind} of {self.at:%d %b %Y}"
