"""A water's pool levels as a CSV, in and out. Columns: docs/import-formats.md."""

import csv
import io
import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from spots.files.known import name_key
from spots.files.report import Report
from spots.files.table import CONTROL, Table, TextRow, guarded, number_of
from spots.level_models import HIGHEST_M, LOWEST_M, PoolLevel
from spots.models import Water

COLUMNS = ("water", "at", "level_m", "elevation_m", "source")
NEEDED = ("at",)
_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_FIRST = datetime(1900, 1, 1, tzinfo=UTC)
_SAME_M = 0.0005


@dataclass
class LevelPlan:
    """New readings, and how many the file has that are there already."""

    readings: list[PoolLevel] = field(default_factory=list)
    replaced: list[PoolLevel] = field(default_factory=list)
    # Of those replaced: id, level and source before, level now, since when it stood.
    before: list[tuple[int, float, str, float, str]] = field(default_factory=list)
    there: int = 0


def plan_levels(
    table: Table, report: Report, *, water: Water | None, moment: datetime, replace: bool
) -> LevelPlan:
    """Say what the rows of a table will become. Saves nothing."""
    by_name = {name_key(item.name): item for item in Water.objects.all()}
    plan = LevelPlan()
    seen: dict[tuple[uuid.UUID, datetime], int] = {}
    found: list[tuple[TextRow, PoolLevel]] = []
    for row in table.rows:
        reading = _Reader(row, table, by_name, water, moment, report).read()
        if reading is None:
            continue
        key = (reading.water_id, reading.at)
        if key in seen:
            report.error(row.line, "at", row.shown("at"), f"Line {seen[key]} has this time already.")
            continue
        seen[key] = row.line
        found.append((row, reading))
    _meet(found, plan, report, replace=replace)
    return plan


def _meet(found: list[tuple[TextRow, PoolLevel]], plan: LevelPlan, report: Report, *, replace: bool) -> None:
    """Compare with the readings that are there: the same is left out, another value stops or replaces."""
    there: dict[tuple[uuid.UUID, datetime], PoolLevel] = {}
    if found:
        times = [reading.at for _, reading in found]
        for old in PoolLevel.objects.filter(
            water__in={reading.water_id for _, reading in found}, at__range=(min(times), max(times))
        ):
            there[old.water_id, old.at] = old
    for row, reading in found:
        kept = there.get((reading.water_id, reading.at))
        if kept is None:
            plan.readings.append(reading)
        elif abs(kept.level_m - reading.level_m) < _SAME_M:
            plan.there += 1
        elif replace:
            since = kept.received_at.isoformat()
            plan.before.append((kept.pk, kept.level_m, kept.source, reading.level_m, since))
            kept.level_m, kept.source = reading.level_m, reading.source
            kept.received_at = reading.received_at
            plan.replaced.append(kept)
        else:
            column = "level_m" if row.cells.get("level_m") else "elevation_m"
            rule = (
                f"A reading of {kept.level_m:+.3f} m is there for this time, and stays unless it is replaced."
            )
            report.error(row.line, column, row.shown(column), rule)


def save_levels(plan: LevelPlan) -> None:
    PoolLevel.objects.bulk_create(plan.readings, batch_size=5000)
    PoolLevel.objects.bulk_update(plan.replaced, ["level_m", "source", "received_at"], batch_size=1000)


class _Reader:
    """Reads one row, noting each cell that breaks a rule."""

    def __init__(
        self,
        row: TextRow,
        table: Table,
        waters: Mapping[str, Water],
        water: Water | None,
        moment: datetime,
        report: Report,
    ) -> None:
        self.row, self.table, self.waters = row, table, waters
        self.given, self.moment, self.report = water, moment, report

    def read(self) -> PoolLevel | None:
        water = self._water()
        if water is None:
            return None
        at, level = self._at(water), self._level(water)
        source = " ".join(self.row.cells.get("source", "").split())
        if CONTROL.search(source):
            self._wrong("source", "The cell holds a control character.")
            return None
        if len(source) > 120:
            self._wrong("source", "At most 120 characters.")
            return None
        if at is None or level is None:
            return None
        return PoolLevel(water=water, at=at, level_m=level, source=source, received_at=self.moment)

    def _wrong(self, column: str, rule: str) -> None:
        self.report.error(self.row.line, column, self.row.shown(column), rule)

    def _water(self) -> Water | None:
        name = self.row.cells.get("water", "")
        named = self.waters.get(name_key(name)) if name else self.given
        if name and named is None:
            self._wrong("water", "There is no water of this name.")
        elif name and self.given and named != self.given:
            self._wrong("water", f"This import is for {self.given.name}.")
            return None
        elif named is None:
            self._wrong("water", "Say of which water: in the file, or beside it.")
        return named

    def _at(self, water: Water) -> datetime | None:
        text = self.row.cells.get("at", "")
        zone = ZoneInfo(water.time_zone)
        try:
            at = datetime.fromisoformat(text)
            if _DAY.fullmatch(text):
                at = at.replace(hour=12)
            at = (at if at.tzinfo else at.replace(tzinfo=zone)).astimezone(UTC)
        except (ValueError, OverflowError):
            rule = "This is not a time, like 2026-05-01T07:00:00-05:00, or a day, like 2026-05-01."
            self._wrong("at", rule)
            return None
        if not _FIRST <= at <= self.moment + timedelta(minutes=10):
            self._wrong("at", "A reading lies between 1900 and now.")
            return None
        return at

    def _level(self, water: Water) -> float | None:
        given = [name for name in ("level_m", "elevation_m") if self.row.cells.get(name)]
        if len(given) != 1:
            self._wrong("level_m", "Give either level_m or elevation_m.")
            return None
        (column,) = given
        try:
            level = number_of(self.row.cells[column], self.table.decimal_comma)
        except ValidationError as error:
            self._wrong(column, error.messages[0])
            return None
        if column == "elevation_m":
            if water.full_pool_m is None:
                self._wrong(
                    column, f"{water.name} has no full pool yet to take this from; set it, or give level_m."
                )
                return None
            level = round(level - water.full_pool_m, 4)
        if not LOWEST_M <= level <= HIGHEST_M:
            self._wrong(
                column,
                f"That is {level:+,.1f} m from full pool; it lies between {LOWEST_M:.0f} and {HIGHEST_M:.0f}.",
            )
            return None
        return level


def write_levels(water_id: uuid.UUID | None = None) -> str:
    """Return the CSV of all readings, by water and time; times at the water's clock, with offset."""
    rows = PoolLevel.objects.select_related("water").order_by("water__name", "water_id", "at")
    if water_id is not None:
        rows = rows.filter(water_id=water_id)
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, ("water", "at", "level_m", "source"))
    writer.writeheader()
    for row in rows.iterator(chunk_size=5000):
        writer.writerow(
            {
                "water": guarded(row.water.name),
                "at": row.at.astimezone(ZoneInfo(row.water.time_zone)).isoformat(),
                "level_m": repr(row.level_m),
                "source": guarded(row.source),
            }
        )
    return out.getvalue()
