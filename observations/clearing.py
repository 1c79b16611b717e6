"""Clearing a picture for everybody: its owner offers it, a checker who is somebody else clears it.

What is then shown has an id of its own and a file of its own, scaled and encoded anew, so that neither id,
bytes, size nor order tells which look it belongs to. Whoever may see the original can tell by looking; they
see its spot exactly already.
"""

import uuid
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.http import Http404

from club.viewer import Viewer
from observations.clearing_models import Clearance, ClearedPicture
from observations.models import Observation, Picture
from observations.pictures import forget_copy, write_copy

ASKED = "Look at all of it: is any position, name or landmark visible? Say that none is, or leave it."


def own_picture(viewer: Viewer, picture_id: uuid.UUID) -> Picture:
    """Return a picture of one of the viewer's own looks, or raise the Http404 of one that never was."""
    own = Observation.objects.filter(observer_id=viewer.member_id, withdrawn_at=None)
    picture = Picture.objects.filter(pk=picture_id, look__in=own).first()
    if picture is None or viewer.member_id is None:
        raise Http404
    return picture


def clearance_of(picture: Picture) -> Clearance | None:
    return Clearance.objects.filter(picture=picture, ended_at=None).first()


def offer(viewer: Viewer, picture: Picture, moment: datetime) -> Clearance:
    """Offer one's own picture to the checkers. Offering twice is offering once."""
    assert viewer.member_id is not None  # noqa: S101 - own_picture
    try:
        with transaction.atomic():
            return Clearance.objects.create(picture=picture, owner_id=viewer.member_id, offered_at=moment)
    except IntegrityError:
        return Clearance.objects.get(picture=picture, ended_at=None)


def offered(viewer: Viewer) -> QuerySet[Clearance]:
    """Return what waits for this checker: the offers of others, oldest first."""
    if not viewer.is_checker or viewer.member_id is None:
        return Clearance.objects.none()
    waiting = Clearance.objects.filter(ended_at=None, checker=None, picture__in=Picture.objects.all())
    return waiting.exclude(owner_id=viewer.member_id)


def clear(viewer: Viewer, clearance: Clearance, moment: datetime) -> ClearedPicture:
    """Clear an offered picture: the copy is written, and everybody may see it. Raises ValidationError."""
    cleared_id = uuid.uuid4()
    if not write_copy(clearance.picture, cleared_id):
        raise ValidationError("The picture’s file is not there.")
    try:
        done = offered(viewer).filter(pk=clearance.pk).update(
            checker_id=viewer.member_id, cleared_at=moment, cleared_id=cleared_id
        )  # fmt: skip
    except BaseException:
        forget_copy(cleared_id)
        raise
    if not done:
        forget_copy(cleared_id)
        raise ValidationError("This picture no longer waits for you.")
    return ClearedPicture.objects.get(pk=cleared_id)


def end(viewer: Viewer, clearance: Clearance, moment: datetime) -> None:
    """Take an offer or a cleared picture back, or refuse it: from now on nobody gets it here."""
    Clearance.objects.filter(pk=clearance.pk, ended_at=None).update(
        ended_at=moment, ended_by_id=viewer.member_id
    )
    if clearance.cleared_id:
        cleared_id = clearance.cleared_id
        transaction.on_commit(lambda: forget_copy(cleared_id))
