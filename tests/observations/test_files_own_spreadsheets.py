"""A spreadsheet with columns of its own: what they are is chosen once, in any units, and remembered per member.

Feet are those of 1959 (0.3048 m), inches 25.4 mm; 64 °F are 17.8 °C by the definition of the scale.
"""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from observations.import_models import ImportMap
from observations.models import Finding, Observation
from spots.files.guessing import guess, guess_order
from spots.files.mapping import converted, local_time
from spots.files.spots_csv import READ
from spots.models import Position, Sheet, Water
from tests.conftest import Cast, see
from tests.observations.files_kit import errors, imported, planned

ClientOf = Callable[..., Client]
pytestmark = pytest.mark.usefixtures("quiet_queue")
SHEET = (
    b"Waypoint;Lat;Long;Day;Clock;Depth (ft);Temp F;Fish;How many;Length;Lure\r\n"
    b"Old Brush;45,01;-93,29;5/1/26;6:30 PM;18;64;bluegill;2;7,5 8;jig\r\n"
    b"Old Brush;45,01;-93,29;5/2/26;6:30;12 m;64;bluegill;1;;jig\r\n"
)
CHOICE = {
    "columns": {
        "waypoint": "spot",
        "lat": "lat",
        "long": "lon",
        "day": "date",
        "clock": "time",
        "depth (ft)": "depth_m",
        "temp f": "water_temp_c",
        "fish": "finding_species",
        "how many": "finding_count",
        "length": "finding_length_mm",
        "lure": "presentation",
    },
    "units": {"depth_m": "ft", "water_temp_c": "°F", "finding_length_mm": "in"},
    "fixed": {"method": "rod and line"},
    "order": "mdy",
}


def choose(cast: Cast, persona: str, header: str, **choice: Any) -> None:
    names = [name.casefold() for name in header.split(";")]
    with see(cast, persona):
        ImportMap.objects.create(member=getattr(cast, persona), header=names, **choice)


def test_a_club_sheet_in_feet_and_fahrenheit_becomes_looks(cast: Cast, water: Water) -> None:
    choose(cast, "member", SHEET.decode().split("\r\n")[0], kind="looks", **CHOICE)
    imported(cast.member, "old.csv", SHEET)
    first, second = Observation.objects.order_by("started_at")
    assert first.started_at == datetime.fromisoformat("2026-05-01T18:30:00-05:00")  # the water's clock
    assert second.started_at == datetime.fromisoformat("2026-05-02T06:30:00-05:00")
    assert first.method == "rod" and first.water_temp_c == pytest.approx(17.7778, abs=1e-4)
    found = Finding.objects.get(look=first)
    assert found.depth_m == pytest.approx(18 * 0.3048) and (found.count, found.lengths_mm) == (2, [190, 203])
    assert Finding.objects.get(look=second).depth_m == 12, "a unit in the cell comes before the chosen one"


def test_what_is_wrong_is_told_as_it_was_typed(cast: Cast, water: Water) -> None:
    choose(cast, "member", SHEET.decode().split("\r\n")[0], kind="looks", **CHOICE)
    bad = SHEET.replace(b";64;", b";six;", 1).replace(b"5/2/26", b"13/2/26").replace(b";18;", b";1800;")
    told = [(line, column, value) for line, column, value, _ in errors(planned(cast.member, "old.csv", bad))]
    assert told == [
        (2, "depth_m", "1800"),
        (2, "water_temp_c", "six"),
        (3, "started_at", "13/2/26 6:30"),
    ]


def test_the_choice_is_one_members_own_and_for_one_header(cast: Cast, water: Water) -> None:
    choose(cast, "member", SHEET.decode().split("\r\n")[0], kind="looks", **CHOICE)
    assert planned(cast.member, "again.csv", SHEET).ok
    assert {name for _, name, _, _ in errors(planned(cast.newcomer, "old.csv", SHEET))} == {"header"}
    other = SHEET.replace(b"Lure", b"Bait")
    assert {name for _, name, _, _ in errors(planned(cast.member, "old.csv", other))} == {"header"}
    with see(cast, "newcomer"):
        assert not ImportMap.objects.exists()


def test_two_columns_of_one_meaning_and_missing_ones_are_named(cast: Cast, water: Water) -> None:
    columns = CHOICE["columns"] | {"lure": "spot", "day": ""}
    choose(cast, "member", SHEET.decode().split("\r\n")[0], kind="looks", **(CHOICE | {"columns": columns}))
    rules = [rule for _, _, _, rule in errors(planned(cast.member, "old.csv", SHEET))]
    assert rules == ["Another column is read as this already.", "Say which column is started_at."]


def test_the_page_asks_remembers_and_reads(
    cast: Cast, water: Water, client_of: ClientOf, settings: Any, tmp_path: Path
) -> None:
    settings.STATE_DIR = tmp_path
    client = client_of("member")
    data = b'Place,Coordinates,Top (ft),Remarks\nHump,"45 00.6 N, 93 17.4 W",10,weedy\n'
    page = client.post("/import/", {"step": "upload", "file": SimpleUploadedFile("mine.csv", data)})
    assert page.status_code == 422 and "Say what its columns are" in page.content.decode()
    token = client.session["held_import"]["token"]
    posted = {
        "step": "columns", "token": token, "kind": "spots", "order": "ymd",
        "column-0": "name", "column-1": "position", "column-2": "depth_min_m", "unit-2": "ft", "column-3": "notes",
    }  # fmt: skip
    page = client.post("/import/", posted)
    assert page.status_code == 200 and "as you chose them" in page.content.decode()
    client.post("/import/", {"step": "save", "token": token})
    sheet = Sheet.objects.get()
    assert (sheet.name, sheet.notes, sheet.depth_min_m) == ("Hump", "weedy", pytest.approx(3.048))
    point = Position.objects.get().point
    assert (point.y, point.x) == (pytest.approx(45.01), pytest.approx(-93.29))


@pytest.mark.parametrize(
    ("text", "column", "unit", "expected"),
    [
        ("18", "depth_m", "ft", "5.4864"),
        ("18 ft", "depth_m", "", "5.4864"),
        ("18'", "depth_m", "m", "5.4864"),
        ("12", "finding_length_mm", "in", "305"),
        ('12" 30cm', "finding_length_mm", "mm", "305 300"),
        ("50", "water_temp_c", "°F", "10.0"),
        ("10 °C", "water_temp_c", "°F", "10.0"),
        ("80%", "call_probability", "", "0.8"),
        ("deep", "depth_m", "ft", "deep"),
        ("18 kg", "depth_m", "ft", "18 kg"),
        ("1e9", "depth_m", "ft", "1e9"),
    ],
)
def test_units(text: str, column: str, unit: str, expected: str) -> None:
    assert converted(text, column, unit, decimal_comma=False) == expected


@pytest.mark.parametrize(
    ("day", "clock", "order", "expected"),
    [
        ("5/1/2026", "6:30 AM", "mdy", datetime(2026, 5, 1, 6, 30)),
        ("1.5.26", "18:30:15", "dmy", datetime(2026, 5, 1, 18, 30, 15)),
        ("2026-5-1", "12:05 am", "dmy", datetime(2026, 5, 1, 0, 5)),
        ("5/1/2026", "", "mdy", datetime(2026, 5, 1, 12)),
        ("31/1/2026", "6:30", "mdy", None),
        ("5/1/2026", "13:30 PM", "mdy", None),
        ("May 1", "", "mdy", None),
    ],
)
def test_days_and_clocks(day: str, clock: str, order: str, expected: datetime | None) -> None:
    assert local_time(day, clock, order) == expected


def test_a_first_guess_is_made_from_the_names() -> None:
    columns, units = guess(
        ["waypoint", "latitude", "longitude", "depth (ft)", "comments", "wife's name"], READ
    )
    assert columns == {
        "waypoint": "name",
        "latitude": "lat",
        "longitude": "lon",
        "depth (ft)": "depth_min_m",
        "comments": "notes",
    }
    assert units == {"depth_min_m": "ft"}


@pytest.mark.parametrize(
    ("days", "month_first", "order"),
    [
        (["2026-05-01"], True, "ymd"),
        (["1/2/26", "31/1/26"], True, "dmy"),
        (["1/2/26", "1/31/26"], False, "mdy"),
        (["1/2/26"], True, "mdy"),
        (["1/2/26"], False, "dmy"),
    ],
)
def test_the_order_of_a_day_is_guessed_from_what_it_cannot_be(
    days: list[str], month_first: bool, order: str
) -> None:
    assert guess_order(days, month_first=month_first) == order
