"""The worker's housekeeping."""

from celery import shared_task
from django.utils import timezone

from club.idempotency import KEPT
from club.models import IdempotencyKey
from club.viewer import working


@shared_task
def forget_old_answers() -> int:
    """Remove the stored answers of writes that are too old to be given again. Returns how many."""
    now = timezone.now()
    with working(now):
        return IdempotencyKey.objects.filter(created_at__lte=now - KEPT).delete()[0]
