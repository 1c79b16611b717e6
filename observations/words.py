"""Looks in words: the evidence list, and what moved a probability."""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from django.db.models import Prefetch

from club.units import Units
from observations.models import (
    PROVING,
    Call,
    Confirmation,
    EchoGroup,
    Finding,
    Method,
    Observation,
    Picture,
)
from observations.sonar_filter import filters_small

_PLACED = {
    "over": "over the cover",
    "in": "in the cover",
    "beside": "beside the cover",
    "in front": "in front of the cover",
    "on bottom": "on the bottom",
    "suspended": "suspended",
    "roaming": "roaming",
}
SHORT_METHOD = {
    Method.SONAR_2D: "2D sonar",
    Method.DOWN: "Down-looking",
    Method.SIDE: "Side-scan",
    Method.FORWARD: "Forward-facing",
    Method.CAMERA: "Camera",
    Method.ROD: "Rod",
    Method.EYE: "By eye",
}


@dataclass(frozen=True)
class EvidenceRow:
    """One look as the evidence list shows it."""

    id: uuid.UUID
    at: datetime  # local to the look
    grade: str
    what: str
    how: str
    who: str
    pictures: list[uuid.UUID] = field(default_factory=list)
    waits: bool = False


def looks_at(
    spot_id: uuid.UUID, limit: int | None = None, only: Collection[uuid.UUID] | None = None
) -> list[Observation]:
    """Return the looks at a spot that the viewer may see in full, newest first, with all that belongs to them.

    With `only`, those of them with these ids.
    """
    calls = EchoGroup.objects.select_related("call__species")
    # The correction apart: joined, it would be read past what a frozen viewer's finding says (Finding.from_db).
    findings = Finding.objects.select_related("species").prefetch_related(
        "corrected_species",
        Prefetch("confirmations", queryset=Confirmation.objects.select_related("checker")),
    )
    looks = (
        Observation.objects.filter(spot_id=spot_id, withdrawn_at=None)
        .select_related("observer")
        .prefetch_related(
            Prefetch("groups", queryset=calls),
            Prefetch("findings", queryset=findings),
            Prefetch("pictures", queryset=Picture.objects.order_by("created_at", "id")),
            "presentations",
        )
        .order_by("-started_at", "id")
    )
    if only is not None:
        looks = looks.filter(pk__in=only)
    return list(looks[:limit] if limit else looks)


def times_of_looks_at(spot_id: uuid.UUID) -> list[Observation]:
    """Return the same looks with no more than when and how each was: a spot may have hundreds."""
    looks = Observation.objects.filter(spot_id=spot_id, withdrawn_at=None)
    return list(looks.only("id", "method", "started_at", "utc_offset_min").order_by("-started_at", "id"))


def look_grade(look: Observation) -> str:
    """Return the highest grade a look has for anything; `none` when it found nothing, empty for uncalled echoes."""
    findings = list(look.findings.all())
    if any(finding.verified_at for finding in findings):
        return "verified"
    if findings:
        return "landed" if look.method == Method.ROD else "seen"
    if look.method in PROVING:
        return "none"
    groups = list(look.groups.all())
    if all(group.band == EchoGroup.Band.NONE for group in groups):
        return "none"
    return "called" if any(call_of(group) for group in groups) else ""


def _lengths(finding: Finding, units: Units) -> str:
    lengths = sorted(finding.lengths_mm)
    if not lengths:
        return ""
    if lengths[0] == lengths[-1]:
        return f", {units.fish_text(lengths[0])}"
    return f", {units.fish_text(lengths[0]).split(chr(160))[0]} to {units.fish_text(lengths[-1])}"


def call_of(group: EchoGroup) -> Call | None:
    """Return the call of a group; none where there is none, or none for this reader."""
    call = getattr(group, "call", None)
    return call if isinstance(call, Call) else None


def echo_words(group: EchoGroup, units: Units) -> str:
    """`4–8 echoes over the cover at 4.5 m`, or `no echoes`."""
    if group.band == EchoGroup.Band.NONE:
        return "no echoes"
    many = "more than 20" if group.band == EchoGroup.Band.MORE else group.get_band_display()
    words = f"{many} echoes"
    if group.placement:
        words += f" {_PLACED[group.placement]}"
    if group.depth_m is not None:
        words += f" at {units.depth_text(group.depth_m)}"
    return words


def _group_words(group: EchoGroup, units: Units) -> str:
    words = echo_words(group, units)
    call = call_of(group)
    if call is None:
        return words if group.band == EchoGroup.Band.NONE else f"{words}, not called"
    sure = f", {call.probability * 100:.0f}\u00a0% sure" if call.probability is not None else ""
    gone = " (withdrawn)" if call.withdrawn_at else ""
    return f"{call.species.name}{sure}, {words}{gone}"


def what_words(look: Observation, units: Units) -> str:
    """Say what a look showed or found."""
    findings = list(look.findings.all())
    if findings:
        # The row's seal is of its best proved finding; the others must not borrow it.
        some_verified = any(finding.verified_at for finding in findings)
        return "; ".join(
            f"{finding.count} {(finding.corrected_species or finding.species).name}{_lengths(finding, units)}"
            + (f", called {finding.species.name} at first" if finding.corrected_species else "")
            + (" (not verified)" if some_verified and not finding.verified_at else "")
            for finding in findings
        )
    if look.method == Method.ROD:
        responses = {item.response for item in look.presentations.all() if item.response}
        told = responses - {"none"}
        return f"{', '.join(sorted(told))}, none landed" if told else "no bite"
    if look.method == Method.CAMERA:
        return "nothing seen"
    return "; ".join(_group_words(group, units) for group in look.groups.all()) or "nothing"


def how_words(look: Observation, units: Units) -> str:
    """Say how it was looked."""
    parts = [SHORT_METHOD[Method(look.method)]]
    if look.rod_hours:
        parts.append(f"{look.rod_hours:.1f} rod-hours".replace(".0 ", " "))
    elif look.minutes:
        parts.append(f"{look.minutes:.0f} min")
    if look.method in PROVING and look.secchi_m is not None:
        parts.append(f"clarity {units.depth_text(look.secchi_m)}")
    elif look.method in PROVING and look.clarity:
        parts.append(f"{look.clarity} water")
    if look.water_temp_c is not None:
        parts.append(f"water {units.temperature_text(look.water_temp_c)}")
    parts += [item.what for item in look.presentations.all()][:1]
    if told := look.settings.get("text"):
        parts.append(str(told))
    if filters_small(look.settings):
        parts.append("small echoes filtered out")
    return ", ".join(parts)


WAITS_DAYS = 14


def still_waits(finding: Finding, moment: datetime) -> bool:
    """Say whether a finding still waits for a checker: for so many days from when it last came to them."""
    since = [finding.received_at, finding.disputed_at, finding.undone_at]
    if finding.opens_at is not None and finding.opens_at <= moment:
        since.append(finding.opens_at)
    return max(at for at in since if at is not None) > moment - timedelta(days=WAITS_DAYS)


def is_rejected(finding: Finding) -> bool:
    """True where a checker saw no such fish, and none has outvoted them."""
    return finding.verified_at is None and any(
        row.decision == Confirmation.Decision.REJECTED and row.undone_at is None
        for row in finding.confirmations.all()
    )


def who_words(look: Observation, moment: datetime) -> tuple[str, bool]:
    """Say who looked and who checked it, and whether it waits for a checker."""
    checkers = sorted(
        {
            confirmation.checker.shown_name
            for finding in look.findings.all()
            for confirmation in finding.confirmations.all()
            if confirmation.decision in {"confirmed", "corrected"} and confirmation.undone_at is None
        }
    )
    if checkers:
        return f"{look.observer.shown_name}, checked by {' and '.join(checkers)}", False
    open_findings = [finding for finding in look.findings.all() if finding.verified_at is None]
    rejected = any(is_rejected(finding) for finding in open_findings)
    waits = any(still_waits(finding, moment) for finding in open_findings) and not rejected
    told = ""
    if open_findings:
        told = (
            ", rejected by a checker" if rejected else ", waits for a checker" if waits else ", never checked"
        )
    return look.observer.shown_name + told, waits


def evidence_rows(looks: Sequence[Observation], units: Units, moment: datetime) -> list[EvidenceRow]:
    """Return the evidence list."""
    rows = []
    for look in looks:
        who, waits = who_words(look, moment)
        rows.append(
            EvidenceRow(
                id=look.id,
                at=look.started_at + timedelta(minutes=look.utc_offset_min),
                grade=look_grade(look),
                what=what_words(look, units),
                how=how_words(look, units),
                who=who,
                pictures=[picture.id for picture in look.pictures.all()],
                waits=waits,
            )
        )
    return rows
