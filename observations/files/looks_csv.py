"""The cells of the CSV for looks, each understood by itself. Columns and meanings: docs/import-formats.md."""

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeVar

from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError

from observations.models import Call, EchoGroup, Finding, Method, Presentation, Species
from spots.files.coordinates import parse_latitude, parse_longitude
from spots.files.known import name_key
from spots.files.report import Report
from spots.files.table import CONTROL, Table, TextRow
from spots.files.waypoints import Placed

COLUMNS = (
    "spot", "water", "lat", "lon", "started_at", "observer", "method", "minutes", "settings", "secchi_m",
    "water_temp_c", "depth_m", "echoes", "placement", "call", "call_probability", "call_size",
    "finding_species", "finding_count", "finding_length_mm", "tie", "rod_hours", "presentation", "response",
    "confirmed_by",
)  # fmt: skip
NEEDED = ("spot", "started_at", "method")
# Values that belong to the look as a whole: rows of one look may leave them empty, but not contradict.
OF_THE_LOOK = ("minutes", "settings", "secchi_m", "water_temp_c", "rod_hours")

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE = re.compile(r"[+-]?\d{1,9}", re.ASCII)
_METHODS = {name_key(label): code for code, label in Method.choices} | {code: code for code in Method.values}
T = TypeVar("T")


@dataclass(slots=True)
class Row:
    """One row, understood. `cells` has what was typed; a value is None where the cell is empty or wrong."""

    line: int
    cells: dict[str, str]
    text: TextRow
    bad: set[str] = field(default_factory=set)
    spot: str = ""
    water: str = ""
    place: Placed | None = None
    started_at: datetime | None = None
    observer: str = ""
    method: str = ""
    minutes: float | None = None
    settings: dict[str, str] = field(default_factory=dict)
    secchi_m: float | None = None
    water_temp_c: float | None = None
    depth_m: float | None = None
    echoes: int | None = None
    placement: str = ""
    call: str = ""
    call_probability: float | None = None
    call_size: str = ""
    finding_species: str = ""
    finding_count: int | None = None
    lengths_mm: tuple[int, ...] = ()
    tie: str = ""
    rod_hours: float | None = None
    presentation: str = ""
    response: str = ""
    confirmed_by: str = ""

    def typed(self, column: str) -> str:
        return self.cells.get(column, "")

    def shown(self, column: str) -> str:
        """Return the cell as it stands in the file, for a message."""
        return self.text.shown(column)


def read_rows(table: Table, species: dict[str, Species], report: Report) -> list[Row]:
    """Return the rows of a table; cells that cannot be understood are noted in the report."""
    by_name = {name_key(item.name): code for code, item in species.items()} | {code: code for code in species}
    return [_Reader(row, table, by_name, report).read() for row in table.rows]


class _Reader:
    """Reads one row, noting each cell that breaks a rule."""

    def __init__(self, row: TextRow, table: Table, species: dict[str, str], report: Report) -> None:
        self.row = Row(row.line, row.cells, row)
        self.decimal_comma = table.decimal_comma
        self.species = species
        self.report = report

    def read(self) -> Row:
        row = self.row
        for column, text in row.cells.items():
            if CONTROL.search(text):
                self.wrong(column, "The cell holds a control character.")
        row.spot = self.name("spot")
        if not row.spot and "spot" not in row.bad:
            self.wrong("spot", "A look needs its spot.")
        row.water = " ".join(row.typed("water").split())
        row.observer = " ".join(row.typed("observer").split())
        row.confirmed_by = " ".join(row.typed("confirmed_by").split())
        row.place = self.place()
        row.started_at = self.time()
        row.method = self.cell("method", self.method) or ""
        if not row.typed("method"):
            self.wrong("method", f"A look needs its method: {', '.join(Method.labels)}.")
        for column in ("minutes", "secchi_m", "water_temp_c", "depth_m", "call_probability", "rod_hours"):
            setattr(row, column, self.cell(column, self.number))
        if row.depth_m is not None and not 0 <= row.depth_m <= 500:
            self.wrong("depth_m", "A depth lies between 0 and 500 m.")
            row.depth_m = None
        row.settings = settings_of(row.typed("settings"))
        row.echoes = self.cell("echoes", self.whole)
        row.finding_count = self.cell("finding_count", self.whole)
        row.placement = self.choice("placement", EchoGroup.Placement.values)
        row.call_size = self.choice("call_size", Call.Size.values)
        row.tie = self.choice("tie", Finding.Tie.values)
        row.response = self.choice("response", Presentation.Response.values)
        row.call = self.cell("call", self.kind_of_fish) or ""
        row.finding_species = self.cell("finding_species", self.kind_of_fish) or ""
        row.lengths_mm = self.cell("finding_length_mm", self.lengths) or ()
        row.presentation = row.typed("presentation")
        if len(row.presentation) > 120:
            self.wrong("presentation", "At most 120 characters.")
        return row

    def wrong(self, column: str, rule: str) -> None:
        self.row.bad.add(column)
        self.report.error(self.row.line, column, self.row.shown(column), rule)

    def cell(self, column: str, parse: Callable[[str], T]) -> T | None:
        """Return the understood cell; None when it is empty, or wrong and noted."""
        text = self.row.typed(column)
        if not text:
            return None
        try:
            return parse(text)
        except ValidationError as error:
            self.wrong(column, error.messages[0])
            return None

    def name(self, column: str) -> str:
        name = " ".join(self.row.typed(column).split())
        if len(name) > 80:
            self.wrong(column, "A name has at most 80 characters.")
        return name

    def place(self) -> Placed | None:
        lat_text, lon_text = self.row.typed("lat"), self.row.typed("lon")
        if bool(lat_text) != bool(lon_text):
            missing = "lon" if lat_text else "lat"
            self.wrong(missing, "A position needs both lat and lon.")
            return None
        lat, lon = self.cell("lat", parse_latitude), self.cell("lon", parse_longitude)
        if lat is None or lon is None:
            return None
        return Placed(self.row.line, f"{lat_text} {lon_text}"[:80], Point(lon, lat, srid=4326))

    def time(self) -> datetime | None:
        text = self.row.typed("started_at")
        if not text:
            self.wrong("started_at", "A look needs its time, like 2026-05-01T06:30:00-05:00.")
            return None
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            self.wrong("started_at", "This is not an ISO 8601 time, like 2026-05-01T06:30:00-05:00.")
            return None
        if moment.tzinfo is None:
            self.wrong("started_at", "The time needs its offset, like 2026-05-01T06:30:00-05:00.")
            return None
        try:
            moment.astimezone(UTC)
        except OverflowError:
            self.wrong("started_at", "The time is before 1950 or lies in the future.")
            return None
        return moment

    def method(self, text: str) -> str:
        if code := _METHODS.get(name_key(text)):
            return code
        raise ValidationError(f"This is not one of {', '.join(Method.labels)}.")

    def number(self, text: str) -> float:
        plain = text.replace(",", ".") if self.decimal_comma else text
        if not _NUMBER.fullmatch(plain) or not math.isfinite(float(plain)):
            raise ValidationError("This is not a number.")
        return float(plain)

    def whole(self, text: str) -> int:
        if not _WHOLE.fullmatch(text):
            raise ValidationError("This is not a whole number.")
        if int(text) < 0:
            raise ValidationError("A count cannot be negative.")
        return int(text)

    def lengths(self, text: str) -> tuple[int, ...]:
        words = re.split(r"[\s;/+]+", text)
        if not all(_WHOLE.fullmatch(word) for word in words):
            raise ValidationError("Lengths are whole millimetres; several stand with spaces between them.")
        return tuple(int(word) for word in words)

    def choice(self, column: str, allowed: list[str]) -> str:
        text = name_key(self.row.typed(column))
        if text and text not in allowed:
            self.wrong(column, f"This is not one of {', '.join(allowed)}.")
            return ""
        return text

    def kind_of_fish(self, text: str) -> str:
        if code := self.species.get(name_key(text)):
            return code
        raise ValidationError("This is not in the club’s list of species.")


def settings_of(text: str) -> dict[str, str]:
    """Return settings typed as `frequency=455 kHz; gain=60`, or any other words as a note."""
    pairs = [part.split("=", 1) for part in text.split(";") if part.strip()]
    if pairs and all(len(pair) == 2 and pair[0].strip() for pair in pairs):
        return {name.strip(): value.strip() for name, value in pairs}
    return {"note": text} if text else {}


def settings_text(settings: dict[str, object]) -> str:
    """Return settings as `settings_of` reads them."""
    if set(settings) == {"note"}:
        return str(settings["note"])
    return "; ".join(f"{name}={value}" for name, value in settings.items())


def of_the_look(row: Row) -> Iterator[tuple[str, object]]:
    """Yield the filled values of a row that belong to its look as a whole."""
    for column in OF_THE_LOOK:
        value = getattr(row, column)
        if value is not None and value != {}:
            yield column, value
