"""Each slip in a CSV of looks is named by line, column, value and rule, and nothing is half-saved."""

from typing import Any

import pytest

from observations.files.looks_csv import COLUMNS
from spots.models import Water
from tests.conftest import Cast
from tests.observations.files_kit import camera_row, csv_of, errors, planned, sonar_row, warnings

pytestmark = pytest.mark.usefixtures("quiet_queue")


def told(cast: Cast, *rows: dict[str, Any], **more: Any) -> list[tuple[int, str, str, str]]:
    return errors(planned(cast.organiser, "a.csv", csv_of(*rows, **more), water="Test water"))


@pytest.mark.parametrize(
    ("cells", "column", "rule"),
    [
        ({"spot": ""}, "spot", "needs its spot"),
        ({"spot": "x" * 81}, "spot", "at most 80 characters"),
        ({"method": "sonar"}, "method", "not one of 2D sonar, down-looking imaging sonar"),
        ({"method": ""}, "method", "needs its method"),
        ({"started_at": ""}, "started_at", "needs its time"),
        ({"started_at": "2026-05-01T06:30:00"}, "started_at", "needs its offset"),
        ({"started_at": "2026-05-01"}, "started_at", "needs its offset"),
        ({"started_at": "1 May 2026"}, "started_at", "not an ISO 8601 time"),
        ({"started_at": "2026-02-30T06:30:00-05:00"}, "started_at", "not an ISO 8601 time"),
        ({"started_at": "2126-05-01T06:30:00-05:00"}, "started_at", "lies in the future"),
        ({"started_at": "0001-01-01T00:00:00+14:00"}, "started_at", "before 1950"),
        ({"started_at": "2026-05-01T06:30:00+23:00"}, "started_at", "must lie between -1080 and 1080"),
        ({"echoes": ""}, "echoes", "Say what the screen showed"),
        ({"echoes": "-1"}, "echoes", "cannot be negative"),
        ({"echoes": "1.5"}, "echoes", "not a whole number"),
        ({"echoes": "4–8"}, "echoes", "not a whole number"),
        ({"echoes": "999999999"}, "echoes", "not possible"),
        ({"water_temp_c": "nan"}, "water_temp_c", "not a number"),
        ({"water_temp_c": "inf"}, "water_temp_c", "not a number"),
        ({"water_temp_c": "1e999"}, "water_temp_c", "This is not a number"),
        ({"water_temp_c": "61"}, "water_temp_c", "between -2 and 45"),
        ({"water_temp_c": "18,5"}, "", "The row has"),
        ({"secchi_m": "-1"}, "secchi_m", "between 0 and 50"),
        ({"minutes": "2000"}, "minutes", "between 0 and 1440"),
        ({"depth_m": "900"}, "depth_m", "between 0 and 500 m"),
        ({"depth_m": "-3"}, "depth_m", "between 0 and 500 m"),
        ({"rod_hours": "2"}, "rod_hours", "belong to rod and line"),
        ({"placement": "under"}, "placement", "not one of over, in, beside, in front, on bottom"),
        ({"call": "black drum"}, "call", "list of species"),
        ({"call": "bait", "call_probability": "70"}, "call_probability", "not above 0 and at most 1"),
        ({"call": "bait", "call_probability": "0"}, "call_probability", "not above 0 and at most 1"),
        ({"call": "bait", "call_probability": "NaN"}, "call_probability", "not a number"),
        ({"call_probability": "0.7"}, "call_probability", "belongs to a call"),
        ({"call_size": "large"}, "call_size", "belongs to a call"),
        ({"call": "bait", "call_size": "huge"}, "call_size", "not one of small, middle, large"),
        ({"echoes": "0", "call": "bait"}, "call", "no echoes to call"),
        ({"finding_species": "walleye"}, "finding_species", "Only a camera or a fish in hand proves"),
        ({"finding_count": "1"}, "finding_count", "Only a camera or a fish in hand proves"),
        ({"tie": "same fish"}, "tie", "belongs to a finding"),
        ({"finding_length_mm": "400"}, "finding_length_mm", "belongs to a finding"),
        ({"confirmed_by": "Checker"}, "confirmed_by", "no finding in this row"),
        ({"response": "jumped"}, "response", "not one of none, followed, bit"),
        ({"presentation": "x" * 121}, "presentation", "At most 120 characters"),
        ({"lat": "45.01"}, "lon", "both lat and lon"),
        ({"lat": "nan", "lon": "-93.29"}, "lat", "latitude cannot be read"),
        ({"lat": "95", "lon": "-93.29"}, "lat", "within ±90"),
        ({"lat": "46.0", "lon": "-93.29"}, "position", "off Test water"),
        ({"water": "Loch Nowhere"}, "water", "no water of this name"),
        ({"observer": "Who Ever"}, "observer", "No member has this name"),
        ({"observer": "Guest"}, "observer", "This is a guest"),
        ({"settings": "\x07"}, "settings", "control character"),
    ],
)
def test_a_sonar_row(cast: Cast, water: Water, cells: dict[str, str], column: str, rule: str) -> None:
    found = told(cast, sonar_row(spot="Before"), sonar_row(**cells))
    assert [(line, name) for line, name, _, _ in found] == [(3, column)]
    assert rule in found[0][3]
    if column and column != "position":
        assert found[0][2] == cells.get(column, "")


@pytest.mark.parametrize(
    ("cells", "column", "rule"),
    [
        ({"echoes": "3"}, "echoes", "belong to a sonar look"),
        ({"call": "bait"}, "echoes", "belong to a sonar look"),
        ({"finding_species": "black bass"}, "finding_species", "a finding names a species"),
        ({"finding_species": "Largemuth"}, "finding_species", "list of species"),
        ({"finding_species": "walleye", "finding_count": "0"}, "finding_count", "1 to 10,000"),
        ({"finding_count": "2"}, "finding_species", "Name the species"),
        (
            {"finding_species": "bluegill", "finding_length_mm": "4000"},
            "finding_length_mm",
            "not possible for",
        ),
        (
            {"finding_species": "bluegill", "finding_length_mm": "120 130"},
            "finding_length_mm",
            "2 lengths for 1",
        ),
        (
            {"finding_species": "bluegill", "finding_length_mm": "12.5"},
            "finding_length_mm",
            "whole millimetres",
        ),
        ({"finding_species": "bluegill", "tie": "same boat"}, "tie", "not one of same fish, same cover"),
        ({"finding_count": "0", "tie": "same fish"}, "tie", "belongs to a finding"),
        ({"finding_species": "bluegill", "confirmed_by": "Organiser"}, "confirmed_by", "their own finding"),
    ],
)
def test_a_camera_row(cast: Cast, water: Water, cells: dict[str, str], column: str, rule: str) -> None:
    found = told(cast, camera_row(**cells))
    assert [(line, name) for line, name, _, _ in found] == [(2, column)]
    assert rule in found[0][3]


def test_rows_of_one_look_may_not_contradict(cast: Cast, water: Water) -> None:
    found = told(
        cast,
        sonar_row(water_temp_c="18"),
        sonar_row(water_temp_c="19", secchi_m="2"),
        sonar_row(echoes="0"),
        camera_row(finding_species="walleye"),
        camera_row(finding_species="Walleye"),
        camera_row(finding_count="0"),
    )
    assert [(line, column, rule) for line, column, _, rule in found] == [
        (3, "water_temp_c", "Line 2 says otherwise of the same look."),
        (4, "echoes", "Line 2 says otherwise of the same look."),
        (
            6,
            "finding_species",
            "The look of line 5 has this species already: one row for it, with its number.",
        ),
        (7, "finding_count", "Line 5 says otherwise of the same look."),
    ]


def test_columns_are_checked_before_anything_else(cast: Cast, water: Water) -> None:
    def wrong(header: str) -> list[tuple[int, str, str, str]]:
        return errors(planned(cast.organiser, "a.csv", f"{header}\n".encode()))

    assert wrong("spot,started_at,method,weather")[0][:3] == (1, "header", "weather")
    assert [item[3] for item in wrong("spot,method,spot")] == [
        "The column started_at is missing.",
        "The column stands twice.",
    ]
    assert wrong("spot,,started_at,method")[0][1:] == ("column 2", "", "The column has no name.")
    assert wrong("spot,started_at,method")[0][3] == "The file has a header and no rows."
    assert wrong("")[0][3] == "The file is empty."


def test_the_order_of_columns_is_free_and_their_case_too(cast: Cast, water: Water) -> None:
    columns = ["METHOD", "Started_At", " echoes ", "spot"]
    data = ",".join(columns) + "\n2d,2026-05-01T06:30:00-05:00,3,New\n"
    assert planned(cast.organiser, "a.csv", data.encode(), water="Test water").ok


def test_a_bom_and_semicolons_with_decimal_commas_are_understood(cast: Cast, water: Water) -> None:
    data = b"\xef\xbb\xbf" + csv_of(sonar_row(water_temp_c="18,5", secchi_m="1,25"), separator=";")
    plan = planned(cast.organiser, "a.csv", data, water="Test water")
    assert plan.report.errors == []
    ((draft, _),) = plan.looks.looks
    assert (draft.water_temp_c, draft.secchi_m) == (18.5, 1.25)


def test_lines_are_counted_through_quoted_line_ends_and_crlf(cast: Cast, water: Water) -> None:
    data = (
        'spot,started_at,method,echoes,settings\r\n"A","2026-05-01T06:30:00-05:00",2d,1,"two\r\nlines"\r\n'
        "\r\nB,2026-05-01T06:30:00-05:00,2d,x,\r\n"
    )
    found = errors(planned(cast.organiser, "a.csv", data.encode(), water="Test water"))
    assert [(line, column, value) for line, column, value, _ in found] == [(5, "echoes", "x")]


@pytest.mark.parametrize(
    ("data", "line", "rule"),
    [
        ("spot,started_at,method\nCañada,x,2d\n".encode("cp1252"), 2, "Byte 0xf1 is not UTF-8 text"),
        ("spot,started_at,method\n".encode("utf-16"), 1, "The file is UTF-16"),
        (b"spot,started_at,method\nA,\0,2d\n", 2, "NUL character"),
        (b'spot,started_at,method\nA,x,"2d\n', 2, "cannot be read as CSV"),
        (b'spot,started_at,method\nA,x,"2"d\n', 2, "cannot be read as CSV"),
        (b"spot,started_at,method\nA,x\n", 2, "The row has 2 cells, the header 3."),
        (b"spot,started_at,method\nA,x,2d,9\n", 2, "The row has 4 cells, the header 3."),
    ],
)
def test_text_that_cannot_be_read_is_named_by_line(cast: Cast, data: bytes, line: int, rule: str) -> None:
    found = errors(planned(cast.organiser, "a.csv", data))
    assert found[0][0] == line and rule in found[0][3]


def test_too_many_rows_and_unknown_endings_are_refused(cast: Cast) -> None:
    many = b"spot,started_at,method\n" + b"A,x,2d\n" * 50_001
    assert "more than 50,000 rows" in errors(planned(cast.organiser, "a.csv", many))[0][3]
    assert errors(planned(cast.organiser, "a.xlsx", b"PK"))[0][1:3] == ("file", "a.xlsx")


def test_a_row_of_the_wrong_spot_name_with_no_water_says_what_it_needs(cast: Cast, water: Water) -> None:
    found = errors(planned(cast.organiser, "a.csv", csv_of(sonar_row())))
    assert found[0][:3] == (2, "spot", "Old Brush") and "needs its water" in found[0][3]


def test_what_is_taken_as_none_is_said(cast: Cast, water: Water) -> None:
    plan = planned(cast.organiser, "a.csv", csv_of(camera_row()), water="Test water")
    assert warnings(plan) == [
        (2, "finding_count", "Neither species nor count: taken as looked and found none.")
    ]


def test_every_column_of_the_documentation_is_known() -> None:
    from pathlib import Path

    text = (Path(__file__).parents[2] / "docs" / "import-formats.md").read_text()
    assert all(f"| `{column}` |" in text for column in COLUMNS)
