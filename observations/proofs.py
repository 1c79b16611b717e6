"""The checkers' queue: blind, oldest first, what has a picture before what has none.

A checker sees a picture, lengths and the list of species, names one, and only then learns what the observer
claimed. The name is stored before the claim is sent and cannot be changed; the database keeps that order
(observations/policies.py).
"""

import uuid
from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.db.models.expressions import RawSQL
from django.http import Http404

from club.models import Member
from club.rls import MOMENT
from club.viewer import Viewer
from observations.models import BlindName, Confirmation, Finding, Picture, Species
from observations.services import confirm

NO_PICTURE = "Confirmed without a picture."
# How long a proof waits for a checker, by the moment of who asks.
WAITS_DAYS = 14
_SINCE = RawSQL(f"{MOMENT} - interval '{WAITS_DAYS} days'", [])  # noqa: S611 - constants of our own
# Once the claim has been seen, it can no longer be confirmed: that would not be blind.
DECISIONS = (Confirmation.Decision.CORRECTED, Confirmation.Decision.REJECTED, Confirmation.Decision.UNSURE)


def waiting(viewer: Viewer) -> QuerySet[Finding]:
    """Return the club's unverified findings of others, not decided by this checker, oldest first.

    Those of looks that open to the club are the club's from then on. After `WAITS_DAYS` without a decision that
    settles it, a finding stays what it is, seen or landed: the queue is for volunteers. Asked when it is read,
    so there is no job to miss.
    """
    if not viewer.is_checker or viewer.member_id is None:
        return Finding.objects.none()
    decided = Confirmation.objects.filter(finding=OuterRef("pk"), checker_id=viewer.member_id)
    return (
        Finding.objects.filter(
            Q(scope="club") | Q(opens_at__lte=RawSQL(MOMENT, [])),  # noqa: S611  (a constant of club.rls)
            Q(received_at__gt=_SINCE) | Q(opens_at__gt=_SINCE),
            ~Exists(decided),
            verified_at=None,
            withdrawn_at=None,
        )
        .exclude(observer_id=viewer.member_id)
        .order_by("received_at", "id")
    )


def next_waiting(viewer: Viewer) -> Finding | None:
    """Return the oldest that has a picture, or else the oldest."""
    found = waiting(viewer)
    return found.filter(Exists(Picture.objects.filter(finding=OuterRef("pk")))).first() or found.first()


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


def decide(finding: Finding, checker: Member, decision: str, reason: str, moment: datetime) -> Confirmation:
    """Save what a checker decides about a claim that differs from their blind name.

    Raises ValidationError when nothing was named yet, or when the decision is not one of `DECISIONS`.
    """
    named = BlindName.objects.filter(finding=finding, checker=checker).first()
    if named is None:
        raise ValidationError("Name the species first; the claim is shown after that.")
    if decision not in DECISIONS:
        raise ValidationError({"decision": "Choose one: correct the species, reject, or leave it open."})
    if decision == Confirmation.Decision.REJECTED and not reason.strip():
        raise ValidationError(
            {"reason": "A rejection needs a reason, so that the observer can learn from it."}
        )
    if len(reason.strip()) > 300:
        raise ValidationError({"reason": f"The reason has {len(reason.strip())} letters; at most 300 fit."})
    return confirm(finding, checker, named.named_species_id or "", decision, reason, moment)
