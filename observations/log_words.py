"""Looks in words, for the member who made them."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from django.db.models import Prefetch

from club.models import Team
from club.units import Units
from observations.care import DEEP_LANDING_M, gas_expansion
from observations.gauging import footprint_words, sight_words, weight_words
from observations.models import (
    PROVING,
    SONAR,
    Call,
    Confirmation,
    EchoGroup,
    Finding,
    Method,
    Observation,
    Picture,
    Presentation,
)
from observations.sonar_filter import filters_small
from observations.words import echo_words, still_waits
from spots.disclosure_models import Channel
from spots.models import Water
from spots.precision import ReleasedSpot, released_spots

# A setting that a debrief fills: the depth that the day's log told at the stop.
LOG_DEPTH = "log_depth_m"


@dataclass(frozen=True)
class Line:
    """One thing that a look said: its grade's sign, and words."""

    grade: str
    words: str
    note: str = ""
    group: uuid.UUID | None = None
    can_withdraw: bool = False
    can_prove: bool = False
    weight: str = ""
    # The finding, where a checker's decision against it can be read and disputed.
    decided: uuid.UUID | None = None


@dataclass(frozen=True)
class LookWords:
    """A look as its page and the list of own looks tell it."""

    look: Observation
    spot: ReleasedSpot | None
    water: str
    method: str
    when: datetime
    lines: list[Line]
    facts: list[tuple[str, str]] = field(default_factory=list)
    pictures: list[Picture] = field(default_factory=list)
    scope: str = ""
    deep: str = ""

    @property
    def place(self) -> str:
        return self.spot.label if self.spot else "a spot that you no longer see"


def local_time(look: Observation) -> datetime:
    """Return when the look began by its own clock, without a zone, so that no page converts it again."""
    zone = timezone(timedelta(minutes=look.utc_offset_min))
    return look.started_at.astimezone(zone).replace(tzinfo=None)


def called(call: Call) -> str:
    """`called crappie, 80 % sure`."""
    words = f"called {call.species.name}"
    return f"{words}, {call.probability * 100:g}\u00a0% sure" if call.probability else words


def settles_words(group: EchoGroup, zone: ZoneInfo, units: Units) -> str:
    """Say which echoes a proof would settle: `your forward-facing sonar look of 07:30: …`."""
    look = group.look
    call = getattr(group, "call", None)
    said = called(call) if call else "no call"
    return (
        f"your {look.get_method_display()} look of {look.started_at.astimezone(zone):%H:%M}:"
        f" {echo_words(group, units)}, {said}"
    )


def _group_line(look: Observation, group: EchoGroup, units: Units) -> Line:
    call: Call | None = getattr(group, "call", None)
    proved = bool(group.proofs.all())
    live = look.withdrawn_at is None
    none = group.band == EchoGroup.Band.NONE
    words = echo_words(group, units)
    note = ""
    if call:
        words = f"{words}, {called(call)}"
        if call.size:
            words += f", {call.size}"
        note = "withdrawn" if call.withdrawn_at else "has met its proof" if proved else "sealed"
        if call.seal == Call.Seal.MEMORY and not call.withdrawn_at:
            note = "from memory, so this call does not count toward your reliability"
        if call.seal == Call.Seal.DEVICE and not call.withdrawn_at:
            note = "sealed on the phone, before the server had it"
    return Line(
        "called" if call else "none",
        words,
        note,
        group.pk,
        can_withdraw=live and call is not None and call.withdrawn_at is None and not proved,
        can_prove=live and not none and look.method in SONAR,
    )


def _finding_line(look: Observation, finding: Finding, units: Units, moment: datetime) -> Line:
    words = f"{finding.count} {finding.species.name}"
    if finding.lengths_mm:
        words += ", " + ", ".join(units.fish_text(length) for length in finding.lengths_mm)
    if finding.depth_m is not None:
        words += f" at {units.depth_text(finding.depth_m)}"
    if finding.fate:
        words += f", {finding.fate}"
    note = f"{finding.tie} as your sonar look" if finding.settles_id else "settles no sonar look"
    grade = "landed" if look.method == Method.ROD else "seen"
    if finding.verified_at:
        grade = "verified"
        if finding.corrected_species:
            note = f"corrected to {finding.corrected_species.name}"
    standing = [row for row in finding.confirmations.all() if row.undone_at is None]
    rejected = next((row for row in standing if row.decision == Confirmation.Decision.REJECTED), None)
    if finding.verified_at is None and rejected:
        note = f"rejected: {rejected.reason}"
    elif finding.verified_at is None and (finding.scope == "club" or _opened(finding, moment)):
        note += (
            "; waits for a checker"
            if still_waits(finding, moment)
            else f"; nobody checked it, so it stays {grade}"
        )
    if finding.disputed_at:
        note += "; disputed, another checker decides"
    species = finding.corrected_species_id or finding.species_id
    return Line(
        grade,
        words,
        note,
        weight=weight_words(species, finding.lengths_mm, units),
        decided=finding.pk if rejected or finding.corrected_species_id else None,
    )


def _opened(finding: Finding, moment: datetime) -> bool:
    return finding.opens_at is not None and finding.opens_at <= moment


def _facts(look: Observation, units: Units) -> list[tuple[str, str]]:
    facts = []
    if look.minutes is not None:
        facts.append(("Minutes", f"{look.minutes:g}"))
    if look.rod_hours is not None:
        facts.append(("Rod-hours", f"{look.rod_hours:.2f}".rstrip("0").rstrip(".")))
    for one in look.presentations.all():
        facts.append(("Showed them", f"{one.what}: {one.response}" if one.response else one.what))
    if text := look.settings.get("text"):
        facts.append(("Settings", str(text)))
    if filters_small(look.settings):
        facts.append(("Small echoes", "filtered out"))
    if look.platform:
        facts.append(("From", look.get_platform_display()))
    if isinstance(depth := look.settings.get(LOG_DEPTH), int | float):
        facts.append(("Depth by the day’s log", units.depth_text(depth)))
    if text := footprint_words(look, units):
        facts.append(("The cone covers", text))
    if text := sight_words(look, units):
        facts.append(("The lens sees", text))
    conditions = []
    if look.water_temp_c is not None:
        conditions.append(f"water {units.temperature_text(look.water_temp_c)}")
    if look.secchi_m is not None:
        conditions.append(f"disc seen to {units.depth_text(look.secchi_m)}")
    conditions += [word for word in (look.clarity, look.sky) if word]
    if conditions:
        facts.append(("Conditions", ", ".join(conditions)))
    if look.note:
        facts.append(("Note", look.note))
    return facts


def _deep(look: Observation, units: Units) -> str:
    """Return the depth and how gas grows from there, for the deepest landing beyond the agencies' figure."""
    depths = [finding.depth_m for finding in look.findings.all() if finding.depth_m is not None]
    deepest = max(depths, default=0.0)
    if look.method != Method.ROD or deepest < DEEP_LANDING_M:
        return ""
    return f"From {units.depth_text(deepest)}, gas in a fish grows {gas_expansion(deepest):.1f}-fold."


def _scope_words(scope: str, teams: dict[str, str]) -> str:
    if scope == "club":
        return "the club"
    return teams.get(scope, "a team") if scope.startswith("team:") else "only you"


def in_words(looks: Iterable[Observation], units: Units, moment: datetime) -> list[LookWords]:
    """Describe looks; each must come from `with_parts`."""
    looks = list(looks)
    spots = {
        spot.id: spot
        for spot in released_spots(ids=list({look.spot_id for look in looks}), channel=Channel.UNSEEN)
        if spot.is_exact
    }
    waters = {
        water.pk: water for water in Water.objects.filter(pk__in={spot.water_id for spot in spots.values()})
    }
    teams = {f"team:{key}": name for key, name in Team.objects.values_list("pk", "name")}
    out = []
    for look in looks:
        spot = spots.get(look.spot_id)
        water = waters.get(spot.water_id) if spot else None
        lines = [_group_line(look, group, units) for group in look.groups.all()]
        lines += [_finding_line(look, finding, units, moment) for finding in look.findings.all()]
        if look.method in PROVING and not lines:
            lines = [Line("none", "looked, none found")]
        out.append(
            LookWords(
                look,
                spot,
                water.name if water else "",
                look.get_method_display(),
                local_time(look),
                lines,
                _facts(look, units),
                list(look.pictures.all()),
                _scope_words(look.scope, teams),
                _deep(look, units),
            )
        )
    return out


def with_parts() -> list[Prefetch]:  # type: ignore[type-arg]
    """Return what `in_words` reads of a look, for prefetch_related."""
    return [
        Prefetch("groups", EchoGroup.objects.select_related("call__species").prefetch_related("proofs")),
        Prefetch(
            "findings",
            Finding.objects.select_related("species", "corrected_species").prefetch_related("confirmations"),
        ),
        Prefetch("presentations", Presentation.objects.all()),
        Prefetch("pictures", Picture.objects.all()),
    ]
