"""Visits side by side: what each method showed at one place, what was called, and what it turned out to be."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from club.units import Units
from observations.gauging import footprint_words, sight_words, weight_words
from observations.marking_models import Mark
from observations.marking_words import Drawn, drawn
from observations.models import PROVING, Call, EchoGroup, Finding, Method, Observation, Species
from observations.reliability import readable
from observations.services import VISIT_HOURS
from observations.words import (
    SHORT_METHOD,
    call_of,
    echo_words,
    how_words,
    look_grade,
    what_words,
    who_words,
)


@dataclass(frozen=True)
class Visit:
    """Looks at one spot within one closure window, oldest first; named by its first look."""

    looks: tuple[Observation, ...]

    @property
    def id(self) -> uuid.UUID:
        return self.looks[0].id

    @property
    def starts(self) -> datetime:
        return local(self.looks[0])

    @property
    def ends(self) -> datetime:
        return local(self.looks[-1])

    @property
    def methods(self) -> int:
        return len({look.method for look in self.looks})

    @property
    def is_proved(self) -> bool:
        return any(look.method in PROVING for look in self.looks)


def local(look: Observation) -> datetime:
    return look.started_at + timedelta(minutes=look.utc_offset_min)


def visits_of(looks: Sequence[Observation]) -> list[Visit]:
    """Return the visits that looks at one spot form, newest first: as `inference.visits` counts them."""
    made: list[list[Observation]] = []
    for look in sorted(looks, key=lambda look: (look.started_at, str(look.id))):
        before = made[-1][-1].started_at if made else None
        if before is None or look.started_at - before >= timedelta(hours=VISIT_HOURS):
            made.append([])
        made[-1].append(look)
    return [Visit(tuple(group)) for group in reversed(made)]


def most_telling(visits: Sequence[Visit]) -> Visit | None:
    """Return the newest visit of those that were proved and seen by most methods."""
    return max(visits, key=lambda visit: (visit.is_proved, visit.methods, visit.starts), default=None)


def named_in(visit: Visit) -> set[str]:
    """Return the species that were called or found in a visit; a wider kind among them has no history."""
    named = set()
    for look in visit.looks:
        named |= {call.species_id for group in look.groups.all() if (call := call_of(group))}
        named |= {finding.corrected_species_id or finding.species_id for finding in look.findings.all()}
    return named


@dataclass(frozen=True)
class Calling:
    """A sealed call, what is known of calls like it, and how it came out."""

    said: str
    stated: float | None
    withdrawn: bool
    memory: bool
    like_it: dict[str, float | int] | None
    outcome: str = ""  # right, wrong or nothing
    truth: str = ""
    settled_by: str = ""
    grade: str = ""  # of what was proved


@dataclass(frozen=True)
class PlatePicture:
    """A picture on a plate, with what is drawn on it."""

    id: uuid.UUID
    width: int
    height: int
    marks: tuple[Drawn, ...]

    @property
    def words(self) -> str:
        return ", ".join(mark.words for mark in self.marks)


@dataclass(frozen=True)
class Column:
    """One look as the plate shows it; without a look, a method that was not used."""

    method: str
    at: datetime | None = None
    how: str = ""
    echoes: str = ""
    covers: str = ""
    found: str = ""
    ties: tuple[str, ...] = ()  # whose echoes a proof settles, and how surely
    weights: tuple[str, ...] = ()
    grade: str = ""
    who: str = ""
    waits: bool = False
    pictures: tuple[PlatePicture, ...] = ()
    calls: tuple[Calling, ...] = ()
    also: tuple[str, ...] = ()  # the method's other looks of the visit, in words

    @property
    def name(self) -> str:
        return SHORT_METHOD[Method(self.method)]

    @property
    def proves(self) -> bool:
        return self.method in PROVING


class Believed:
    """The club's P(truth | call), by method and call, where the call names one species."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, str], dict[str, float | int]] = {}
        for row in readable():
            if row.observer_id or row.drawn_only or row.device_only or not row.method:
                continue
            for entry in row.body["calls"]:
                for truth in entry["truths"]:
                    if truth["species"] == entry["call"] and truth["probability"] is not None:
                        low, high = truth["interval"]
                        self._known[row.method, entry["call"]] = {
                            "p": truth["probability"], "low": low, "high": high, "proofs": entry["proofs"],
                        }  # fmt: skip

    def of(self, method: str, species: str) -> dict[str, float | int] | None:
        return self._known.get((method, species))


class Kinds:
    """The species tree: a call at a wider kind is right when the truth lies under it."""

    def __init__(self) -> None:
        self._parent = dict(Species.objects.values_list("code", "parent_id"))

    def covers(self, called: str, truth: str) -> bool:
        at: str | None = truth
        while at is not None and at != called:
            at = self._parent.get(at)
        return at == called


def columns(visit: Visit, units: Units, believed: Believed, kinds: Kinds, moment: datetime) -> list[Column]:
    """Return the plate of a visit: for each method its most telling look and the others, or that nobody used it."""
    proofs: dict[uuid.UUID, list[Finding]] = {}
    for look in visit.looks:
        for finding in look.findings.all():
            if finding.settles_id:
                proofs.setdefault(finding.settles_id, []).append(finding)
    by_id = {look.id: look for look in visit.looks}
    shown = _pictures(visit, units)
    made: list[Column] = []
    for method in Method:
        looks = [look for look in visit.looks if look.method == method]
        if looks:
            first, *others = sorted(looks, key=lambda look: _tells(look, proofs), reverse=True)
            column = _column(first, units, believed, kinds, proofs, by_id, moment)
            column = replace(column, pictures=shown.get(first.id, ()))
            also = tuple(
                f"{local(look):%H:%M} {look.observer.shown_name}: {what_words(look, units)}"
                for look in sorted(others, key=lambda look: look.started_at)
            )
            made.append(replace(column, also=also))
        elif method != Method.EYE:
            made.append(Column(method.value))
    return made


# About how wide a picture is on a plate, in the pixels of a screen.
_PLATE_PX = 230


def _pictures(visit: Visit, units: Units) -> dict[uuid.UUID, tuple[PlatePicture, ...]]:
    """Return the pictures of each look of a visit, with their marks: one query for all of them."""
    pictures = {picture.id: picture for look in visit.looks for picture in look.pictures.all()}
    marks: dict[uuid.UUID, list[Mark]] = {}
    for mark in Mark.objects.filter(picture__in=pictures).order_by("created_at", "id") if pictures else ():
        marks.setdefault(mark.picture_id, []).append(mark)
    made: dict[uuid.UUID, tuple[PlatePicture, ...]] = {}
    for one in pictures.values():
        found = tuple(drawn(marks.get(one.id, []), one, units, shown_px=_PLATE_PX))
        made[one.look_id] = (*made.get(one.look_id, ()), PlatePicture(one.id, one.width, one.height, found))
    return made


def _tells(look: Observation, proofs: dict[uuid.UUID, list[Finding]]) -> tuple[bool, ...]:
    """Rank a look by what it can teach: a settled call, a proof, a picture, a call, anything at all."""
    groups = list(look.groups.all())
    return (
        any(group.pk in proofs for group in groups) or any(f.settles_id for f in look.findings.all()),
        bool(look.findings.all()),
        bool(look.pictures.all()),
        any(call_of(group) for group in groups),
        any(group.band != EchoGroup.Band.NONE for group in groups),
    )


def _column(
    look: Observation,
    units: Units,
    believed: Believed,
    kinds: Kinds,
    proofs: dict[uuid.UUID, list[Finding]],
    looks: dict[uuid.UUID, Observation],
    moment: datetime,
) -> Column:
    groups = list(look.groups.all())
    calls = tuple(
        _calling(look, call, believed, kinds, proofs.get(group.pk, []), looks)
        for group in groups
        if (call := call_of(group))
    )
    who, waits = who_words(look, moment)
    return Column(
        method=look.method,
        at=local(look),
        how=how_words(look, units).partition(", ")[2],
        echoes="" if look.method in PROVING else _echoes(groups, units),
        covers=footprint_words(look, units) or sight_words(look, units),
        found=_found(look, units) if look.method in PROVING else "",
        ties=_ties(look, looks),
        weights=_weights(look, units),
        grade=look_grade(look),
        who=who,
        waits=waits,
        calls=calls,
    )


def _which(look: Observation) -> str:
    name = SHORT_METHOD[Method(look.method)]
    return f"{name[:1].lower()}{name[1:]}, {local(look):%H:%M}"


def _found(look: Observation, units: Units) -> str:
    """Say what was seen or landed, and how deep where that was noted."""
    depths = sorted({f.depth_m for f in look.findings.all() if f.depth_m is not None})
    at = f" at {units.span_text(depths[0])}" if len(depths) == 1 else ""
    if len(depths) > 1:
        at = f" at {units.span_text(depths[0]).split(chr(160))[0]} to {units.span_text(depths[-1])}"
    return what_words(look, units) + at


def _ties(look: Observation, looks: dict[uuid.UUID, Observation]) -> tuple[str, ...]:
    """Say whose echoes the findings of a look settle: the same fish, or only the same cover."""
    by_group = {group.pk: one for one in looks.values() for group in one.groups.all()}
    told: dict[str, None] = {}
    for finding in look.findings.all():
        if finding.settles_id and (of := by_group.get(finding.settles_id)):
            tie = "the same fish as" if finding.tie == Finding.Tie.FISH else "in the same cover as"
            told[f"{tie} {_which(of)}"] = None
    return tuple(told)


def _weights(look: Observation, units: Units) -> tuple[str, ...]:
    """Say what the measured fish should weigh, each with its name where there are several kinds."""
    findings = list(look.findings.all())
    told = []
    for finding in findings:
        species = finding.corrected_species or finding.species
        if words := weight_words(species.code, finding.lengths_mm, units):
            told.append(f"{species.name}: {words}" if len(findings) > 1 else words)
    return tuple(told)


def _echoes(groups: Sequence[EchoGroup], units: Units) -> str:
    return "; ".join(echo_words(group, units) for group in groups) or "nothing"


def _calling(
    look: Observation,
    call: Call,
    believed: Believed,
    kinds: Kinds,
    proofs: Sequence[Finding],
    looks: dict[uuid.UUID, Observation],
) -> Calling:
    same_fish = [finding for finding in proofs if finding.tie == Finding.Tie.FISH]
    telling = same_fish or list(proofs)
    truths = [finding.corrected_species or finding.species for finding in telling]
    outcome = ""
    if same_fish:
        right = all(kinds.covers(call.species_id, truth.code) for truth in truths)
        outcome = "right" if right else "wrong"
    by = looks.get(telling[0].look_id) if telling else None
    grade = ""
    if by is not None:
        grade = "landed" if by.method == Method.ROD else "seen"
        if all(finding.verified_at for finding in telling):
            grade = "verified"
    return Calling(
        said=call.species.name,
        stated=call.probability,
        withdrawn=call.withdrawn_at is not None,
        memory=call.seal == Call.Seal.MEMORY,
        like_it=believed.of(look.method, call.species_id),
        outcome=outcome,
        truth=" and ".join(sorted({truth.name for truth in truths})),
        grade=grade,
        settled_by=_which(by) if by else "",
    )
