"""The checkers' queue: blind, in an order of the checker's choosing.

A checker sees a picture, lengths and the list of species, names one, and only then learns what the observer
claimed. The name is stored before the claim is sent and cannot be changed; the database keeps that order
(observations/policies.py). Whoever could read the claim elsewhere names it all the same; that check counts, but as no
blind one (`BlindName.blind`). What all standing decisions together make of a finding stands in proof_policies.py.
"""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Exists, F, FloatField, OuterRef, Q, QuerySet
from django.db.models.expressions import Func, RawSQL
from django.http import Http404
from django.utils.crypto import salted_hmac

from club.models import Member
from club.rls import MOMENT
from club.viewer import Viewer, current_freeze
from observations.models import BlindName, Confirmation, Finding, Picture, Species
from observations.proof_models import Dispute
from observations.services import confirm
from observations.words import WAITS_DAYS

NO_PICTURE = "Confirmed without a picture."
BACK_ALREADY = "This decision was taken back already."
# How long a proof waits for a checker, by the moment of who asks.
_SINCE = RawSQL(f"{MOMENT} - interval '{WAITS_DAYS} days'", [])  # noqa: S611 - constants of our own
# Once the claim has been seen, it can no longer be confirmed: that would not be blind.
DECISIONS = (Confirmation.Decision.CORRECTED, Confirmation.Decision.REJECTED, Confirmation.Decision.UNSURE)
# What a checker may decide anew who named the claim's species blind and took it back.
AGAIN = (Confirmation.Decision.CONFIRMED, Confirmation.Decision.REJECTED, Confirmation.Decision.UNSURE)
PICTURES, OLDEST, DISPUTED, MATTERS = "pictures", "oldest", "disputed", "matters"
ORDERS = {
    PICTURES: "pictures",
    OLDEST: "oldest",
    DISPUTED: "disputed",
    MATTERS: "matters most",
}


def waiting(viewer: Viewer) -> QuerySet[Finding]:
    """Return the findings of others that wait for this checker's decision, oldest first.

    The club's, of looks open to the club, and of the checker's own teams: what nobody has settled, what is
    disputed, and of what is verified the few that come back. After `WAITS_DAYS` a finding stays what it is, seen
    or landed: the queue is for volunteers. Those of a water that is frozen for the checker wait for another. Asked
    when it is read, so there is no job to miss.
    """
    if not viewer.is_checker or viewer.member_id is None:
        return Finding.objects.none()
    mine = Confirmation.objects.filter(finding=OuterRef("pk"), checker_id=viewer.member_id, undone_at=None)
    teams = [f"team:{team}" for team in viewer.team_ids]
    waits = Q(waits_since__gt=_SINCE)
    if again := _coming_back(viewer):
        waits |= Q(pk__in=again)
    return (
        Finding.objects.filter(
            waits,
            Q(scope="club") | Q(scope__in=teams) | Q(opens_at__lte=RawSQL(MOMENT, [])),  # noqa: S611
            ~Exists(mine),
            withdrawn_at=None,
        )
        .exclude(observer_id=viewer.member_id)
        .exclude(water_id__in=list(current_freeze().waters))
        .order_by("received_at", "id")
    )


def _coming_back(viewer: Viewer) -> list[uuid.UUID]:
    """Return which of the lately verified findings are drawn to be named once more, by somebody else."""
    lately = Finding.objects.filter(
        verified_at__gt=_SINCE, votes=1, withdrawn_at=None, disputed_at=None
    ).exclude(observer_id=viewer.member_id)
    return [key for key in lately.values_list("pk", flat=True) if drawn(key)]


def drawn(finding: uuid.UUID) -> bool:
    """Say whether a finding comes back to another checker: by its id, under a secret of the server's."""
    number = int.from_bytes(salted_hmac("proofs.recheck", str(finding), algorithm="sha256").digest()[:4])
    return number < settings.RECHECK_ODDS * 2**32


def ordered(found: QuerySet[Finding], order: str) -> QuerySet[Finding]:
    """Return the findings in one of `ORDERS`, and else the oldest first.

    What matters most to confidence: a proof that settles a call as the same fish, then where the chance of what is
    claimed is least known. The claim itself is never told by it: one proof is shown at a time, without its rank.
    """
    picture = Exists(Picture.objects.filter(finding=OuterRef("pk")))
    if order == PICTURES:
        found = found.annotate(first=picture).order_by("-first", "received_at", "id")
    if order == DISPUTED:
        found = found.order_by(F("disputed_at").asc(nulls_last=True), "received_at", "id")
    if order == MATTERS:
        weight = Func(F("pk"), function="observations_matters", output_field=FloatField())
        found = found.annotate(weight=weight).order_by(F("weight").desc(nulls_last=True), "received_at", "id")
    return found


def next_waiting(viewer: Viewer, order: str = PICTURES) -> Finding | None:
    return ordered(waiting(viewer), order).first()


def waiting_count(viewer: Viewer) -> int:
    return waiting(viewer).count() if viewer.is_checker else 0


def finding_to_check(viewer: Viewer, finding_id: uuid.UUID) -> Finding:
    """Return one finding that waits for this checker, or raise the Http404 of one that never was."""
    finding = waiting(viewer).filter(pk=finding_id).first()
    if finding is None:
        raise Http404
    return finding


def named_by(viewer: Viewer, finding: Finding) -> BlindName | None:
    return (
        BlindName.objects.filter(finding=finding, checker_id=viewer.member_id)
        .select_related("named_species")
        .first()
    )


def nameable() -> list[Species]:
    """Return what a checker may name, in the club's order, which gives no claim away."""
    return list(Species.objects.filter(is_wider=False).order_by("order", "name"))


@dataclass(frozen=True)
class Outcome:
    """What a blind name led to: a decision at once, or a claim that differs and waits for one."""

    decision: str  # empty while the checker has still to decide


def name_species(finding: Finding, checker: Member, species: str, moment: datetime) -> Outcome:
    """Store the name that a checker gives without seeing the claim; empty means they cannot tell.

    The same name as the claim confirms it at once; "cannot tell" is a decision of its own. Naming twice is
    refused with ValidationError: the first name stands.
    """
    named = Species.objects.filter(code=species).first() if species else None
    if species and (named is None or named.is_wider):
        raise ValidationError({"species": f'"{species[:40]}" is not a species of the list.'})
    if finding.observer_id == checker.pk:
        raise ValidationError("Nobody checks their own finding.")
    try:
        with transaction.atomic():
            BlindName.objects.create(finding=finding, checker=checker, named_species=named, created_at=moment)
    except IntegrityError:
        raise ValidationError(
            {"species": "You have named this one already; the first name stands."}
        ) from None
    if named is None:
        confirm(finding, checker, "", Confirmation.Decision.UNSURE, "", moment)
        return Outcome(Confirmation.Decision.UNSURE)
    if named.pk == finding.species_id:
        reason = "" if finding.pictures.exists() else NO_PICTURE
        confirm(finding, checker, named.pk, Confirmation.Decision.CONFIRMED, reason, moment)
        return Outcome(Confirmation.Decision.CONFIRMED)
    return Outcome("")


def choices(finding: Finding, named: BlindName) -> tuple[str, ...]:
    """Return what may be decided after this name: who named the claim blind may confirm it, nobody else."""
    return AGAIN if named.named_species_id == finding.species_id else DECISIONS


def decide(finding: Finding, checker: Member, decision: str, reason: str, moment: datetime) -> Confirmation:
    """Save what a checker decides about a claim that differs from their blind name.

    Raises ValidationError when nothing was named yet, or when the decision is not one of `DECISIONS`.
    """
    named = BlindName.objects.filter(finding=finding, checker=checker).first()
    if named is None:
        raise ValidationError("Name the species first; the claim is shown after that.")
    if decision not in choices(finding, named):
        raise ValidationError({"decision": "Choose one: correct the species, reject, or leave it open."})
    if decision == Confirmation.Decision.REJECTED and not reason.strip():
        raise ValidationError(
            {"reason": "A rejection needs a reason, so that the observer can learn from it."}
        )
    if len(reason.strip()) > 300:
        raise ValidationError({"reason": f"The reason has {len(reason.strip())} letters; at most 300 fit."})
    return confirm(finding, checker, named.named_species_id or "", decision, reason, moment)


@dataclass(frozen=True)
class Decided:
    """One of a checker's own decisions, as their log tells it."""

    row: Confirmation
    claim: str  # empty where the checker never learned it
    can_undo: bool
    blind: bool  # the claim stood nowhere else where the checker could read it


def decided(viewer: Viewer, limit: int) -> list[Decided]:
    """Return the checker's own decisions, newest first; whether taken back or standing."""
    rows = (
        Confirmation.objects.filter(checker_id=viewer.member_id)
        .select_related("finding__species", "named_species")
        .order_by("-created_at", "id")[:limit]
    )
    open_to_me = set(
        BlindName.objects.filter(checker_id=viewer.member_id, blind=False).values_list(
            "finding_id", flat=True
        )
    )
    return [
        Decided(
            row,
            row.finding.species.name if row.named_species_id else "",
            can_undo(row),
            row.finding_id not in open_to_me,
        )
        for row in rows
    ]


def can_undo(row: Confirmation) -> bool:
    """Say whether there is something to take back: who could not tell has decided nothing."""
    return row.undone_at is None and row.named_species_id is not None


def undo(viewer: Viewer, confirmation_id: uuid.UUID, moment: datetime) -> Confirmation:
    """Take one of one's own decisions back; the finding is then what the others make of it, and waits again.

    The name given blind stands. Raises Http404, or ValidationError where there is nothing to take back.
    """
    row = (
        Confirmation.objects.filter(pk=confirmation_id, checker_id=viewer.member_id)
        .select_related("finding")
        .first()
    )
    if row is None or not viewer.is_checker:
        raise Http404
    if row.undone_at is not None:
        raise ValidationError(BACK_ALREADY)
    if not can_undo(row):
        raise ValidationError(
            "There is nothing to take back: you could not tell, and another checker decides."
        )
    # By the database's word: a second press at the same moment waits here, and finds it done.
    if not Confirmation.objects.filter(pk=row.pk, undone_at=None).update(undone_at=moment):
        raise ValidationError(BACK_ALREADY)
    row.undone_at = moment
    return row


def disputable(finding: Finding, decisions: Iterable[Confirmation]) -> bool:
    """Say whether its observer may ask for another checker: after a correction or a rejection that stands."""
    against = (Confirmation.Decision.CORRECTED, Confirmation.Decision.REJECTED)
    return finding.disputed_at is None and any(
        row.undone_at is None and row.decision in against for row in decisions
    )


def dispute(finding: Finding, member: Member, reason: str, moment: datetime) -> Dispute:
    """Ask for another checker, as the observer of a finding that was corrected or rejected."""
    if finding.observer_id != member.pk or not disputable(finding, finding.confirmations.all()):
        raise ValidationError(
            "Only a correction or a rejection of your own finding, once each, can be disputed."
        )
    if not reason.strip():
        raise ValidationError({"reason": "Say why, for the checker who decides; they read it after naming."})
    if len(reason.strip()) > 300:
        raise ValidationError({"reason": f"The reason has {len(reason.strip())} letters; at most 300 fit."})
    return Dispute.objects.create(finding=finding, member=member, reason=reason.strip(), opened_at=moment)
