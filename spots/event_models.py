"""Events (tournaments) and who is entered in them. Their information cut-off is a rule of sight: spots/rules.py.

Django finds these through spots/models.py.
"""

import uuid

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from club.models import Member, Team
from spots.models import Water

LONGEST_LIMIT, LONGEST_FISH_MM = 100, 3000


def _pair(first: str, last: str) -> Q:
    """Both days or neither, in order."""
    return Q(**{first: None, last: None}) | Q(
        **{f"{first}__isnull": False, f"{last}__isnull": False, f"{first}__lte": F(last)}
    )


class Event(models.Model):
    """A tournament on one water. Read by all.

    From `cutoff_at` until `ends_at` whoever is entered, guests and the public see the water as it stood at
    `cutoff_at`. Once that has passed, the database lets nobody move it, nor bring the end forward
    (spots/event_policies.py).
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    name = models.CharField(max_length=80)
    water = models.ForeignKey(Water, on_delete=models.PROTECT, related_name="events")
    # The code of a species. Species live in observations, above this app: checked there.
    target = models.CharField(max_length=40)
    # Days are days on the water's own clock; the last one counts.
    off_limits_from = models.DateField(null=True, blank=True)
    off_limits_until = models.DateField(null=True, blank=True)
    practice_from = models.DateField(null=True, blank=True)
    practice_until = models.DateField(null=True, blank=True)
    fishing_from = models.DateField()
    fishing_until = models.DateField()
    cutoff_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    limit_number = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(LONGEST_LIMIT)]
    )
    minimum_length_mm = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(LONGEST_FISH_MM)]
    )
    allowed_sources = models.TextField(blank=True)
    rules_url = models.URLField(blank=True)
    # A member who does not fish it, and acts for an organiser who does.
    deputy = models.ForeignKey(
        Member, null=True, blank=True, on_delete=models.SET_NULL, related_name="deputy_of"
    )
    created_by = models.ForeignKey(Member, null=True, on_delete=models.SET_NULL, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [
            models.CheckConstraint(name="event_cutoff_before_end", condition=Q(cutoff_at__lt=F("ends_at"))),
            models.CheckConstraint(
                name="event_off_limits_in_order", condition=_pair("off_limits_from", "off_limits_until")
            ),
            models.CheckConstraint(
                name="event_practice_in_order", condition=_pair("practice_from", "practice_until")
            ),
            models.CheckConstraint(
                name="event_fishing_in_order", condition=Q(fishing_from__lte=F("fishing_until"))
            ),
            models.CheckConstraint(
                name="event_practice_comes_first",
                condition=Q(practice_until=None) | Q(practice_until__lte=F("fishing_from")),
            ),
            models.CheckConstraint(
                name="event_limit",
                condition=Q(limit_number=None) | Q(limit_number__gte=1, limit_number__lte=LONGEST_LIMIT),
            ),
            models.CheckConstraint(
                name="event_minimum_length",
                condition=Q(minimum_length_mm=None)
                | Q(minimum_length_mm__gte=1, minimum_length_mm__lte=LONGEST_FISH_MM),
            ),
        ]
        indexes = [models.Index(fields=["water", "cutoff_at", "ends_at"], name="event_freezes")]
        ordering = ["fishing_from", "name", "id"]

    def __str__(self) -> str:
        return self.name


class Entry(models.Model):
    """One angler entered in one event. Frozen by it, unless withdrawn before its cut-off.

    An entry made after the cut-off is `late`, and stands once the deputy, or an organiser who is not
    entered, has accepted it; it freezes from the moment it is asked for.
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="entries")
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="event_entries")
    team = models.ForeignKey(
        Team, null=True, blank=True, on_delete=models.SET_NULL, related_name="event_entries"
    )
    # These three are what the database's own clock of the request says, never what a request says.
    entered_at = models.DateTimeField(default=timezone.now)
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    late = models.BooleanField(default=False)
    accepted_by = models.ForeignKey(
        Member, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(name="entered_once", fields=["event", "member"]),
            models.CheckConstraint(
                name="only_late_entries_are_accepted", condition=Q(accepted_by=None) | Q(late=True)
            ),
            models.CheckConstraint(
                name="nobody_accepts_themself", condition=Q(accepted_by=None) | ~Q(accepted_by=F("member"))
            ),
            models.CheckConstraint(
                name="withdrawn_after_entering",
                condition=Q(withdrawn_at=None) | Q(withdrawn_at__gte=F("entered_at")),
            ),
        ]
        indexes = [models.Index(fields=["member", "event"], name="entries_of_member")]
        ordering = ["event_id", "entered_at", "id"]

    def __str__(self) -> str:
        return f"{self.member} in {self.event}"

    @property
    def stands(self) -> bool:
        """True when this angler fishes the event."""
        return self.withdrawn_at is None and (not self.late or self.accepted_by_id is not None)
