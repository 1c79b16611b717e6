"""Taking a look back. It is kept and counted, but is no longer evidence."""

from datetime import datetime
from functools import partial

from django.core.exceptions import ValidationError
from django.db import transaction

from observations.clearing_models import Clearance
from observations.models import Finding, Observation
from observations.pictures import forget_copy


def why_not(look: Observation) -> str:
    """Return why a look can no longer be taken back, or nothing."""
    if look.withdrawn_at:
        return "This look has been taken back already."
    if Finding.objects.filter(settles__look=look).exists():
        return "A call of this look has met its proof; the look stays."
    if look.findings.exclude(verified_at=None).exists():
        return "A finding of this look is verified; the look stays."
    return ""


def withdraw_look(look: Observation, moment: datetime) -> None:
    """Take a look back, or raise ValidationError saying why it stays."""
    if reason := why_not(look):
        raise ValidationError(reason)
    # The database ends their clearances with it; the copies that everybody saw go, too.
    kept = Clearance.objects.filter(picture__look=look, ended_at=None).exclude(cleared_id=None)
    cleared = [key for key in kept.order_by("pk").values_list("cleared_id", flat=True) if key]
    look.withdrawn_at = moment
    look.save(update_fields=["withdrawn_at"])
    for key in cleared:
        transaction.on_commit(partial(forget_copy, key))
