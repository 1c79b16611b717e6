"""The one importer behind the page and the command: plan, show, and save all of it or nothing."""

import uuid
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import PurePath
from typing import Any

from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction

from club.models import Member
from club.viewer import Viewer
from observations.files.looks_csv import read_rows
from observations.files.looks_plan import LooksPlan, LooksPlanner, method_counts
from observations.files.tables import Read, chosen_for, guessed, read_chosen
from observations.files.undoing import keep_record
from observations.import_models import ImportMap, ImportRecord
from observations.jobs import wake
from observations.services import save_looks, save_past_confirmations, species_by_code
from spots.files import outlines as outline_files
from spots.files.contours import ContourPlan, is_of_contours, plan_contours, save_contours
from spots.files.geojson_spots import features_of, is_of_spots, read_json, read_spots
from spots.files.gpx import read_gpx
from spots.files.levels import LevelPlan, plan_levels, save_levels
from spots.files.outlines import OutlinePlan, plan_outlines, read_outlines, save_outlines
from spots.files.report import FileError, Remark, Report, messages_of, refused
from spots.files.rows import SpotRow
from spots.files.sharing import default_scope, scope_named, scope_words, who_sees
from spots.files.spots_csv import read_spots_csv
from spots.files.table import RawTable, Table, read_raw
from spots.files.waypoints import SAME_PLACE_M, SpotPlan, plan_places
from spots.models import Water
from spots.services import save_spots

MOST_BYTES = 20 * 1024 * 1024
WAYPOINTS, SPOTS, LOOKS, LEVELS = "waypoints", "spots", "looks", "levels"
OUTLINES, CONTOURS = "outlines", "contours"
# What a GeoJSON file has that is not one of outlines: those may be larger, and are read elsewhere.
_TOLD_BY = (b'"Point"', b'"precision"', b'"depth_', b'"elevation_')
_KINDS = {".gpx": WAYPOINTS, ".csv": LOOKS, **dict.fromkeys(outline_files.KINDS, OUTLINES)}


@dataclass(frozen=True)
class Options:
    """What the importer chose. Empty `water` and `scope` mean the rules of docs/import-formats.md."""

    water: str = ""
    scope: str = ""
    timezone: str = ""
    skip_outside: bool = False
    create_members: bool = False
    replace: bool = False
    # A place within so many metres of a spot that is there is that spot.
    near_m: float = SAME_PLACE_M


@dataclass
class ImportPlan:
    """What a file will become. With errors it can only be shown."""

    kind: str
    report: Report
    name: str = ""
    spots: SpotPlan = field(default_factory=SpotPlan)
    looks: LooksPlan = field(default_factory=LooksPlan)
    outlines: OutlinePlan = field(default_factory=OutlinePlan)
    levels: LevelPlan = field(default_factory=LevelPlan)
    contours: ContourPlan = field(default_factory=ContourPlan)
    # A table as it stands, and what its member chose of its columns, or what might be chosen.
    raw: RawTable | None = None
    chosen: ImportMap | None = None
    symbols: dict[uuid.UUID, str] = field(default_factory=dict)
    scope: str = ""
    scope_words: str = ""
    who_sees: list[str] = field(default_factory=list)

    @property
    def ok(self) -> bool:
        return not self.report.errors

    @property
    def is_empty(self) -> bool:
        return not (
            self.spots.drafts
            or self.looks.looks
            or self.outlines.waters
            or self.contours.areas
            or self.levels.readings
            or self.levels.replaced
        )

    @property
    def counts(self) -> list[tuple[str, int]]:
        """What will be created, as (words, number); only what there is."""
        findings = sum(len(draft.findings) for draft, _ in self.looks.looks)
        calls = sum(bool(group.call) for draft, _ in self.looks.looks for group in draft.groups)
        counted = [
            ("water", "waters", sum(item.is_new for item in self.outlines.waters)),
            ("outline", "outlines", sum(not item.is_new for item in self.outlines.waters)),
            ("depth contour", "depth contours", len(self.contours.areas)),
            ("pool level", "pool levels", len(self.levels.readings)),
            ("pool level replaced", "pool levels replaced", len(self.levels.replaced)),
            ("spot", "spots", len(self.spots.drafts)),
            ("look", "looks", len(self.looks.looks)),
            ("call", "calls", calls),
            ("finding", "findings", findings),
            ("confirmation", "confirmations", len(self.looks.confirmations)),
            ("member who cannot sign in", "members who cannot sign in", len(self.looks.members)),
        ]
        return [(one if number == 1 else many, number) for one, many, number in counted if number]

    @property
    def methods(self) -> list[tuple[str, int]]:
        return method_counts(self.looks.looks)


def plan_import(
    name: str, data: bytes, options: Options, member: Member, viewer: Viewer, moment: datetime
) -> ImportPlan:
    """Read a file and say what it will become. Saves nothing; whatever is wrong stands in the plan's report.

    To be called inside `viewing`: only what the importer may see exists.
    """
    kind = _KINDS.get(PurePath(name.lower()).suffix, "")
    report = Report()
    plan = ImportPlan(kind, report, name)
    try:
        _plan(plan, name, data, options, member, viewer, moment)
    except FileError as error:
        plan.report.errors += error.remarks
    except ValidationError as error:
        plan.report.errors += [Remark(0, column, "", message) for column, message in messages_of(error)]
    plan.report = plan.report.sorted()
    return plan


def _plan(
    plan: ImportPlan,
    name: str,
    data: bytes,
    options: Options,
    member: Member,
    viewer: Viewer,
    moment: datetime,
) -> None:
    if not plan.kind:
        raise refused(f"Files end in {', '.join(_KINDS)}.", column="file", value=name)
    if len(data) > MOST_BYTES:
        raise refused(f"A file has at most {MOST_BYTES // 1024**2} MB.", column="file", value=name)
    if not data.strip():
        raise refused("The file is empty.", column="file", value=name)
    if not viewer.is_member:
        raise refused("Only members import.")
    features = _features(name, data) if plan.kind == OUTLINES else []
    if plan.kind == OUTLINES and is_of_contours(features) and not is_of_spots(features):
        _plan_contours(plan, features, options, viewer)
        return
    if plan.kind == OUTLINES and not is_of_spots(features):
        _plan_outlines(plan, name, data, options, viewer)
        return
    water = _water_named(options.water)
    scope = scope_named(options.scope, viewer)
    plan.scope, plan.scope_words, plan.who_sees = scope, scope_words(scope), who_sees(scope, viewer)
    plan.spots.report = plan.report
    if plan.kind == WAYPOINTS:
        rows = _waypoints(plan, data)
    elif plan.kind == OUTLINES:
        plan.kind = SPOTS
        rows, left_out = read_spots(features, plan.report)
        plan.spots.left_out |= left_out
    else:
        read = _read_table(plan, data, member, water, moment)
        if read.kind == LEVELS:
            _plan_levels(plan, read.table, water, options, viewer, moment)
            return
        if read.kind == LOOKS:
            _plan_looks(plan, read.table, water, options, member, viewer, moment)
            return
        rows, others = read_spots_csv(read.table, plan.report)
        plan.spots.left_out |= {"known by their zone or water alone": others} if others else {}
    plan_places(
        rows,
        plan.spots,
        water=water,
        scope=scope,
        skip_outside=options.skip_outside,
        near_m=options.near_m,
    )
    by_line = {row.line: row.symbol for row in rows}
    plan.symbols = {key: by_line[line] for key, line in plan.spots.lines.items() if by_line[line]}


def _features(name: str, data: bytes) -> list[dict[str, Any]]:
    """Return the features of a GeoJSON file of spots or contours, or none where it is one of outlines."""
    is_geojson = outline_files.KINDS[PurePath(name.lower()).suffix] == "geojson"
    if not is_geojson or (data[:1] == b"{" and not any(word in data for word in _TOLD_BY)):
        return []
    return features_of(read_json(data))


def _plan_contours(
    plan: ImportPlan, features: list[dict[str, Any]], options: Options, viewer: Viewer
) -> None:
    plan.kind = CONTOURS
    if not viewer.is_organiser:
        raise refused("Only an organiser imports the contours of waters: everybody sees them.")
    water = _water_named(options.water)
    plan.contours = plan_contours(features, plan.report, water=water, replace=options.replace)


def _waypoints(plan: ImportPlan, data: bytes) -> list[SpotRow]:
    gpx = read_gpx(data)
    for number, words in ((gpx.tracks, "tracks"), (gpx.routes, "routes")):
        if number:
            plan.report.warn(0, "", "", f"{words.capitalize()} are not imported here: {number} left out.")
    if not gpx.waypoints:
        plan.report.error(0, "", "", "The file has no waypoints (wpt).")
    return [waypoint.row for waypoint in gpx.waypoints]


def _read_table(plan: ImportPlan, data: bytes, member: Member, water: Water | None, moment: datetime) -> Read:
    plan.raw = read_raw(data)
    # To be put right on the page, also where the header is none of ours.
    plan.chosen = chosen_for(plan.raw, member) or guessed(plan.raw, member, moment)
    read = read_chosen(plan.raw, member, water)
    plan.kind, plan.chosen = read.kind, read.chosen
    # The page asks by the header and the first row; the rows themselves are in the table now.
    plan.raw = replace(plan.raw, records=plan.raw.records[:1])
    if not read.table.rows:
        raise refused("The file has a header and no rows.")
    return read


def _plan_looks(
    plan: ImportPlan,
    table: Table,
    water: Water | None,
    options: Options,
    member: Member,
    viewer: Viewer,
    moment: datetime,
) -> None:
    if options.create_members and not viewer.is_organiser:
        raise refused("Only an organiser creates members from an import.")
    species = species_by_code()
    rows = read_rows(table, species, plan.report)
    planner = LooksPlanner(member, viewer, moment, species, plan.spots)
    plan.looks = planner.plan(
        rows,
        water=water,
        scope=plan.scope if options.scope else "",
        skip_outside=options.skip_outside,
        create_members=options.create_members,
        near_m=options.near_m,
    )


def _plan_levels(
    plan: ImportPlan, table: Table, water: Water | None, options: Options, viewer: Viewer, moment: datetime
) -> None:
    if not viewer.is_organiser:
        raise refused("Only an organiser imports the levels of waters: everybody sees them.")
    plan.levels = plan_levels(table, plan.report, water=water, moment=moment, replace=options.replace)
    if plan.levels.there:
        plan.spots.left_out["there already"] = plan.levels.there


def _plan_outlines(plan: ImportPlan, name: str, data: bytes, options: Options, viewer: Viewer) -> None:
    if not viewer.is_organiser:
        raise refused("Only an organiser imports the outlines of waters: everybody sees them.")
    outlines, others = read_outlines(data, outline_files.KINDS[PurePath(name.lower()).suffix])
    plan.outlines = plan_outlines(
        outlines, water_name=options.water, timezone=options.timezone, replace=options.replace
    )
    plan.report = plan.outlines.report
    if others:
        plan.report.warn(0, "", "", f"Features that are no areas: {others} left out.")


def _water_named(name: str) -> Water | None:
    if not name:
        return None
    water = Water.objects.filter(name__iexact=" ".join(name.split())).first()
    if water is None:
        raise refused("There is no water of this name.", column="water", value=name)
    return water


def save_import(plan: ImportPlan, viewer: Viewer, moment: datetime) -> ImportRecord:
    """Save all that was planned, or nothing, and return the record to take it back by.

    Raises FileError when the plan has errors or saving fails.
    """
    if not plan.ok:
        raise FileError(*plan.report.errors)
    try:
        with transaction.atomic():
            save_outlines(plan.outlines)
            save_levels(plan.levels)
            save_contours(plan.contours)
            # One by one: an account may have rules of its own (club.policies), and they are few.
            for member in plan.looks.members:
                member.save(force_insert=True)
            save_spots(plan.spots.drafts, viewer, moment)
            save_looks(plan.looks.looks, moment)
            save_past_confirmations(
                [(item.finding_id, item.checker, item.species, item.at) for item in plan.looks.confirmations]
            )
            record = _keep(plan, viewer, moment)
    except ValidationError as error:
        raise FileError(
            *(Remark(0, column, "", message) for column, message in messages_of(error))
        ) from error
    except DatabaseError as error:
        raise refused("The database refused a row that had passed every check; nothing was saved.") from error
    if plan.looks.looks:
        wake()
    return record


def _keep(plan: ImportPlan, viewer: Viewer, moment: datetime) -> ImportRecord:
    assert viewer.member_id is not None  # noqa: S101 - only members import
    return keep_record(
        viewer.member_id,
        moment,
        name=plan.name,
        kind=plan.kind,
        words=", ".join(f"{number} {words}" for words, number in plan.counts),
        spots=[draft.id for draft in plan.spots.drafts],
        looks=[draft.id for draft, _ in plan.looks.looks],
        levels=[reading.pk for reading in plan.levels.readings],
        levels_before=plan.levels.before,
    )


__all__ = ["ImportPlan", "Options", "default_scope", "plan_import", "save_import"]
