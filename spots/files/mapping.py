"""Somebody's own spreadsheet: which of its columns is which of ours, in which units, and how it writes days.

What comes out is the same table that our own columns would give, with what was typed kept for messages.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from club.units import FOOT_M, INCH_MM
from spots.files.coordinates import parse_position
from spots.files.report import FileError, Remark, refused
from spots.files.table import RawTable, Table, TextRow

# Columns of a foreign file that become others of ours.
DATE, TIME, POSITION = "date", "time", "position"
PARTS = (DATE, TIME, POSITION)
ORDERS = {"ymd": "year, month, day", "mdy": "month, day, year", "dmy": "day, month, year"}

_M = {"m": 1.0, "cm": 0.01, "ft": FOOT_M, "in": INCH_MM / 1000}
_MM = {"mm": 1.0, "cm": 10.0, "in": INCH_MM}
# The units that each of our columns may be given in, the first being its own.
UNITS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(
        ("depth_m", "secchi_m", "depth_min_m", "depth_max_m", "level_m", "elevation_m"), tuple(_M)
    ),
    "finding_length_mm": tuple(_MM),
    "water_temp_c": ("°C", "°F"),
    "call_probability": ("0 to 1", "%"),
}
_SUFFIXES = {
    "m": "m", "cm": "cm", "mm": "mm", "ft": "ft", "feet": "ft", "foot": "ft", "'": "ft", "in": "in", "inch": "in",
    "inches": "in", '"': "in", "c": "°C", "°c": "°C", "f": "°F", "°f": "°F", "%": "%",
}  # fmt: skip
_VALUE = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([^\d\s.,+-]*)", re.ASCII)
_DAY = re.compile(r"(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{1,4})", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2})[:.](\d{2})(?:[:.](\d{2}))?\s*([ap])?\.?m?\.?", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True)
class ColumnMap:
    """What a member chose for files with one header. `columns` is theirs to ours; one that is missing is left out.

    `units` are by our column, `fixed` are values of ours for every row, `order` is how days are written.
    """

    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    fixed: dict[str, str] = field(default_factory=dict)
    order: str = "ymd"


def mapped_table(
    raw: RawTable,
    chosen: ColumnMap,
    *,
    columns: tuple[str, ...],
    needed: tuple[str, ...],
    time_column: str,
    zone_of: Callable[[Mapping[str, str]], ZoneInfo | None],
) -> Table:
    """Return the table in our columns and units. Raises FileError where what was chosen cannot be.

    A cell that cannot be converted stays as it was typed, for the reader of our own columns to refuse.
    """
    targets = [chosen.columns.get(name, "") for name in raw.names]
    _check(raw, targets, chosen, columns, needed, time_column)
    rows = []
    for line, cells in raw.records:
        typed = {target: cell for target, cell in zip(targets, cells, strict=True) if target}
        ours = {name: typed.get(name, "") for name in {*targets, *chosen.fixed} if name and name not in PARTS}
        ours |= {name: value for name, value in chosen.fixed.items() if not ours.get(name)}
        for name in ours.keys() & UNITS.keys():
            ours[name] = converted(ours[name], name, chosen.units.get(name, ""), raw.decimal_comma)
        if POSITION in typed:
            ours |= _placed(typed[POSITION])
        if time_column and (DATE in typed or time_column in typed):
            ours[time_column] = _timed(typed, time_column, chosen.order, zone_of(ours))
            typed.setdefault(time_column, " ".join(filter(None, (typed.get(DATE), typed.get(TIME)))))
        changed = {name: typed[name] for name in ours if typed.get(name) and typed[name] != ours[name]}
        rows.append(TextRow(line, ours, changed))
    return Table(rows, raw.decimal_comma)


def _check(
    raw: RawTable,
    targets: list[str],
    chosen: ColumnMap,
    columns: tuple[str, ...],
    needed: tuple[str, ...],
    time_column: str,
) -> None:
    wrong = []
    allowed = {*columns, *PARTS}
    for number, (name, target) in enumerate(zip(raw.header, targets, strict=True)):
        if target and target not in allowed:
            wrong.append(Remark(raw.line, name, target, "There is no such column to read it as."))
        elif target and target in targets[:number]:
            wrong.append(Remark(raw.line, name, target, "Another column is read as this already."))
    given = {*filter(None, targets), *chosen.fixed}
    if DATE in given:
        given.add(time_column)
    wrong += [
        Remark(raw.line, "header", "", f"Say which column is {name}.") for name in needed if name not in given
    ]
    if chosen.order not in ORDERS:
        raise refused("Say in which order days are written.", column="order", value=chosen.order)
    if wrong:
        raise FileError(*wrong)


def converted(text: str, column: str, unit: str, decimal_comma: bool) -> str:
    """Return the cell in the column's own unit. A unit that stands in the cell comes before the chosen one."""
    if column == "finding_length_mm":
        words = [word for word in re.split(r"[\s;/+]+", text) if word]
        lengths = [_in_own(word, column, unit, decimal_comma) for word in words]
        return " ".join(length if isinstance(length, str) else str(round(length)) for length in lengths)
    value = _in_own(text, column, unit, decimal_comma)
    return value if isinstance(value, str) else repr(round(value, 6))


def _in_own(text: str, column: str, unit: str, decimal_comma: bool) -> float | str:
    found = _VALUE.fullmatch(text.strip())
    if not found or ("," in found[1] and not decimal_comma):
        return text
    said = _SUFFIXES.get(found[2].casefold()) if found[2] else ""
    if said is None or (said and said not in UNITS[column]):
        return text
    unit = said or unit or UNITS[column][0]
    if unit == UNITS[column][0] and not said:
        return text
    number = float(found[1].replace(",", "."))
    if unit in ("°C", "°F"):
        return number if unit == "°C" else (number - 32) * 5 / 9
    if column == "call_probability":
        return number / 100 if unit == "%" else number
    return number * (_MM if column == "finding_length_mm" else _M)[unit]


def _placed(text: str) -> dict[str, str]:
    """Return latitude and longitude of one cell; what cannot be read stands as a latitude, to be refused."""
    if not text:
        return {"lat": "", "lon": ""}
    try:
        latitude, longitude = parse_position(text)
    except ValidationError:
        return {"lat": text, "lon": text}
    return {"lat": repr(latitude), "lon": repr(longitude)}


def _timed(typed: Mapping[str, str], time_column: str, order: str, zone: ZoneInfo | None) -> str:
    """Return ISO 8601 with offset; what cannot be read as it was typed, for the reader to refuse."""
    whole = typed.get(time_column, "") or " ".join(filter(None, (typed.get(DATE), typed.get(TIME))))
    try:
        given = datetime.fromisoformat(whole)
        if len(whole) <= 10:  # a day alone is its noon
            given = given.replace(hour=12)
    except ValueError:
        day, _, clock = whole.strip().partition(" ")
        if "T" in day and not clock:
            day, _, clock = day.partition("T")
        given_or_none = local_time(day, clock, order)
        if given_or_none is None:
            return whole
        given = given_or_none
    if given.tzinfo is None:
        if zone is None:
            return whole
        given = given.replace(tzinfo=zone)
    return given.isoformat()


def local_time(day: str, clock: str, order: str) -> datetime | None:
    """Return the local time of a day and a clock time as people write them, or None."""
    found = _DAY.fullmatch(day.strip())
    at = _CLOCK.fullmatch(clock.strip()) if clock.strip() else None
    if not found or (clock.strip() and not at):
        return None
    parts = dict(zip("ymd" if len(found[1]) == 4 else order, map(int, found.groups()), strict=True))
    year = parts["y"] + (2000 if parts["y"] < 100 else 0)
    hour, minute, second = (int(at[1]), int(at[2]), int(at[3] or 0)) if at else (12, 0, 0)
    if at and at[4]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if at[4].casefold() == "p" else 0)
    try:
        return datetime(year, parts["m"], parts["d"], hour, minute, second)
    except ValueError:
        return None
