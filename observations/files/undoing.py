"""What an import created, and taking it back while nothing else rests on it."""

import uuid
from collections.abc import Iterator, Sequence
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import DatabaseError, connection, transaction
from django.db.models import Q

from club.models import Member
from observations.import_models import ImportRecord
from observations.jobs import wake
from observations.models import Confirmation, Finding, Observation, Picture
from spots.level_models import PoolLevel
from spots.link_models import SpotLink
from spots.models import Spot

OUTLINES, CONTOURS = "outlines", "contours"


def reasons_to_stay(record: ImportRecord) -> list[str]:
    """Return why an import can no longer be taken back; none where it can.

    Only of what its member sees: what others keep to themselves neither stops it nor is told by it.
    """
    return list(_reasons(record))


def _reasons(record: ImportRecord) -> Iterator[str]:
    if record.undone_at is not None:
        yield "It has been taken back already."
        return
    if record.kind == OUTLINES:
        yield "An outline stays: its zones are published, and never change."
        return
    if record.kind == CONTOURS:
        yield "Contours stay: the bands of depth that were cut from a water’s first ones never change."
        return
    owned = Spot.objects.filter(pk__in=record.spots).count()
    if owned < len(record.spots):
        yield _of(
            len(record.spots) - owned, "of its spots is no longer yours.", "of its spots are no longer yours."
        )
    later = Observation.objects.filter(spot__in=record.spots, withdrawn_at=None).exclude(pk__in=record.looks)
    if number := later.count():
        yield _of(number, "look was logged since at its spots.", "looks were logged since at its spots.")
    settled = Finding.objects.filter(settles__look__in=record.looks).exclude(look__in=record.looks)
    if number := settled.count():
        yield _of(number, "later proof settles one of its calls.", "later proofs settle its calls.")
    confirmed = Confirmation.objects.filter(finding__look__in=record.looks, created_at__gte=record.at)
    if number := confirmed.count():
        yield _of(number, "of its findings was checked since.", "of its findings were checked since.")
    if number := Picture.objects.filter(look__in=record.looks).count():
        yield _of(number, "picture was added to its looks.", "pictures were added to its looks.")
    links = SpotLink.objects.filter(Q(one__in=record.spots) | Q(other__in=record.spots), ended_at=None)
    if number := links.count():
        yield _of(
            number, "of its spots is linked to another owner’s.", "of its spots are linked to other owners’."
        )
    if number := _changed_levels(record):
        yield _of(number, "of its readings was replaced since.", "of its readings were replaced since.")


def _changed_levels(record: ImportRecord) -> int:
    written = [*record.levels, *(row[0] for row in record.levels_before)]
    number: int = PoolLevel.objects.filter(pk__in=written, received_at=record.at).count()
    return len(written) - number


def _of(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _is_left(record: ImportRecord) -> bool:
    live = Observation.objects.filter(pk__in=record.looks, withdrawn_at=None)
    levels = PoolLevel.objects.filter(pk__in=record.levels, received_at=record.at)
    return live.exists() or Spot.objects.filter(pk__in=record.spots).exists() or levels.exists()


def undo(record: ImportRecord) -> None:
    """Take an import back, all of it. Raises ValidationError saying why not."""
    if reasons := reasons_to_stay(record):
        raise ValidationError(reasons)
    try:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SELECT observations_undo_import(%s)", [record.pk])
            # The database takes back only what is still the member's to take: all of it, or nothing.
            if _is_left(record):
                raise ValidationError(["Part of it is no longer yours to take back; nothing was."])
    except DatabaseError as error:
        raise ValidationError(["It was taken back meanwhile."]) from error
    if record.looks:
        wake()


def latest(member: Member, most: int = 20) -> Sequence[ImportRecord]:
    return list(ImportRecord.objects.filter(member=member).defer("spots", "looks", "levels")[:most])


def keep_record(
    member_id: uuid.UUID,
    moment: datetime,
    *,
    name: str,
    kind: str,
    words: str,
    spots: list[uuid.UUID],
    looks: list[uuid.UUID],
    levels: list[int],
    levels_before: list[tuple[int, float, str, float, str]],
) -> ImportRecord:
    """Write down what an import created."""
    return ImportRecord.objects.create(
        member_id=member_id,
        at=moment,
        name=name[-100:],
        kind=kind,
        words=words[:300],
        spots=spots,
        looks=looks,
        levels=levels,
        levels_before=[list(row) for row in levels_before],
    )
