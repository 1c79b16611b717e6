"""What the waypoints of a file become: new spots, each on its water, or remarks."""

from dataclasses import dataclass, field

from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError

from spots.files.coordinates import parse_latitude, parse_longitude
from spots.files.gpx import Waypoint
from spots.files.known import Known, KnownSpots
from spots.files.places import holding_waters, metres_between, nearest_waters
from spots.files.report import Report, messages_of
from spots.models import Position, Water
from spots.services import SpotDraft, check_sheet, judge_distance
from spots.zones import OUTSIDE_ALLOWED_M, metres_off_all

NO_WATER = "no water"


@dataclass
class SpotPlan:
    """New spots with the line each comes from, and how many waypoints are left out and why."""

    report: Report = field(default_factory=Report)
    drafts: list[SpotDraft] = field(default_factory=list)
    left_out: dict[str, int] = field(default_factory=dict)

    def leave_out(self, why: str) -> None:
        self.left_out[why] = self.left_out.get(why, 0) + 1


@dataclass(frozen=True)
class Placed:
    """A position from a file: line, what was typed, and the point."""

    line: int
    typed: str
    point: Point


def plan_waypoints(
    waypoints: list[Waypoint], *, water: Water | None, scope: str, skip_outside: bool
) -> SpotPlan:
    """Plan one new spot for each waypoint. Nothing is saved."""
    plan = SpotPlan()
    read = [(waypoint, placed) for waypoint in waypoints if (placed := _place(waypoint, plan.report))]
    waters = find_waters([placed for _, placed in read], water, plan, skip_outside)
    known = KnownSpots([waypoint.name for waypoint, _ in read if waypoint.name], water.pk if water else None)
    for (waypoint, placed), found in zip(read, waters, strict=True):
        if found is not None:
            _plan_one(waypoint, placed, found, scope, known, plan)
    return plan


def _place(waypoint: Waypoint, report: Report) -> Placed | None:
    values = []
    for column, text, parse in (
        ("lat", waypoint.lat, parse_latitude),
        ("lon", waypoint.lon, parse_longitude),
    ):
        try:
            values.append(parse(text))
        except ValidationError as error:
            report.error(waypoint.line, column, text, error.messages[0])
    if len(values) < 2:
        return None
    return Placed(
        waypoint.line, f"{waypoint.lat} {waypoint.lon}"[:80], Point(values[1], values[0], srid=4326)
    )


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
        rule = f"It lies on no water: none has an outline that holds it or ends within {OUTSIDE_ALLOWED_M} m."
        if near:
            name, metres = near
            distance = f"{metres:,.0f} m" if metres < 10_000 else f"{metres / 1000:,.0f} km"
            rule += f" The nearest is {name}, {distance} away."
        if other:
            rule += f" With latitude and longitude exchanged it would lie on {other.name}."
        plan.report.error(place.line, "position", place.typed, rule)


def _plan_one(
    waypoint: Waypoint, placed: Placed, water: Water, scope: str, known: KnownSpots, plan: SpotPlan
) -> None:
    name = waypoint.name
    if not name:
        name = known.free_name("Waypoint", water.pk)
        plan.report.warn(waypoint.line, "name", "", f'The waypoint has no name; it is called "{name}".')
    same = known.named(name, water.pk)
    near = [spot.point for spot in same if spot.point]
    if near:
        metres = min(metres_between([(placed.point, point) for point in near]))
        if metres <= OUTSIDE_ALLOWED_M:
            plan.leave_out("there already")
            plan.report.warn(
                waypoint.line,
                "name",
                name,
                f"A spot of this name is there already, {metres:.0f} m away: left out.",
            )
            return
    if same:
        name = known.free_name(name, water.pk)
        plan.report.warn(
            waypoint.line,
            "name",
            waypoint.name,
            f'Another spot of {water.name} has this name; this one is called "{name}".',
        )
    draft = SpotDraft(
        water=water,
        name=name,
        scope=scope,
        point=placed.point,
        typed=placed.typed,
        source=Position.Source.IMPORT,
        notes=waypoint.notes,
    )
    try:
        check_sheet(draft)
    except ValidationError as error:
        for column, message in messages_of(error):
            plan.report.error(waypoint.line, column, getattr(waypoint, column, ""), message)
        return
    known.add(Known(draft.id, water.pk, name, placed.point, scope))
    plan.drafts.append(draft)
