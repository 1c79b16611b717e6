"""What the rows of a CSV become: looks with their groups, calls, findings and confirmations."""

import uuid
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from django.core.exceptions import ValidationError

from club.models import Member
from club.viewer import Viewer
from observations.files.looks_csv import Row, of_the_look
from observations.files.looks_spots import find_spots
from observations.files.people import People
from observations.models import PROVING, SONAR, Call, Finding, Method, Observation, Species
from observations.services import (
    VISIT_HOURS,
    FindingDraft,
    GroupDraft,
    LookDraft,
    check_look,
    latest_groups,
    scope_of,
)
from spots.files.known import Known
from spots.files.report import messages_of
from spots.files.sharing import CLUB, default_scope
from spots.files.waypoints import SpotPlan
from spots.models import Spot, Water

Key = tuple[uuid.UUID, datetime, uuid.UUID, str]
_COLUMN_OF = {"utc_offset_min": "started_at", "scope": "spot"}


@dataclass(frozen=True)
class ConfirmationDraft:
    """A past confirmation: of which finding, by whom, of which species, at the time of its look."""

    finding_id: uuid.UUID
    checker: Member
    species: str
    at: datetime


@dataclass
class _Building:
    """A look while its rows come in."""

    draft: LookDraft
    scope: str
    line: int
    said: dict[str, tuple[int, object]] = field(default_factory=dict)
    # The line that said "looked, found none", and the first that says otherwise.
    none_line: int = 0
    some_line: int = 0


@dataclass
class LooksPlan:
    """Checked looks with their scopes, ready for `save_looks`."""

    looks: list[tuple[LookDraft, str]] = field(default_factory=list)
    confirmations: list[ConfirmationDraft] = field(default_factory=list)
    members: list[Member] = field(default_factory=list)


class LooksPlanner:
    """Turns rows into looks, noting in `spots.report` whatever breaks a rule. Saves nothing."""

    def __init__(
        self, importer: Member, viewer: Viewer, moment: datetime, species: dict[str, Species], spots: SpotPlan
    ) -> None:
        self.importer = importer
        self.viewer = viewer
        self.moment = moment
        self.species = species
        self.spots = spots
        self.report = spots.report
        self.building: dict[Key, _Building] = {}
        self.confirmations: list[ConfirmationDraft] = []
        self.from_memory = 0

    def plan(
        self,
        rows: list[Row],
        *,
        water: Water | None,
        scope: str,
        skip_outside: bool,
        create_members: bool,
        near_m: float,
    ) -> LooksPlan:
        """Return the plan. `scope` empty: the default, and for known spots never wider than the spot's own."""
        people = People(
            self.importer, organises=self.viewer.is_organiser, create=create_members, report=self.report
        )
        new_scope = scope or default_scope(self.viewer)
        found = find_spots(
            rows, water=water, scope=new_scope, skip_outside=skip_outside, near_m=near_m, plan=self.spots
        )
        stubs = self._stubs(found.by_line)
        there = self._looks_there(found.by_line)
        for row in rows:
            observer = people.observer(row)
            confirmer = people.confirmer(row, observer)
            known = found.by_line.get(row.line)
            if observer is None or known is None or row.started_at is None or not row.method:
                self._check_alone(row)
                continue
            key = (known.id, row.started_at.astimezone(UTC), observer.pk, row.method)
            if key in there:
                rule = "This look is there already: left out."
                self.report.warn(row.line, "started_at", row.shown("started_at"), rule)
                self.spots.leave_out("there already")
                continue
            self._add(row, key, stubs[known.id], observer, confirmer, scope)
        self._warn_of_ties()
        if self.from_memory:
            rule = (
                f"{self.from_memory} calls count as from memory and feed no reliability:"
                " only an organiser imports sealed calls."
            )
            self.report.warn(0, "call", "", rule)
        looks = [(built.draft, built.scope) for built in self.building.values()]
        named = {draft.observer.pk for draft, _ in looks} | {item.checker.pk for item in self.confirmations}
        members = [member for member in people.created if member.pk in named]
        return LooksPlan(looks, self.confirmations, members)

    def _stubs(self, by_line: dict[int, Known]) -> dict[uuid.UUID, Spot]:
        """Return the spots of the file's looks: saved ones, and new ones as they will be."""
        ids = {known.id for known in by_line.values()}
        spots = Spot.objects.in_bulk(ids)
        for draft in self.spots.drafts:
            spots[draft.id] = Spot(id=draft.id, water=draft.water, scope=draft.scope)
        return spots

    def _looks_there(self, by_line: dict[int, Known]) -> set[Key]:
        looks = Observation.objects.filter(
            spot__in={known.id for known in by_line.values()}, withdrawn_at=None
        )
        return {
            (spot, at.astimezone(UTC), observer, method)
            for spot, at, observer, method in looks.values_list("spot", "started_at", "observer", "method")
        }

    def _check_alone(self, row: Row) -> None:
        """Check what can be checked of a row whose spot, observer, time or method is not known."""
        if row.started_at is not None and row.method:
            self._check(row, _draft(row, Spot(), self.importer))

    def _check(self, row: Row, draft: LookDraft) -> bool:
        """Note what the rules of looks say of one row; a column in error already is not told twice."""
        self._check_cells(row)
        try:
            check_look(draft, self.moment, self.species)
        except ValidationError as error:
            for name, message in messages_of(error):
                column = _COLUMN_OF.get(name, name)
                if column not in row.bad:
                    self._wrong(row, column, message)
        return not row.bad

    def _check_cells(self, row: Row) -> None:
        """The rules between the cells of one row that only a file can break."""
        if row.method in PROVING:
            if row.finding_count and not row.finding_species and "finding_species" not in row.bad:
                self._wrong(
                    row, "finding_species", "Name the species; 0 without one means looked, found none."
                )
            if row.placement:
                rule = "Where fish sat is kept with echoes only: not kept."
                self.report.warn(row.line, "placement", row.placement, rule)
            if not row.finding_species and row.finding_count is None and not row.bad:
                rule = "Neither species nor count: taken as looked and found none."
                self.report.warn(row.line, "finding_count", "", rule)
        elif row.finding_count is not None and not row.finding_species:
            self._wrong(row, "finding_count", "Only a camera or a fish in hand proves.")
        if not row.finding_species and "finding_species" not in row.bad:
            for column in ("finding_length_mm", "tie"):
                if row.typed(column) and column not in row.bad:
                    self._wrong(row, column, "This belongs to a finding, and there is none in this row.")

        if not row.call and "call" not in row.bad:
            for column in ("call_probability", "call_size"):
                if row.typed(column) and column not in row.bad:
                    self._wrong(row, column, "This belongs to a call, and there is none in this row.")

    def _wrong(self, row: Row, column: str, rule: str) -> None:
        row.bad.add(column)
        self.report.error(row.line, column, row.shown(column), rule)

    def _add(
        self, row: Row, key: Key, spot: Spot, observer: Member, confirmer: Member | None, scope: str
    ) -> None:
        draft = _draft(row, spot, observer)
        if not self._check(row, draft):
            return
        built = self.building.get(key)
        if built is None:
            said = scope or (default_scope(self.viewer) if spot.scope == CLUB else spot.scope)
            if not self.viewer.is_organiser and not scope:
                said = default_scope(self.viewer)
            seal = Call.Seal.RECORD if self.viewer.is_organiser else Call.Seal.MEMORY
            draft = replace(draft, scope=said, seal=seal)
            try:
                kept = scope_of(draft, self.viewer)
            except ValidationError as error:
                self._wrong(row, "spot", error.messages[0])
                return
            built = self.building[key] = _Building(draft, kept, row.line)
            fresh = draft
        else:
            fresh = self._merge(built, draft, row)
        for column, value in of_the_look(row):
            line, before = built.said.setdefault(column, (row.line, value))
            if before != value:
                self._wrong(row, column, f"Line {line} says otherwise of the same look.")
        self._note_none(built, row)
        if not self.viewer.is_organiser and row.call:
            self.from_memory += 1
        if confirmer and fresh.findings:
            self.confirmations.append(
                ConfirmationDraft(fresh.findings[0].id, confirmer, row.finding_species, draft.started_at)
            )

    def _merge(self, built: _Building, more: LookDraft, row: Row) -> LookDraft:
        """Add one more row to its look, and return what it brought."""
        known = {finding.species for finding in built.draft.findings}
        if row.finding_species in known:
            rule = f"The look of line {built.line} has this species already: one row for it, with its number."
            self._wrong(row, "finding_species", rule)
            return replace(more, findings=())
        built.draft = replace(
            built.draft,
            groups=built.draft.groups + more.groups,
            findings=built.draft.findings + more.findings,
            presentations=tuple(dict.fromkeys(built.draft.presentations + more.presentations)),
            **{
                column: getattr(more, column)
                for column, value in of_the_look(row)
                if getattr(built.draft, column) in (None, {})
            },
        )
        return more

    def _note_none(self, built: _Building, row: Row) -> None:
        """One look cannot both have found none and have found some."""
        none = row.echoes == 0 if row.method not in PROVING else not row.finding_species
        column = "echoes" if row.method not in PROVING else "finding_count"
        if none and built.none_line:
            self._wrong(row, column, f"Line {built.none_line} says none already of the same look.")
        elif none:
            built.none_line = row.line
        else:
            built.some_line = built.some_line or row.line
        if built.none_line and built.some_line:
            other = built.some_line if none else built.none_line
            self._wrong(row, column, f"Line {other} says otherwise of the same look.")

    def _warn_of_ties(self) -> None:
        """Say which findings of `same fish` have no one group of echoes to settle."""
        tied = [
            built
            for built in self.building.values()
            if any(finding.tie == Finding.Tie.FISH for finding in built.draft.findings)
        ]
        saved = latest_groups([built.draft for built in tied])
        sonar: dict[uuid.UUID, list[LookDraft]] = {}
        for built in self.building.values():
            if built.draft.method in SONAR and any(group.count for group in built.draft.groups):
                sonar.setdefault(built.draft.spot.pk, []).append(built.draft)
        window = timedelta(hours=VISIT_HOURS)
        for built in tied:
            at = built.draft.started_at
            earlier = [
                draft for draft in sonar.get(built.draft.spot.pk, []) if at - window <= draft.started_at <= at
            ]
            last = max(earlier, key=lambda draft: draft.started_at, default=None)
            one = last is not None and sum(bool(group.count) for group in last.groups) == 1
            if not one and built.draft.id not in saved:
                rule = "No earlier sonar look of the same visit has one group of echoes: it settles none."
                self.report.warn(built.line, "tie", Finding.Tie.FISH, rule)


def _draft(row: Row, spot: Spot, observer: Member) -> LookDraft:
    """Return the look that one row alone would be."""
    assert row.started_at is not None  # noqa: S101 - the callers looked
    offset = row.started_at.utcoffset() or timedelta()
    groups: tuple[GroupDraft, ...] = ()
    findings: tuple[FindingDraft, ...] = ()
    proves = row.method in PROVING
    if row.echoes is not None or (row.call and proves):
        groups = (
            GroupDraft(
                count=row.echoes,
                placement="" if proves else row.placement,
                depth_m=row.depth_m,
                call=row.call,
                probability=row.call_probability,
                size=row.call_size,
            ),
        )
    if row.finding_species:
        findings = (
            FindingDraft(
                species=row.finding_species,
                count=1 if row.finding_count is None else row.finding_count,
                lengths_mm=row.lengths_mm,
                depth_m=row.depth_m,
                tie=row.tie or Finding.Tie.COVER,
            ),
        )
    tried = row.presentation or row.response
    return LookDraft(
        spot=spot,
        observer=observer,
        method=row.method,
        started_at=row.started_at,
        utc_offset_min=int(offset.total_seconds() // 60),
        minutes=row.minutes,
        rod_hours=row.rod_hours,
        settings=row.settings,
        secchi_m=row.secchi_m,
        water_temp_c=row.water_temp_c,
        groups=groups,
        findings=findings,
        presentations=((row.presentation, row.minutes, row.response),) if tried else (),
        source=Observation.Source.IMPORT,
        seal=Call.Seal.RECORD,
    )


def method_counts(looks: list[tuple[LookDraft, str]]) -> list[tuple[str, int]]:
    """Return (method, number of looks) in the order of methods."""
    counted = [(method.label, sum(draft.method == method for draft, _ in looks)) for method in Method]
    return [(label, number) for label, number in counted if number]
