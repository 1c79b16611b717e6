"""What the places of a file become: new spots, each on its water, or remarks."""

import uuid
from dataclasses import dataclass, field

from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError

from spots.files.coordinates import parse_latitude, parse_longitude
from spots.files.known import Known, KnownSpots, name_key
from spots.files.places import holding_waters, metres_between, nearest_waters, on_no_water
from spots.files.report import Report, messages_of
from spots.files.rows import SpotRow
from spots.models import Position, Water
from spots.nearby import nearest_spots
from spots.services import SpotDraft, check_sheet, judge_distance
from spots.zones import OUTSIDE_ALLOWED_M, metres_off_all

# Two positions within this are one place, unless the importer chooses otherwise: a receiver is no better.
SAME_PLACE_M = 5.0
_THERE = "there already"


@dataclass
class SpotPlan:
    """New spots with the line each comes from, and how many waypoints are left out and why."""

    report: Report = field(default_factory=Report)
    drafts: list[SpotDraft] = field(default_factory=list)
    left_out: dict[str, int] = field(default_factory=dict)
    # The line that each new spot comes from.
    lines: dict[uuid.UUID, int] = field(default_factory=dict)

    def leave_out(self, why: str) -> None:
        self.left_out[why] = self.left_out.get(why, 0) + 1


@dataclass(frozen=True)
class Placed:
    """A position from a file: line, what was typed, and the point."""

    line: int
    typed: str
    point: Point


def plan_places(
    rows: list[SpotRow], plan: SpotPlan, *, water: Water | None, scope: str, skip_outside: bool, near_m: float
) -> None:
    """Plan one new spot for each place of a file, or say why not. Nothing is saved.

    What is there already is left out: of the same id, of the same name within 50 m, or of any name within
    `near_m` metres (0: no matter how near).
    """
    placed = {row.line: at for row in rows if row.has_place and (at := _place(row, plan.report))}
    waters = _waters_of(rows, placed, water, plan, skip_outside)
    names = [row.name for row in rows if row.name and row.line in placed]
    known = KnownSpots(names, water.pk if water else None)
    points = [(at.point.y, at.point.x) for at in placed.values()]
    near = dict(zip(placed, nearest_spots(points, within_m=near_m), strict=True))
    for row in rows:
        found = waters.get(row.line)
        if found is None or (row.has_place and row.line not in placed):
            continue
        same = known.of_id(row.id)
        beside = near.get(row.line)
        if same is not None:
            plan.leave_out(_THERE)
            plan.report.warn(
                row.line, "id", row.id, f'This is the spot "{same.name}", there already: left out.'
            )
        elif (
            beside is not None and (other := known.of_id(str(beside.spot_id))) and not _same_name(row, other)
        ):
            rule = f'The spot "{other.name}" is there already, {beside.metres:.0f} m away: left out.'
            plan.leave_out(_THERE)
            plan.report.warn(row.line, "position", row.name, rule)
        else:
            _plan_one(row, placed.get(row.line), found, scope, known, plan)


def _same_name(row: SpotRow, other: Known) -> bool:
    return name_key(row.name) == name_key(other.name)


def _place(row: SpotRow, report: Report) -> Placed | None:
    values = []
    for column, text, parse in (("lat", row.lat, parse_latitude), ("lon", row.lon, parse_longitude)):
        try:
            values.append(parse(text))
        except ValidationError as error:
            report.error(row.line, column, text, error.messages[0])
    if len(values) < 2:
        return None
    return Placed(row.line, f"{row.lat} {row.lon}"[:80], Point(values[1], values[0], srid=4326))


def _waters_of(
    rows: list[SpotRow], placed: dict[int, Placed], water: Water | None, plan: SpotPlan, skip_outside: bool
) -> dict[int, Water]:
    """Return the water of each line: the one it names, the one of the import, or the one that holds it."""
    by_name = (
        {name_key(item.name): item for item in Water.objects.all()} if any(r.water for r in rows) else {}
    )
    groups: dict[Water | None, list[SpotRow]] = {}
    for row in rows:
        named = by_name.get(name_key(row.water)) if row.water else water
        if row.water and named is None:
            plan.report.error(row.line, "water", row.water, "There is no water of this name.")
        elif row.water and water and named != water:
            plan.report.error(row.line, "water", row.water, f"This import is for {water.name}.")
        elif not row.has_place and named is None:
            plan.report.error(row.line, "water", "", "A spot without a position needs its water.")
        else:
            groups.setdefault(named, []).append(row)
    out: dict[int, Water] = {}
    for named, group in groups.items():
        places = [placed[row.line] for row in group if row.line in placed]
        for place, at in zip(places, find_waters(places, named, plan, skip_outside), strict=True):
            if at is not None:
                out[place.line] = at
        out |= {row.line: named for row in group if named is not None and not row.has_place}
    return out


def find_waters(
    places: list[Placed], water: Water | None, plan: SpotPlan, skip_outside: bool
) -> list[Water | None]:
    """Return the water of each position; None where it is left out or an error was noted.

    Up to 50 m off an outline is a warning, beyond it an error, or left out when that was asked for.
    """
    points = [place.point for place in places]
    found = [water] * len(points) if water else holding_waters(points)
    pairs = [(at, point) for at, point in zip(found, points, strict=True) if at]
    offs = iter(metres_off_all(pairs))
    out: list[Water | None] = []
    missed: list[Placed] = []
    for place, at in zip(places, found, strict=True):
        out.append(None)
        if at is None:
            missed.append(place)
            continue
        off = next(offs)
        if skip_outside and off is not None and off > OUTSIDE_ALLOWED_M:
            plan.leave_out(f"more than {OUTSIDE_ALLOWED_M} m off {at.name}")
            continue
        try:
            for warning in judge_distance(at, place.point, off):
                plan.report.warn(place.line, "position", place.typed, warning)
        except ValidationError as error:
            plan.report.error(place.line, "position", place.typed, error.messages[0])
            continue
        out[-1] = at
    _note_missed(missed, plan, skip_outside)
    return out


def _note_missed(missed: list[Placed], plan: SpotPlan, skip_outside: bool) -> None:
    if skip_outside:
        for _ in missed:
            plan.leave_out("on no water of the club")
        return
    nearest = nearest_waters([place.point for place in missed])
    swapped = holding_waters([Point(place.point.y, place.point.x, srid=4326) for place in missed])
    for place, near, other in zip(missed, nearest, swapped, strict=True):
        plan.report.error(place.line, "position", place.typed, on_no_water(near, other))


def _plan_one(
    row: SpotRow, placed: Placed | None, water: Water, scope: str, known: KnownSpots, plan: SpotPlan
) -> None:
    name = row.name
    if not name:
        name = known.free_name("Waypoint", water.pk)
        plan.report.warn(row.line, "name", "", f'The waypoint has no name; it is called "{name}".')
    same = known.named(name, water.pk)
    if same and placed is None:
        plan.leave_out(_THERE)
        plan.report.warn(row.line, "name", name, "A spot of this name is there already: left out.")
        return
    near = [spot.point for spot in same if spot.point]
    if near and placed:
        metres = min(metres_between([(placed.point, point) for point in near]))
        if metres <= OUTSIDE_ALLOWED_M:
            plan.leave_out(_THERE)
            plan.report.warn(
                row.line,
                "name",
                name,
                f"A spot of this name is there already, {metres:.0f} m away: left out.",
            )
            return
    if same:
        name = known.free_name(name, water.pk)
        plan.report.warn(
            row.line,
            "name",
            row.name,
            f'Another spot of {water.name} has this name; this one is called "{name}".',
        )
    draft = SpotDraft(
        water=water,
        name=name,
        scope=scope,
        point=placed.point if placed else None,
        typed=placed.typed if placed else "",
        source=Position.Source.IMPORT,
        notes=row.notes,
        **row.sheet,
    )
    try:
        check_sheet(draft)
    except ValidationError as error:
        for column, message in messages_of(error):
            plan.report.error(row.line, column, _said(row, column), message)
        return
    known.add(Known(draft.id, water.pk, name, draft.point, scope))
    plan.drafts.append(draft)
    plan.lines[draft.id] = row.line


def _said(row: SpotRow, column: str) -> str:
    return str(row.sheet.get(column, "") or getattr(row, column, "") or "")
