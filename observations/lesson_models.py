"""Lessons: looks shared without place, and, apart from them, whose they are.

A lesson has no key of anything that has a place, a name or a day. What ties it to its look stands in
`LessonSource`, which no page's role can read; it is there so that a lesson can be taken back.
"""

import uuid

from django.db import models
from django.db.models import Q
from django.utils import timezone

from club.models import Member
from observations.models import EchoGroup, Finding, Method, Observation, Species


class LessonEdition(models.Model):
    """A month's lessons: all are laid out anew, so that none has a date or an order of its own."""

    month = models.DateField(primary_key=True, help_text="Its first day.")
    made_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-month"]

    def __str__(self) -> str:
        return f"lessons of {self.month:%B %Y}"


class Lesson(models.Model):
    """One call and the proof that settled it, without place."""

    class Frequency(models.TextChoices):
        """Bands, because an odd frequency could be one member's own."""

        BELOW_100 = "-100", "below 100 kHz"
        BELOW_300 = "100-300", "100–300 kHz"
        BELOW_600 = "300-600", "300–600 kHz"
        BELOW_1000 = "600-1000", "600–1000 kHz"
        ABOVE = "1000-", "1 MHz or more"

    class Season(models.TextChoices):
        """Quarters of the year, named by months: no hemisphere, and no month that would tell of an outing."""

        WINTER = "12-2", "December to February"
        SPRING = "3-5", "March to May"
        SUMMER = "6-8", "June to August"
        AUTUMN = "9-11", "September to November"

    class Grade(models.TextChoices):
        SEEN = "seen", "seen"
        LANDED = "landed", "landed"
        VERIFIED = "verified", "verified"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    made_at = models.DateTimeField(help_text="When its edition was made.")
    method = models.CharField(max_length=10, choices=Method.choices)
    frequency = models.CharField(max_length=10, choices=Frequency.choices, blank=True)
    season = models.CharField(max_length=10, choices=Season.choices)
    clarity = models.CharField(max_length=10, choices=Observation.Clarity.choices, blank=True)
    # None: echoes were seen and not called.
    call = models.ForeignKey(Species, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    sure = models.SmallIntegerField(null=True, blank=True, help_text="Per cent, to the nearest ten.")
    truth = models.ForeignKey(Species, on_delete=models.CASCADE, related_name="+")
    grade = models.CharField(max_length=10, choices=Grade.choices)
    tie = models.CharField(max_length=10, choices=Finding.Tie.choices)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="lesson_sure", condition=Q(sure=None) | Q(sure__gte=0, sure__lte=100, sure__isnull=False)
            )
        ]
        # By what they say; never by when they came.
        ordering = ["method", "call", "truth", "grade", "tie", "season", "clarity", "frequency", "sure", "id"]

    def __str__(self) -> str:
        return f"{self.method}: called {self.call_id or 'nothing'}, was {self.truth_id}"


class LessonSource(models.Model):
    """Which look and finding a lesson came from, and whose. For the worker and the triggers alone."""

    lesson_id = models.UUIDField(primary_key=True)
    look = models.ForeignKey(Observation, on_delete=models.CASCADE, related_name="+")
    group = models.ForeignKey(EchoGroup, on_delete=models.CASCADE, related_name="+")
    finding = models.ForeignKey(Finding, on_delete=models.CASCADE, related_name="+")
    owner = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="+")

    def __str__(self) -> str:
        return f"source of {self.lesson_id}"


class LessonShare(models.Model):
    """An observer's yes or no to sharing one private look of theirs as a lesson. Read by them alone."""

    look = models.OneToOneField(Observation, primary_key=True, on_delete=models.CASCADE, related_name="+")
    owner = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="+")
    shared = models.BooleanField()

    def __str__(self) -> str:
        return f"{'yes' if self.shared else 'no'} to {self.look_id}"


class LessonChoice(models.Model):
    """A member's standing yes: every private look of theirs that is proved is shared as a lesson."""

    member = models.OneToOneField(Member, primary_key=True, on_delete=models.CASCADE, related_name="+")

    def __str__(self) -> str:
        return f"standing yes of {self.member_id}"
