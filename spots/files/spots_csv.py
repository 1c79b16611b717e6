"""Spots as a CSV: one row a spot, out as exactly as it was released, and in."""

import csv
import io
import re
import uuid
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError

from spots.files.report import Report
from spots.files.rows import SpotRow
from spots.files.table import CONTROL, Table, TextRow, guarded, number_of
from spots.models import Sheet
from spots.precision import ReleasedSpot

# What is known of an exact spot, and what of any.
OF_A_SPOT = (
    "id", "name", "water", "lat", "lon", "depth_min_m", "depth_max_m", "cover", "structure", "provenance",
    "placed_on", "notes", "permission",
)  # fmt: skip
AS_SHOWN = ("precision", "zone_ha", "band_from_m", "band_to_m", "sharing")
COLUMNS = (*OF_A_SPOT, *AS_SHOWN)
READ = (*COLUMNS, "symbol")
NEEDED = ("name",)


def write_spots_csv(spots: Sequence[ReleasedSpot], waters: Mapping[uuid.UUID, str]) -> str:
    """Return the CSV of all the spots, in their order; a cell is empty where nothing is known or shown."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    for spot in spots:
        writer.writerow({name: _cell(value) for name, value in _row(spot, waters).items()})
    return out.getvalue()


def _row(spot: ReleasedSpot, waters: Mapping[uuid.UUID, str]) -> dict[str, Any]:
    longitude, latitude = spot.geometry["coordinates"] if _has_point(spot) and spot.geometry else (None, None)
    return {
        "id": spot.id,
        "name": spot.label,
        "water": waters[spot.water_id],
        "lat": latitude,
        "lon": longitude,
        **{name: getattr(spot, name) for name in OF_A_SPOT[5:]},
        "precision": spot.precision,
        "zone_ha": None if spot.zone_ha is None else round(spot.zone_ha, 1),
        "band_from_m": spot.band_from_m,
        "band_to_m": spot.band_to_m,
        "sharing": spot.sharing,
    }


def _has_point(spot: ReleasedSpot) -> bool:
    return spot.geometry is not None and spot.geometry["type"] == "Point"


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return repr(value)
    return "" if value is None else guarded(str(value))


_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def read_spots_csv(table: Table, report: Report) -> tuple[list[SpotRow], int]:
    """Return the spots of a table, and how many rows are left out: known by their zone or water alone."""
    rows, left_out = [], 0
    for row in table.rows:
        shown = row.cells.get("precision", "")
        if shown == "area" or (shown == "water" and not row.cells.get("provenance")):
            left_out += 1
        else:
            rows.append(_read(row, table, report))
    return rows, left_out


def _read(row: TextRow, table: Table, report: Report) -> SpotRow:
    cells = row.cells
    for name, cell in cells.items():
        if CONTROL.search(cell):
            report.error(row.line, name, row.shown(name), "The cell holds a control character.")
    out = SpotRow(
        row.line,
        name=" ".join(cells.get("name", "").split()),
        lat=cells.get("lat", ""),
        lon=cells.get("lon", ""),
        notes=cells.get("notes", ""),
        water=cells.get("water", ""),
        id=cells.get("id", ""),
        symbol=cells.get("symbol", ""),
        sheet={name: cells[name] for name in ("cover", "structure", "permission") if cells.get(name)},
    )
    for name in ("depth_min_m", "depth_max_m"):
        if text := cells.get(name):
            try:
                out.sheet[name] = number_of(text, table.decimal_comma)
            except ValidationError as error:
                report.error(row.line, name, row.shown(name), error.messages[0])
    if text := cells.get("provenance", ""):
        named = {str(label): code for code, label in Sheet.Provenance.choices} | {
            code: code for code in Sheet.Provenance.values
        }
        if text.casefold() in named:
            out.sheet["provenance"] = named[text.casefold()]
        else:
            report.error(
                row.line, "provenance", text, f"This is not one of {', '.join(Sheet.Provenance.labels)}."
            )
    if text := cells.get("placed_on", ""):
        try:
            out.sheet["placed_on"] = date.fromisoformat(text if _DAY.fullmatch(text) else "")
        except ValueError:
            report.error(row.line, "placed_on", row.shown("placed_on"), "This is not a day, like 2026-05-01.")
    return out
