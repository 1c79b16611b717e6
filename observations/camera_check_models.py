"""What became of the looks that the draw asked a camera for. `observations.models` imports it."""

from django.db import models
from django.db.models import Q


class CameraCheck(models.Model):
    """A look that was drawn for the camera, whatever it looked like: at what odds, and what the member said."""

    class Answer(models.TextChoices):
        WILL = "will", "will do it"
        REFUSED = "refused", "not this time"

    look = models.OneToOneField(
        "observations.Observation", primary_key=True, on_delete=models.CASCADE, related_name="camera_check"
    )
    odds = models.FloatField(help_text="The share of looks that was drawn when this one was.")
    answer = models.CharField(max_length=10, choices=Answer.choices, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="camera_check_odds", condition=Q(odds__gt=0, odds__lte=1)),
            models.CheckConstraint(
                name="camera_check_answer",
                condition=Q(answer="", answered_at=None)
                | Q(answer__in=["will", "refused"], answered_at__isnull=False),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.answer or 'asked'}, look {self.look_id}"
