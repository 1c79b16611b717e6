"""Lessons: private looks from which the club learns to read its screens, without learning where.

What may stand in a lesson is listed here, field by field; it starts from nothing. Free text, the exact
frequency, the month, depths and numbers stay with the look. The worker lays a month's lessons out whole, from
looks that had come in before that month, so that none tells who was out yesterday.

Lessons do not enter the fit of the club's parameters: their looks are shared because they were proved, at
spots that nobody tells, and would pass for spots where fish are always found.
"""

import re
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import groupby

from django.db import connection
from django.db.models import Exists, F, OuterRef, Q, QuerySet
from scipy.special import betaincinv

from club.models import Member
from club.viewer import working
from observations.enough import ENOUGH
from observations.lesson_models import Lesson, LessonChoice, LessonEdition, LessonShare, LessonSource
from observations.lesson_policies import LOCK
from observations.models import Call, Confirmation, EchoGroup, Finding, Method, Observation
from spots.cutoffs import cut_offs_on

CLUB = "club"
_KHZ = re.compile(r"(?<![\d.,])(\d{2,4}(?:\.\d+)?)\s*(k|m)hz\b", re.IGNORECASE)
_BANDS = ((100, "-100"), (300, "100-300"), (600, "300-600"), (1000, "600-1000"))
# Common practice, no source: what anglers call muddy, stained and clear, by the depth a disc is seen to.
_MUDDY_M, _STAINED_M = 0.5, 1.5


def lessons_of(owner_id: uuid.UUID | None = None, before: datetime | None = None) -> QuerySet[Finding]:
    """Return the findings that make a lesson of the private look whose echoes they settled.

    Both the look and the proof are its observer's own. A call from memory, or sealed after its proof, says
    nothing of a screen and makes none; nor does a rejected proof. `before` is when both must have come in.
    """
    rejected = Confirmation.objects.filter(
        finding=OuterRef("pk"), decision=Confirmation.Decision.REJECTED, undone_at=None
    )
    late = Q(settles__call__seal=Call.Seal.MEMORY) | Q(settles__call__sealed_at__gte=F("look__started_at"))
    found = (
        Finding.objects.filter(
            ~Q(settles__look__scope=CLUB),
            settles__look__observer_id=F("observer_id"),
            settles__look__withdrawn_at=None,
            look__withdrawn_at=None,
            withdrawn_at=None,
        )
        .exclude(settles__band=EchoGroup.Band.NONE)
        .exclude(Q(settles__call__isnull=False) & late)
        .filter(Q(verified_at__isnull=False) | ~Exists(rejected))
    )
    if owner_id:
        found = found.filter(observer_id=owner_id)
    if before:
        found = found.filter(received_at__lt=before, settles__look__received_at__lt=before)
    return found.select_related("look", "settles__look", "settles__call").order_by("settles__look_id", "pk")


def lesson_from(finding: Finding, made_at: datetime) -> Lesson:
    """Return what may be told of a proved call: nothing but what is named here."""
    group = finding.settles
    assert group is not None  # noqa: S101 - lessons_of
    look: Observation = group.look
    call: Call | None = getattr(group, "call", None)
    if call is not None and call.withdrawn_at:
        call = None
    if finding.verified_at:
        grade = Lesson.Grade.VERIFIED
    else:
        grade = Lesson.Grade.LANDED if finding.look.method == Method.ROD else Lesson.Grade.SEEN
    stated = call.probability if call else None
    return Lesson(
        made_at=made_at,
        method=look.method,
        frequency=_frequency(look),
        season=_season(look),
        clarity=_clarity(look) or _clarity(finding.look),
        call_id=call.species_id if call else None,
        sure=None if stated is None else round(stated * 10) * 10,
        truth_id=finding.corrected_species_id or finding.species_id,
        grade=grade,
        tie=finding.tie,
    )


def _frequency(look: Observation) -> str:
    """Return the band of the one frequency that the settings name; none where they name none or several."""
    named = {
        float(number) * (1000 if unit.lower() == "m" else 1)
        for value in look.settings.values()
        if isinstance(value, str)
        for number, unit in _KHZ.findall(value)
    }
    if len(named) != 1:
        return ""
    (khz,) = named
    return next((band for top, band in _BANDS if khz < top), Lesson.Frequency.ABOVE)


def _season(look: Observation) -> str:
    month = (look.started_at + timedelta(minutes=look.utc_offset_min)).month
    return list(Lesson.Season)[month % 12 // 3]


def _clarity(look: Observation) -> str:
    if look.clarity or look.secchi_m is None:
        return look.clarity
    clarity = Observation.Clarity
    return (
        clarity.MUDDY
        if look.secchi_m < _MUDDY_M
        else clarity.STAINED
        if look.secchi_m < _STAINED_M
        else clarity.CLEAR
    )


def new_edition(moment: datetime) -> LessonEdition | None:
    """Lay out this month's lessons, once, and none while a cut-off is on. As the worker.

    A lesson says nothing of its water, so a frozen reader could not be kept from it: it waits for the end.
    """
    month = moment.astimezone(UTC).date().replace(day=1)
    with working(moment):
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [LOCK])
        if cut_offs_on(moment) or LessonEdition.objects.filter(month=month).exists():
            return None
        before = datetime(month.year, month.month, 1, tzinfo=UTC)
        found = [finding for finding in lessons_of(before=before) if _said_yes(finding)]
        lessons = [lesson_from(finding, moment) for finding in found]
        owners = {finding.observer_id for finding in found}
        if not _tells_nobody(owners):
            found, lessons = [], []
        LessonEdition.objects.all().delete()
        edition = LessonEdition.objects.create(month=month, made_at=moment)
        Lesson.objects.all().delete()
        LessonSource.objects.all().delete()
        LessonSource.objects.bulk_create(
            LessonSource(
                lesson_id=lesson.pk,
                look=finding.settles.look,
                group=finding.settles,
                finding=finding,
                owner_id=finding.observer_id,
            )
            for finding, lesson in zip(found, lessons, strict=True)
            if finding.settles
        )
        # In an order of their own: not even the table tells which came first.
        Lesson.objects.bulk_create(sorted(lessons, key=lambda lesson: lesson.pk))
    return edition


def _said_yes(finding: Finding) -> bool:
    assert finding.settles is not None  # noqa: S101 - lessons_of
    share = LessonShare.objects.filter(look_id=finding.settles.look_id).first()
    return share.shared if share else LessonChoice.objects.filter(member_id=finding.observer_id).exists()


def _tells_nobody(owners: set[uuid.UUID]) -> bool:
    """Say whether lessons of these members may be shown: of three or more, or each lets fewer be told."""
    if len(owners) >= ENOUGH:
        return True
    return not Member.objects.filter(pk__in=owners, shares_thin_history=False).exists()


# --- What the page tells ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Truth:
    """How often a call turned out to be one species: `times` of `proofs`, with a 90 % interval."""

    species: str
    times: int
    proofs: int
    low: float
    high: float

    @property
    def low_percent(self) -> int:
        return round(self.low * 100)

    @property
    def high_percent(self) -> int:
        return round(self.high * 100)


@dataclass(frozen=True)
class Called:
    """One call with one method, and what it turned out to be; likeliest first."""

    method: str
    call: str
    proofs: int
    truths: tuple[Truth, ...]


def share_interval(times: int, proofs: int) -> tuple[float, float]:
    """Return the 5th and 95th percentile of a share: Beta(times + 1/2, proofs - times + 1/2).

    Jeffreys' interval, with its ends at 0 and 1 where nothing or everything was counted: Brown, Cai and
    DasGupta (2001), Interval Estimation for a Binomial Proportion, Statistical Science 16(2), section 4.1.2.
    """
    hits, misses = times + 0.5, proofs - times + 0.5
    return (
        0.0 if times == 0 else float(betaincinv(hits, misses, 0.05)),
        1.0 if times == proofs else float(betaincinv(hits, misses, 0.95)),
    )


NO_CALL = "no call"


def what_calls_were(lessons: Iterable[Lesson]) -> list[Called]:
    """Return, for each method and call, what the same fish turned out to be; most proofs first.

    Only *same fish* counts: another fish at the same cover does not settle a call.
    """
    settled = [lesson for lesson in lessons if lesson.tie == Finding.Tie.FISH]
    rows = []
    by_call = sorted(settled, key=lambda lesson: (lesson.method, lesson.call.name if lesson.call else "~"))
    for (method, call), group in groupby(
        by_call,
        key=lambda lesson: (lesson.get_method_display(), lesson.call.name if lesson.call else NO_CALL),
    ):
        proofs = list(group)
        names = [lesson.truth.name for lesson in proofs]
        truths = [
            Truth(name, names.count(name), len(names), *share_interval(names.count(name), len(names)))
            for name in sorted(set(names))
        ]
        rows.append(
            Called(method, call, len(names), tuple(sorted(truths, key=lambda t: (-t.times, t.species))))
        )
    return sorted(rows, key=lambda row: -row.proofs)


@dataclass(frozen=True)
class OwnLook:
    """A private look of the reader's that a proof has settled, and whether it is shared."""

    look: Observation
    proofs: tuple[Finding, ...]
    shared: bool
    # Said for this look alone; otherwise by the standing choice.
    said: bool


def own_looks(member_id: uuid.UUID) -> list[OwnLook]:
    """Return the member's private looks that can be shared as lessons, newest first. As the member."""
    said = dict(LessonShare.objects.filter(owner_id=member_id).values_list("look_id", "shared"))
    standing = LessonChoice.objects.filter(member_id=member_id).exists()
    found = lessons_of(member_id).select_related(
        "species", "look", "settles__look__spot__water", "settles__call__species"
    )
    proofs: dict[uuid.UUID, list[Finding]] = {}
    looks: dict[uuid.UUID, Observation] = {}
    for finding in found:
        assert finding.settles is not None  # noqa: S101 - lessons_of
        look = finding.settles.look
        looks[look.pk] = look
        proofs.setdefault(look.pk, []).append(finding)
    rows = [
        OwnLook(look, tuple(proofs[key]), said.get(key, standing), key in said) for key, look in looks.items()
    ]
    return sorted(rows, key=lambda row: (row.look.started_at, row.look.pk), reverse=True)
