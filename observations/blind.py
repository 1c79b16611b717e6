"""Blind calls: a proved picture is called before the truth is told, and the hard ones come back.

Once there are enough cleared pictures, half of them are kept for this: wherever they stand, nobody is told their
species before they have called it. The others are named to everybody, and are not asked about: each picture is learned
from in one way. A club with a handful knows them by heart, and gets them in both.
"""

import hashlib
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.conf import settings

from club.viewer import Viewer
from observations.blind_models import BlindCall
from observations.clearing_models import Clearance, ClearedPicture
from observations.inference.condition import STANDARDS
from observations.inference.scores import brier
from observations.lessons import share_interval
from observations.models import Call, EchoGroup, Method, Species, band_of
from observations.visits import Kinds

# After how many other calls a picture comes back: soon after a miss, later and later after each hit in a row.
COMES_BACK_AFTER = (3, 12, 48)
SURE = (20, 40, 60, 80, 95)
BANDS = [(str(band), band.label) for band in EchoGroup.Band if band != EchoGroup.Band.NONE]
SIZES = [(str(size), size.label) for size in Call.Size]
# Progress is told in stretches of so many calls, the newest of them.
STRETCH, STRETCHES = 20, 8


@dataclass(frozen=True)
class Share:
    """How many of some calls were right, with the 90 % interval of the share."""

    what: str
    right: int
    calls: int
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.right / self.calls


@dataclass(frozen=True)
class Standing:
    """How a member has done so far, by method and by how sure they said they were."""

    calls: int
    right: int
    brier: float | None
    by_method: list[Share]
    stated: list[Share]
    number: Share | None
    size: Share | None
    progress: list[Share]


def own_calls(viewer: Viewer) -> list[BlindCall]:
    if viewer.member_id is None:
        return []
    return list(BlindCall.objects.filter(member_id=viewer.member_id).order_by("made_at", "id"))


def kept(cleared: uuid.UUID) -> bool:
    """Say whether a cleared picture is kept for practice: by its id, which is random and means nothing else."""
    return int.from_bytes(cleared.bytes[:4]) < settings.PRACTICE_ODDS * 2**32


def enough(named: int) -> bool:
    """Say whether so many named pictures are enough to keep half of them for practice."""
    return named >= settings.PRACTICE_FROM


def leave_unnamed(rows: Iterable[ClearedPicture], viewer: Viewer) -> list[ClearedPicture]:
    """Return the rows, those without their species that are kept for practice and that this reader has not called.

    Who has the picture from their own look knows it.
    """
    found = list(rows)
    if not enough(ClearedPicture.objects.exclude(species=None).count()):
        return found
    named = {call.picture for call in own_calls(viewer)} | _own(viewer)
    for row in found:
        if row.species_id and kept(row.pk) and row.pk not in named:
            row.species, row.number, row.length_mm, row.kept = None, 0, 0, True
    return found


def _own(viewer: Viewer) -> set[uuid.UUID]:
    own = Clearance.objects.filter(owner_id=viewer.member_id, ended_at=None).exclude(cleared_id=None)
    return {key for key in own.values_list("cleared_id", flat=True) if key} if viewer.member_id else set()


def practice(viewer: Viewer, calls: Sequence[BlindCall]) -> dict[uuid.UUID, ClearedPicture]:
    """Return the pictures that this member may be asked about: those kept, but none of their own looks; of few, all."""
    called, own = {call.picture for call in calls}, _own(viewer)
    rows = list(ClearedPicture.objects.exclude(species=None))
    if not enough(len(rows)):
        return {row.pk: row for row in rows}
    return {row.pk: row for row in rows if (kept(row.pk) or row.pk in called) and row.pk not in own}


def next_picture(viewer: Viewer, calls: Sequence[BlindCall]) -> ClearedPicture | None:
    """Return the picture to call next: one that is due again, else one never called, else the one longest ago.

    The order of those never called is each member's own, and the same when they come back to the page.
    """
    pictures = practice(viewer, calls)
    if not pictures:
        return None
    last: dict[uuid.UUID, int] = {}
    streak: dict[uuid.UUID, int] = {}
    for number, call in enumerate(calls):
        last[call.picture] = number
        streak[call.picture] = streak.get(call.picture, 0) + 1 if call.right else 0

    def overdue(key: uuid.UUID) -> int:
        gap = COMES_BACK_AFTER[min(streak[key], len(COMES_BACK_AFTER) - 1)]
        return len(calls) - 1 - last[key] - gap

    met = [key for key in pictures if key in last]
    due = [key for key in met if overdue(key) >= 0]
    if due:
        return pictures[min(due, key=lambda key: (streak[key], -overdue(key), str(key)))]
    new = [key for key in pictures if key not in last]
    if new:
        return pictures[
            min(new, key=lambda key: hashlib.sha256(f"{viewer.member_id} {key}".encode()).digest())
        ]
    # With few pictures none is due; the one just called is not asked again at once.
    return pictures[min(met, key=lambda key: last[key])]


def size_of(species: str, length_mm: int) -> str:
    """Return the size class of a fish: small below the published *quality* length of its species, large from the
    *preferred* one on (Gabelhouse 1984, as in `inference.condition`); empty where it has none, or no length.
    """
    standard = STANDARDS.get(species)
    if standard is None or len(standard.lengths_mm) < 3 or not length_mm:
        return ""
    _, quality, preferred, *_ = standard.lengths_mm
    size = (
        Call.Size.SMALL
        if length_mm < quality
        else Call.Size.LARGE
        if length_mm >= preferred
        else Call.Size.MIDDLE
    )
    return str(size)


def call_picture(
    viewer: Viewer,
    picture: ClearedPicture,
    called: Species,
    probability: float,
    moment: datetime,
    band: str = "",
    size: str = "",
) -> BlindCall:
    """Seal a blind call and score it: right when the truth is what was called, or lies under it.

    Number and size are scored where both they and the truth are there.
    """
    assert viewer.member_id is not None and picture.species_id is not None  # noqa: S101 - the page asks for both
    return BlindCall.objects.create(
        member_id=viewer.member_id,
        picture=picture.id,
        method=picture.method,
        called=called,
        probability=probability,
        truth_id=picture.species_id,
        right=Kinds().covers(called.code, picture.species_id),
        band=band,
        size=size,
        true_band=band_of(picture.number) if picture.number else "",
        true_size=size_of(picture.species_id, picture.length_mm),
        made_at=moment,
    )


def standing(calls: Sequence[BlindCall]) -> Standing:
    """Count what was right. A picture that came back counts each time: it was asked because it was hard."""
    methods: dict[str, list[bool]] = {}
    stated: dict[str, list[bool]] = {}
    for call in calls:
        methods.setdefault(str(Method(call.method).label), []).append(call.right)
        stated.setdefault(f"{call.probability * 100:.0f}", []).append(call.right)
    rights = [call.right for call in calls]
    numbers = [call.band == call.true_band for call in calls if call.band and call.true_band]
    sizes = [call.size == call.true_size for call in calls if call.size and call.true_size]
    return Standing(
        calls=len(calls),
        right=sum(rights),
        brier=brier(rights, [call.probability for call in calls]) if calls else None,
        by_method=_shares(methods),
        stated=_shares(stated),
        number=_share("", numbers) if numbers else None,
        size=_share("", sizes) if sizes else None,
        progress=[
            _share(f"{at + 1} to {at + len(rights[at : at + STRETCH])}", rights[at : at + STRETCH])
            for at in range(0, len(rights), STRETCH)
        ][-STRETCHES:],
    )


def _shares(counted: Mapping[str, list[bool]]) -> list[Share]:
    return [_share(what, rights) for what, rights in sorted(counted.items())]


def _share(what: str, rights: Sequence[bool]) -> Share:
    return Share(what, sum(rights), len(rights), *share_interval(sum(rights), len(rights)))
