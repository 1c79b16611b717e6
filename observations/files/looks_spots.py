"""Which spot each row of looks means: one that the importer sees exactly, or a new one."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.core.exceptions import ValidationError

from observations.files.looks_csv import Row
from spots.files.known import Known, KnownSpots, name_key
from spots.files.places import holding_waters, metres_between
from spots.files.report import messages_of
from spots.files.waypoints import Placed, SpotPlan, find_waters
from spots.models import Position, Water
from spots.nearby import nearest_spots
from spots.services import SpotDraft, check_sheet
from spots.zones import OUTSIDE_ALLOWED_M


@dataclass
class SpotsOfRows:
    """The spot of each line (None: left out or in error), and the plan of new spots."""

    plan: SpotPlan
    by_line: dict[int, Known] = field(default_factory=dict)


def find_spots(
    rows: list[Row],
    *,
    water: Water | None,
    scope: str,
    skip_outside: bool,
    near_m: float,
    plan: SpotPlan,
) -> SpotsOfRows:
    """Match every row to a spot by water and name; plan the spots that do not exist. Nothing is saved."""
    out = SpotsOfRows(plan)
    known = KnownSpots([row.spot for row in rows if row.spot and row.place], water.pk if water else None)
    waters = _waters_of(rows, water, plan)
    beside = _beside(rows, known, near_m)
    waters_by_id = {at.pk: at for at in waters.values()}
    for name, spot in beside.items():
        row = next(row for row in rows if name_key(row.spot) == name)
        rule = f'Taken for the spot "{spot.name}", which is there already within {near_m:g} m.'
        plan.report.warn(row.line, "spot", row.spot, rule)
    new: dict[tuple[uuid.UUID, str], list[Row]] = {}
    waterless: list[Row] = []
    for row in rows:
        if not row.spot or "water" in row.bad:
            continue
        at = waters.get(row.line)
        if (near := beside.get(name_key(row.spot))) and at in (None, waters_by_id.get(near.water_id)):
            out.by_line[row.line] = near
        elif at is None:
            waterless.append(row)
        elif same := known.named(row.spot, at.pk):
            _take(row, same, out)
        else:
            new.setdefault((at.pk, name_key(row.spot)), []).append(row)
    _create(new, {at.pk: at for at in waters.values()}, scope, skip_outside, known, out)
    failed = {name for _, name in new}
    _without_water(waterless, known, failed, skip_outside, out)
    _warn_of_distances(rows, out)
    return out


def _waters_of(rows: list[Row], water: Water | None, plan: SpotPlan) -> dict[int, Water]:
    """Return the water of each line that names one or lies on one."""
    by_name = {name_key(item.name): item for item in Water.objects.all()}
    found: dict[int, Water] = {}
    placed: list[tuple[Row, Placed]] = []
    for row in rows:
        named = by_name.get(name_key(row.water)) if row.water else water
        if row.water and named is None:
            row.bad.add("water")
            plan.report.error(row.line, "water", row.water, "There is no water of this name.")
        elif row.water and water and named != water:
            row.bad.add("water")
            rule = f"This import is for {water.name}."
            plan.report.error(row.line, "water", row.water, rule)
        elif named:
            found[row.line] = named
        elif row.place:
            placed.append((row, row.place))
    for (row, _), at in zip(placed, holding_waters([place.point for _, place in placed]), strict=True):
        if at:
            found[row.line] = at
    return found


def _beside(rows: list[Row], known: KnownSpots, near_m: float) -> dict[str, Known]:
    """Return, by name, the known spots of other names that rows of unknown names lie on."""
    first: dict[str, Placed] = {}
    for row in rows:
        if row.spot and row.place and not known.named(row.spot):
            first.setdefault(name_key(row.spot), row.place)
    near = nearest_spots([(place.point.y, place.point.x) for place in first.values()], within_m=near_m)
    found = {
        name: known.of_id(str(at.spot_id)) for name, at in zip(first, near, strict=True) if at is not None
    }
    return {name: spot for name, spot in found.items() if spot is not None}


def _take(row: Row, same: list[Known], out: SpotsOfRows) -> None:
    if len(same) == 1:
        out.by_line[row.line] = same[0]
        return
    rule = f"You see {len(same)} spots of this name; rename all but one, or name the water."
    out.plan.report.error(row.line, "spot", row.spot, rule)


def _create(
    new: dict[tuple[uuid.UUID, str], list[Row]],
    waters: dict[uuid.UUID, Water],
    scope: str,
    skip_outside: bool,
    known: KnownSpots,
    out: SpotsOfRows,
) -> None:
    """Plan a spot for each new name, at the first position that its rows give."""
    places: dict[tuple[uuid.UUID, str], Placed] = {}
    for key, rows in new.items():
        if place := next((row.place for row in rows if row.place), None):
            places[key] = place
    by_water: dict[uuid.UUID, list[tuple[uuid.UUID, str]]] = {}
    for key in places:
        by_water.setdefault(key[0], []).append(key)
    on_water: set[tuple[uuid.UUID, str]] = set()
    for water_id, keys in by_water.items():
        judged = find_waters([places[key] for key in keys], waters[water_id], out.plan, skip_outside)
        on_water |= {key for key, at in zip(keys, judged, strict=True) if at}
    for key, rows in new.items():
        place = places.get(key)
        if place and key not in on_water:
            continue  # left out, or its error is noted
        draft = SpotDraft(
            water=waters[key[0]],
            name=rows[0].spot,
            scope=scope,
            point=place.point if place else None,
            typed=place.typed if place else "",
            source=Position.Source.IMPORT,
        )
        if not _checks(draft, rows[0], out):
            continue
        spot = Known(draft.id, draft.water.pk, draft.name, draft.point, scope)
        known.add(spot)
        out.plan.drafts.append(draft)
        out.by_line |= {row.line: spot for row in rows}


def _checks(draft: SpotDraft, row: Row, out: SpotsOfRows) -> bool:
    try:
        check_sheet(draft)
    except ValidationError as error:
        if "spot" not in row.bad:
            for _, message in messages_of(error):
                out.plan.report.error(row.line, "spot", row.spot, message)
        return False
    return True


def _without_water(
    rows: Iterable[Row], known: KnownSpots, failed: set[str], skip_outside: bool, out: SpotsOfRows
) -> None:
    """Match rows that say no water by name alone; a new spot needs more than that."""
    lost: list[Placed] = []
    for row in rows:
        if same := known.named(row.spot):
            _take(row, same, out)
        elif row.place:
            lost.append(row.place)
        elif name_key(row.spot) not in failed and not row.bad & {"lat", "lon"}:
            rule = "There is no such spot; a new one needs its water, or a position on one."
            out.plan.report.error(row.line, "spot", row.spot, rule)
    find_waters(lost, None, out.plan, skip_outside)


def _warn_of_distances(rows: list[Row], out: SpotsOfRows) -> None:
    """The position of a known spot stands; say where a row's own lies far from it."""
    pairs = [
        (row, row.place, spot.point)
        for row in rows
        if row.place and (spot := out.by_line.get(row.line)) and spot.point
    ]
    metres = metres_between([(place.point, point) for _, place, point in pairs])
    for (row, place, _), off in zip(pairs, metres, strict=True):
        if off > OUTSIDE_ALLOWED_M:
            distance = f"{off:,.0f} m" if off < 10_000 else f"{off / 1000:,.0f} km"
            rule = f"The spot {row.spot} lies {distance} from here; its position stays as it is."
            out.plan.report.warn(row.line, "position", place.typed, rule)
