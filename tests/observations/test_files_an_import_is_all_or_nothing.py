"""The whole file or none of it; and it stays quick at a club's size."""

import io
from pathlib import Path
from time import perf_counter
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from observations.models import Call, Confirmation, Finding, Observation
from spots.models import Position, Spot, Water
from tests.conftest import Cast
from tests.observations.files_kit import camera_row, csv_of, errors, gpx_of, planned, sonar_row

pytestmark = pytest.mark.usefixtures("quiet_queue")


def many_waypoints(number: int = 1000) -> bytes:
    return gpx_of(*((45.002 + n // 40 * 0.002, -93.298 + n % 40 * 0.0014, f"W{n:04}") for n in range(number)))


def many_looks(number: int = 5000) -> list[dict[str, Any]]:
    rows = []
    for n in range(number):
        cells = {"spot": f"W{n % 1000:04}", "water": "Test water", "observer": f"Angler {n % 12}"}
        at = f"2026-{4 + n // 1000:02}-{1 + n % 28:02}T{6 + n % 12:02}:{n % 60:02}:00-05:00"
        if n % 5 == 4:
            row = camera_row(
                finding_species="Largemouth Bass", finding_count=2, water_temp_c=18.5, confirmed_by="Checker"
            )
        else:
            row = sonar_row(call="black bass", call_probability=0.7, water_temp_c=18.5, placement="Beside")
        rows.append({**row, **cells, "started_at": at})
    return rows


def run(path: Path, *arguments: str) -> str:
    out = io.StringIO()
    call_command("importfile", str(path), *arguments, stdout=out, stderr=out)
    return out.getvalue()


def test_a_thousand_waypoints_and_five_thousand_rows_are_imported(
    cast: Cast, water: Water, tmp_path: Path
) -> None:
    gpx, csv = tmp_path / "plotter.gpx", tmp_path / "old.csv"
    gpx.write_bytes(many_waypoints())
    csv.write_bytes(csv_of(*many_looks()))
    start = perf_counter()
    run(gpx, "--as", "organiser")
    between = perf_counter()
    run(csv, "--as", "organiser", "--create-members")
    end = perf_counter()
    print(f"\n1,000 waypoints {between - start:.1f} s, 5,000 rows {end - between:.1f} s")
    assert Spot.objects.count() == Position.objects.count() == 1000
    assert Observation.objects.count() == 5000
    assert Finding.objects.filter(verified_at__isnull=False).count() == Confirmation.objects.count() == 1000
    assert Call.objects.count() == 4000


def test_a_bad_row_4711_is_named_and_nothing_is_saved(cast: Cast, water: Water, tmp_path: Path) -> None:
    rows = many_looks()
    # The header is line 1, so that line 4711 is the row of index 4709.
    rows[4709]["water_temp_c"] = "61"
    path = tmp_path / "old.csv"
    path.write_bytes(csv_of(*rows))
    out = io.StringIO()
    with pytest.raises(CommandError, match=r"1 error\. Nothing was saved"):
        call_command("importfile", str(path), "--as", "organiser", "--create-members", stdout=out, stderr=out)
    said = [line for line in out.getvalue().splitlines() if "Error" in line]
    assert said == [
        'Error: line 4711: water_temp_c "61": 61 is not possible: it must lie between -2 and 45 °C.'
    ]
    assert Spot.objects.count() == Observation.objects.count() == Finding.objects.count() == 0
    assert type(cast.member).objects.count() == 8


def test_every_bad_row_is_named_not_only_the_first(cast: Cast, water: Water) -> None:
    rows = [sonar_row(water="Test water", spot=f"S{n}") for n in range(6)]
    rows[1]["echoes"] = "-3"
    rows[4]["method"] = "sonar"
    plan = planned(cast.organiser, "a.csv", csv_of(*rows))
    assert [(line, column, value) for line, column, value, _ in errors(plan)] == [
        (3, "echoes", "-3"),
        (6, "method", "sonar"),
    ]


def test_a_dry_run_says_what_would_be_saved_and_saves_nothing(
    cast: Cast, water: Water, tmp_path: Path
) -> None:
    path = tmp_path / "plotter.gpx"
    path.write_bytes(gpx_of((45.01, -93.29, "One")))
    said = run(path, "--as", "member", "--dry-run")
    assert "1 spot\n" in said and "Only you, exactly." in said
    assert not Spot.objects.exists()


def test_a_fault_of_the_database_undoes_the_spots_too(
    cast: Cast, water: Water, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from django.db import DataError

    from observations.files import importer

    def fail(*_: Any) -> None:
        raise DataError("no space left on device")

    monkeypatch.setattr(importer, "save_looks", fail)
    path = tmp_path / "old.csv"
    path.write_bytes(csv_of(sonar_row(water="Test water")))
    with pytest.raises(CommandError, match="Nothing was saved"):
        run(path, "--as", "organiser")
    assert not Spot.objects.exists()


def test_an_unknown_importer_or_file_is_refused_by_name(cast: Cast, tmp_path: Path) -> None:
    path = tmp_path / "plotter.gpx"
    with pytest.raises(CommandError, match="cannot be read"):
        run(path, "--as", "member")
    path.write_bytes(gpx_of((45.01, -93.29, "One")))
    with pytest.raises(CommandError, match='nobody signs in as "stranger"'):
        run(path, "--as", "stranger")
