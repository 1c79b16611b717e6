"""Writing looks and proofs: every way in (page, API, imports, demo) comes through here."""

import math
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from club.counting import grew
from club.models import Member
from club.viewer import Viewer
from observations.look_limits import check_limits
from observations.models import (
    PROVING,
    SONAR,
    Call,
    Confirmation,
    Due,
    EchoGroup,
    Finding,
    Method,
    Observation,
    Presentation,
    Species,
    Trip,
    band_of,
)
from spots.levels import levels_at
from spots.models import Spot

# A proof settles the latest earlier sonar look of the same visit (observations.inference has the same window).
VISIT_HOURS = 6.0
FUTURE_ALLOWED = timedelta(minutes=10)
# A device's clock may be set to another decade; further off is no clock.
CLOCK_FURTHEST_S = 20 * 366 * 86_400.0


@dataclass(frozen=True)
class GroupDraft:
    """One group of echoes and its call. `count` or `band` says how many; 0 or `none` says looked, saw none."""

    band: str = ""
    count: int | None = None
    placement: str = ""
    depth_m: float | None = None
    call: str = ""  # a species code, a wider kind or `not-fish`; empty: no call
    probability: float | None = None
    size: str = ""
    id: uuid.UUID = field(default_factory=uuid.uuid4)


@dataclass(frozen=True)
class FindingDraft:
    """One species seen or landed. `tie` says whether it is the same fish that the screen showed."""

    species: str
    count: int = 1
    lengths_mm: tuple[int, ...] = ()
    fate: str = ""
    depth_m: float | None = None
    tie: str = Finding.Tie.COVER
    settles: uuid.UUID | None = None  # a group; without one, the visit's latest earlier sonar look
    id: uuid.UUID = field(default_factory=uuid.uuid4)


@dataclass(frozen=True)
class LookDraft:
    """Everything said about one look. Units are SI; `started_at` is aware."""

    spot: Spot
    observer: Member
    method: str
    started_at: datetime
    utc_offset_min: int = 0
    minutes: float | None = None
    rod_hours: float | None = None
    settings: dict[str, Any] = field(default_factory=dict)
    platform: str = ""
    secchi_m: float | None = None
    clarity: str = ""
    water_temp_c: float | None = None
    water_temp_depth_m: float | None = None
    pool_level_m: float | None = None
    wind_m_s: float | None = None
    wind_from_deg: int | None = None
    sky: str = ""
    note: str = ""
    groups: tuple[GroupDraft, ...] = ()
    findings: tuple[FindingDraft, ...] = ()
    presentations: tuple[tuple[str, float | None, str], ...] = ()  # what, minutes, response
    scope: str = ""  # empty: the spot's own
    opens_at: datetime | None = None  # from then on it is the club's evidence too
    source: str = Observation.Source.PAGE
    seal: str = Call.Seal.SERVER
    device_sealed_at: datetime | None = None  # by the server's clock; None: the server saw it arrive
    clock_offset_s: float | None = None  # how far the device's clock was ahead of the server's
    random_check: bool = False
    trip: Trip | None = None
    id: uuid.UUID = field(default_factory=uuid.uuid4)


class _Problems(dict[str, list[str]]):
    def add(self, name: str, message: str) -> None:
        self.setdefault(name, []).append(message)


def _check_numbers(draft: LookDraft, problems: _Problems) -> None:
    ranges: tuple[tuple[str, float | None, float, float, str], ...] = (
        ("minutes", draft.minutes, 0, 1440, "minutes"),
        ("rod_hours", draft.rod_hours, 0, 240, "rod-hours"),
        ("secchi_m", draft.secchi_m, 0, 50, "metres"),
        ("water_temp_c", draft.water_temp_c, -2, 45, "°C"),
        ("water_temp_depth_m", draft.water_temp_depth_m, 0, 500, "metres"),
        ("pool_level_m", draft.pool_level_m, -200, 50, "metres from full pool"),
        ("wind_m_s", draft.wind_m_s, 0, 80, "metres a second"),
        ("utc_offset_min", draft.utc_offset_min, -1080, 1080, "minutes"),
        ("clock_offset_s", draft.clock_offset_s, -CLOCK_FURTHEST_S, CLOCK_FURTHEST_S, "seconds"),
    )
    for name, value, low, high, unit in ranges:
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            problems.add(name, f"{value:g} is not possible: it must lie between {low:g} and {high:g} {unit}.")


def _check_groups(draft: LookDraft, species: dict[str, Species], problems: _Problems) -> None:
    shows_echoes = draft.method in SONAR or draft.method == Method.EYE
    if draft.groups and not shows_echoes:
        problems.add("echoes", "Echoes and calls belong to a sonar look or a look by eye.")
    if shows_echoes and not draft.groups:
        problems.add("echoes", "Say what the screen showed; none is an answer too.")
    for group in draft.groups:
        if group.count is not None and not 0 <= group.count <= 100_000:
            problems.add("echoes", f"{group.count} echoes is not possible.")
        if group.count is None and group.band not in EchoGroup.Band.values:
            problems.add(
                "echoes", f'"{group.band}" is not a number band: {", ".join(EchoGroup.Band.values)}.'
            )
        if group.placement and group.placement not in EchoGroup.Placement.values:
            problems.add(
                "placement", f'"{group.placement}" is not one of {", ".join(EchoGroup.Placement.values)}.'
            )
        if group.depth_m is not None and not (math.isfinite(group.depth_m) and 0 <= group.depth_m <= 500):
            problems.add("depth_m", f"{group.depth_m:g} m is not a possible depth.")
        if group.call and group.call not in species:
            problems.add("call", f'"{group.call}" is not in the list of species.')
        none = group.band == EchoGroup.Band.NONE or group.count == 0
        if group.call and none:
            problems.add("call", "There were no echoes to call.")
        if group.probability is not None:
            if not group.call:
                problems.add("call_probability", "A probability needs a call.")
            if not 0 < group.probability <= 1:
                problems.add("call_probability", f"{group.probability:g} is not above 0 and at most 1.")


def _check_findings(draft: LookDraft, species: dict[str, Species], problems: _Problems) -> None:
    if draft.findings and draft.method not in PROVING:
        problems.add(
            "finding_species", "Only a camera or a fish in hand proves; a look by eye or sonar calls."
        )
    if len({finding.species for finding in draft.findings}) < len(draft.findings):
        problems.add("finding_species", "Each species stands once in a look; give its number.")
    for finding in draft.findings:
        known = species.get(finding.species)
        if known is None:
            problems.add("finding_species", f'"{finding.species}" is not in the list of species.')
            continue
        if known.is_wider:
            problems.add("finding_species", f'"{known.name}" is a wider kind; a finding names a species.')
        if not 1 <= finding.count <= 10_000:
            problems.add("finding_count", f"{finding.count} is not possible: 1 to 10,000.")
        for length in finding.lengths_mm:
            if length <= 0 or (known.max_length_mm and length > known.max_length_mm):
                problems.add(
                    "finding_length_mm",
                    f"{length} mm is not possible for {known.name}: above 0, at most {known.max_length_mm} mm.",
                )
        if len(finding.lengths_mm) > finding.count:
            problems.add("finding_length_mm", f"{len(finding.lengths_mm)} lengths for {finding.count} fish.")
        if finding.tie not in Finding.Tie.values:
            problems.add("tie", f'"{finding.tie}" is not one of {", ".join(Finding.Tie.values)}.')


def _check_device_seal(draft: LookDraft, moment: datetime, problems: _Problems) -> None:
    sealed = draft.device_sealed_at
    if sealed is None:
        return
    if sealed > moment + FUTURE_ALLOWED:
        problems.add("device_sealed_at", f"{sealed.isoformat()} lies in the future.")
    elif draft.started_at.utcoffset() is not None and sealed < draft.started_at:
        problems.add("device_sealed_at", f"{sealed.isoformat()} is before the look started.")


def _seal_of(draft: LookDraft, moment: datetime) -> tuple[str, datetime]:
    """Return how and when the draft's calls are sealed. A weaker seal than the device's stays what it is."""
    if draft.seal != Call.Seal.SERVER:
        return draft.seal, draft.started_at
    if draft.device_sealed_at is None:
        return draft.seal, moment
    return Call.Seal.DEVICE, min(draft.device_sealed_at, moment)


def check_look(draft: LookDraft, moment: datetime, species: dict[str, Species]) -> None:
    """Raise ValidationError naming each field, its value and the rule; nothing is saved."""
    problems = _Problems()
    if draft.method not in Method.values:
        problems.add("method", f'"{draft.method}" is not one of {", ".join(Method.values)}.')
    if draft.started_at.utcoffset() is None:
        problems.add("started_at", "The time needs its offset, like 2026-05-01T06:30:00-05:00.")
    elif draft.started_at > moment + FUTURE_ALLOWED:
        problems.add("started_at", f"{draft.started_at.isoformat()} lies in the future.")
    elif draft.started_at.year < 1950:
        problems.add("started_at", f"{draft.started_at.isoformat()} is before 1950.")
    _check_device_seal(draft, moment, problems)
    if draft.rod_hours is not None and draft.method != Method.ROD:
        problems.add("rod_hours", "Rod-hours belong to rod and line.")
    _check_numbers(draft, problems)
    _check_groups(draft, species, problems)
    _check_findings(draft, species, problems)
    check_limits(draft, problems.add)
    if problems:
        raise ValidationError(dict(problems))


def check_conditions(draft: LookDraft) -> None:
    """Raise ValidationError for a condition, a note or a setting that is not possible; the rest is not looked at."""
    problems = _Problems()
    _check_numbers(draft, problems)
    check_limits(draft, problems.add)
    if problems:
        raise ValidationError(dict(problems))


def species_by_code() -> dict[str, Species]:
    return {species.code: species for species in Species.objects.all()}


def scope_of(draft: LookDraft, viewer: Viewer) -> str:
    """Return the look's scope: as said, or the spot's own; never wider than the spot's own."""
    scope = draft.scope or draft.spot.scope
    if scope not in viewer.audiences:
        # Someone else's private spot, opened to this member: the look is theirs until shared.
        scope = f"member:{viewer.member_id}"
    if draft.opens_at and scope == "club":
        raise ValidationError({"opens_at": "A look that is the club's already does not open to it later."})
    if draft.spot.scope != "club" and scope == "club":
        raise ValidationError({"scope": "A look at a private spot cannot be the club's before the spot is."})
    return scope


def record_look(draft: LookDraft, viewer: Viewer, moment: datetime) -> Observation:
    """Seal and save one look with all that belongs to it. A look whose id is there already is returned as it is.

    Raises ValidationError, naming the fields, before anything is saved.
    """
    species = species_by_code()
    check_look(draft, moment, species)
    scope = scope_of(draft, viewer)
    existing = Observation.objects.filter(pk=draft.id).first()
    if existing:
        return existing
    with transaction.atomic():
        return save_looks([(draft, scope)], moment)[0]


def save_looks(drafts: Sequence[tuple[LookDraft, str]], moment: datetime) -> list[Observation]:
    """Save checked looks, in bulk, in order of time, so that a proof finds the group it settles."""
    ordered = sorted(drafts, key=lambda pair: pair[0].started_at)
    levels = _levels_of([draft for draft, _ in ordered])
    looks = [_look_row(draft, scope, moment, levels.get(draft.id)) for draft, scope in ordered]
    Observation.objects.bulk_create(looks)
    grew(len(looks), Observation, Due)
    groups, calls = [], []
    for draft, _ in ordered:
        for order, group in enumerate(draft.groups):
            groups.append(_group_row(draft, order, group))
            if group.call:
                seal, sealed = _seal_of(draft, moment)
                calls.append(
                    Call(
                        group_id=group.id,
                        species_id=group.call,
                        probability=group.probability,
                        size=group.size,
                        sealed_at=sealed,
                        seal=seal,
                    )
                )
    EchoGroup.objects.bulk_create(groups)
    grew(len(groups), EchoGroup)
    Call.objects.bulk_create(calls)
    grew(len(calls), Call)
    latest = latest_groups([draft for draft, _ in ordered])
    findings = [
        Finding(
            id=finding.id,
            look_id=draft.id,
            species_id=finding.species,
            count=finding.count,
            lengths_mm=list(finding.lengths_mm),
            fate=finding.fate,
            depth_m=finding.depth_m,
            settles_id=finding.settles or latest.get(draft.id),
            tie=finding.tie,
            observer_id=draft.observer.pk,
            scope=scope,
            received_at=moment,
        )
        for draft, scope in ordered
        for finding in draft.findings
    ]
    Finding.objects.bulk_create(findings)
    grew(len(findings), Finding)
    Presentation.objects.bulk_create(
        Presentation(look_id=draft.id, what=what, minutes=minutes, response=response)
        for draft, _ in ordered
        for what, minutes, response in draft.presentations
    )
    return looks


def _levels_of(drafts: Sequence[LookDraft]) -> dict[uuid.UUID, float | None]:
    """Return the pool level of each look: as it was given, or else from the water's own series."""
    silent = [draft for draft in drafts if draft.pool_level_m is None]
    known = levels_at([(draft.spot.water_id, draft.started_at) for draft in silent])
    given = {draft.id: draft.pool_level_m for draft in drafts}
    return given | {draft.id: level for draft, level in zip(silent, known, strict=True)}


def _look_row(draft: LookDraft, scope: str, moment: datetime, level_m: float | None) -> Observation:
    return Observation(
        id=draft.id,
        spot=draft.spot,
        trip=draft.trip,
        observer=draft.observer,
        method=draft.method,
        started_at=draft.started_at,
        utc_offset_min=draft.utc_offset_min,
        minutes=draft.minutes,
        rod_hours=draft.rod_hours,
        settings=draft.settings,
        platform=draft.platform,
        secchi_m=draft.secchi_m,
        clarity=draft.clarity,
        water_temp_c=draft.water_temp_c,
        water_temp_depth_m=draft.water_temp_depth_m,
        pool_level_m=level_m,
        wind_m_s=draft.wind_m_s,
        wind_from_deg=draft.wind_from_deg,
        sky=draft.sky,
        note=draft.note,
        scope=scope,
        opens_at=draft.opens_at,
        source=draft.source,
        random_check=draft.random_check,
        device_sealed_at=draft.device_sealed_at,
        clock_offset_s=draft.clock_offset_s,
        received_at=moment,
    )


def _group_row(draft: LookDraft, order: int, group: GroupDraft) -> EchoGroup:
    return EchoGroup(
        id=group.id,
        look_id=draft.id,
        order=order,
        band=band_of(group.count) if group.count is not None else group.band,
        count=group.count,
        placement=group.placement,
        depth_m=group.depth_m,
    )


def latest_groups(drafts: Iterable[LookDraft]) -> dict[uuid.UUID, uuid.UUID]:
    """Return, for each camera or rod look, the group with echoes of the visit's latest earlier sonar look.

    Where that look has several groups, which one is meant must be said; then none is taken.
    """
    proving = [draft for draft in drafts if draft.findings and draft.method in PROVING]
    if not proving:
        return {}
    spots = {draft.spot.pk for draft in proving}
    first = min(draft.started_at for draft in proving) - timedelta(hours=VISIT_HOURS)
    rows = (
        EchoGroup.objects.filter(
            look__spot__in=spots, look__method__in=SONAR, look__started_at__gte=first, look__withdrawn_at=None
        )
        .exclude(band=EchoGroup.Band.NONE)
        .order_by("look__started_at", "look_id", "order")
        .values_list("look__spot_id", "look__started_at", "look_id", "id", "look__observer_id")
    )
    by_spot: dict[uuid.UUID, list[tuple[datetime, uuid.UUID, uuid.UUID, uuid.UUID]]] = {}
    for spot, at, look, group, observer in rows:
        by_spot.setdefault(spot, []).append((at, look, group, observer))
    out: dict[uuid.UUID, uuid.UUID] = {}
    for draft in proving:
        earlier = [
            row
            for row in by_spot.get(draft.spot.pk, [])
            if draft.started_at - timedelta(hours=VISIT_HOURS) <= row[0] <= draft.started_at
            # Past records are of whole boats: whoever watched the screen. A page speaks for its own observer.
            and (draft.source == Observation.Source.IMPORT or row[3] == draft.observer.pk)
        ]
        if earlier and sum(row[1] == earlier[-1][1] for row in earlier) == 1:
            out[draft.id] = earlier[-1][2]
    return out


def confirm(
    finding: Finding, checker: Member, named: str, decision: str, reason: str, moment: datetime
) -> Confirmation:
    """Save a checker's decision; the database refuses one on their own finding."""
    if finding.observer_id == checker.pk:
        raise ValidationError("Nobody confirms their own finding.")
    row = Confirmation(
        finding=finding,
        checker=checker,
        named_species_id=named or None,
        decision=decision,
        reason=reason.strip(),
        created_at=moment,
    )
    row.full_clean(exclude=["finding", "checker"])
    row.save(force_insert=True)
    return row


def save_past_confirmations(rows: Sequence[tuple[uuid.UUID, Member, str, datetime]]) -> None:
    """Save confirmations of past records, as (finding, checker, species, time of the look).

    They count from when the look was made, as the record does; what arrived when stands in the look.
    """
    Confirmation.objects.bulk_create(
        Confirmation(
            finding_id=finding,
            checker=checker,
            named_species_id=species,
            decision=Confirmation.Decision.CONFIRMED,
            created_at=at,
        )
        for finding, checker, species, at in rows
    )


def withdraw_call(call: Call, moment: datetime) -> None:
    """Withdraw a call before its proof. It is kept and counted, but feeds no reliability."""
    if call.group.proofs.exists():
        raise ValidationError("This call has met its proof; it can no longer be withdrawn.")
    call.withdrawn_at = moment
    call.save(update_fields=["withdrawn_at"])
