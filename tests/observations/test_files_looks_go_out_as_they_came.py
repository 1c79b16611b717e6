"""The CSV out is the CSV in: read back, it makes the same looks; and it holds only what its reader sees exactly."""

import csv
import io
from collections.abc import Callable
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client
from hypothesis import HealthCheck, Phase, settings
from hypothesis import given as drawn
from hypothesis import strategies as st

from observations.files.looks_csv import COLUMNS, settings_of
from observations.files.looks_export import write_looks
from observations.models import Observation
from spots.files.table import guarded
from spots.models import Position, Water
from tests.conftest import NOON, Cast, Places, look, see, sonar
from tests.observations.files_kit import camera_row, csv_of, imported, planned, sonar_row

pytestmark = pytest.mark.usefixtures("quiet_queue")
ROWS = [
    sonar_row(
        minutes="2.5", settings="frequency=455 kHz; gain=60", secchi_m="1.2", water_temp_c="18.25", depth_m="4.5",
        placement="in front", call="crappie", call_probability="0.65", call_size="middle", echoes="6",
        lat="45.0123456", lon="-93.2876543", observer="Member", response="followed", presentation="-1/8 oz jig",
    ),
    sonar_row(echoes="30", call="bait", observer="Member"),
    camera_row(
        finding_species="white crappie", finding_count="2", finding_length_mm="250 231", tie="same fish",
        depth_m="4", confirmed_by="Checker", observer="Member",
    ),
    camera_row(finding_species="bluegill", finding_count="1", tie="same cover", minutes="", observer="Member"),
    camera_row(method="rod and line", rod_hours="1.5", finding_count="0", observer="Rival", settings="slow"),
]  # fmt: skip


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def same(column: str, out: str, given: str) -> bool:
    if column == "settings":
        return settings_of(out) == settings_of(given)
    return not given or out.removeprefix("'") == str(given)


def test_every_cell_comes_back(cast: Cast, water: Water) -> None:
    imported(cast.organiser, "a.csv", csv_of(*ROWS), water="Test water")
    with see(cast, "organiser"):
        out = rows_of(write_looks()[0])
    assert len(out) == len(ROWS)
    for given in ROWS:
        # What belongs to the look stands in its first row; settings are kept by name, in no order.
        assert any(all(same(column, row[column], value) for column, value in given.items()) for row in out), (
            given
        )
    assert {row["presentation"] for row in out if row["presentation"]} == {"'-1/8 oz jig"}


def test_what_went_out_is_there_already_when_it_comes_in(cast: Cast, water: Water) -> None:
    imported(cast.organiser, "a.csv", csv_of(*ROWS), water="Test water")
    with see(cast, "organiser"):
        text, _ = write_looks()
    plan = planned(cast.organiser, "b.csv", text.encode())
    assert plan.report.errors == [] and plan.is_empty
    # In another club, with the same people and water, it makes the same looks.
    before = sorted(Observation.objects.values_list("method", "started_at", "minutes", "settings"), key=str)
    Observation.objects.all().delete()
    imported(cast.organiser, "b.csv", text.encode())
    after = sorted(Observation.objects.values_list("method", "started_at", "minutes", "settings"), key=str)
    assert after == before


def test_only_looks_at_spots_seen_exactly_go_out(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    look(cast, "organiser", places.club, "2d", NOON, groups=sonar("crappie", 0.8), note="canary note")
    look(cast, "member", places.private, "2d", NOON, groups=sonar("bait", 0.9))
    look(cast, "member", places.shared, "2d", NOON, groups=sonar("bait", 0.9))
    body = client_of("newcomer").get("/export/looks.csv").content.decode()
    assert [row["spot"] for row in rows_of(body)] == ["Canary Shared Pile"]
    for hidden in (places.club, places.private):
        assert str(Position.objects.get(spot=hidden).point.x) not in body
    own = rows_of(client_of("member").get("/export/looks.csv").content.decode())
    assert {row["spot"] for row in own} == {"Canary Shared Pile", "Canary Private Laydown"}
    assert client_of("guest").get("/export/looks.csv").status_code == 404
    assert client_of("member").get("/export/looks.csv?water=Nowhere").status_code == 404


def test_the_command_writes_a_private_file(cast: Cast, places: Places, tmp_path: Any) -> None:
    path = tmp_path / "spots.gpx"
    call_command("export", "spots.gpx", "--as", "member", "--out", str(path))
    assert "Canary Private Laydown" in path.read_text() and path.stat().st_mode & 0o777 == 0o600
    out = io.StringIO()
    call_command("export", "looks.csv", "--as", "rival", "--water", "test water", stdout=out)
    assert out.getvalue().startswith("spot,water,lat,lon,started_at")


_WORDS = st.text("ab é,;\"'=+-@#|", max_size=12).map(str.strip)
_TENTHS = st.integers(0, 400).map(lambda n: repr(n / 10))
_GROUP = st.fixed_dictionaries(
    {
        "echoes": st.integers(1, 60).map(str),
        "placement": st.sampled_from(
            ["over", "in", "beside", "in front", "on bottom", "suspended", "roaming", ""]
        ),
        "depth_m": _TENTHS | st.just(""),
        "call": st.sampled_from(["", "bluegill", "bait", "not fish", "black bass"]),
    }
)
_LOOK = st.fixed_dictionaries({"minutes": _TENTHS, "secchi_m": _TENTHS.filter(lambda v: float(v) <= 50)})
_CAUGHT = st.fixed_dictionaries(
    {
        "rod_hours": _TENTHS,
        "presentation": _WORDS,
        "finding_count": st.integers(3, 30).map(str),
        "finding_length_mm": st.lists(st.integers(60, 350), max_size=3).map(lambda v: " ".join(map(str, v))),
        "settings": _WORDS.map(lambda text: text.replace("=", "")),
    }
)


# Without shrinking: an example costs a third of a second.
@settings(
    max_examples=8,
    deadline=None,
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@drawn(of_look=_LOOK, groups=st.lists(_GROUP, min_size=1, max_size=3), caught=_CAUGHT)
def test_whatever_goes_out_comes_back_as_it_was(
    cast: Cast, water: Water, of_look: dict[str, str], groups: list[dict[str, str]], caught: dict[str, str]
) -> None:
    rows = [sonar_row(**(of_look if n == 0 else {}), **group) for n, group in enumerate(groups)]
    rows.append(
        camera_row(**{"method": "rod and line", "minutes": "", "finding_species": "bluegill"} | caught)
    )
    for row in rows:
        row |= {column: guarded(row[column]) for column in ("presentation", "settings") if column in row}
    Observation.objects.all().delete()
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="")
    writer.writeheader()
    writer.writerows(rows)
    imported(cast.organiser, "a.csv", out.getvalue().encode(), water="Test water")
    with see(cast, "organiser"):
        first, _ = write_looks()
    Observation.objects.all().delete()
    imported(cast.organiser, "b.csv", first.encode())
    with see(cast, "organiser"):
        second, _ = write_looks()
    assert second == first and len(rows_of(second)) == len(rows)
    (landed,) = [row for row in rows_of(second) if row["finding_species"]]
    assert landed["finding_length_mm"] == caught["finding_length_mm"]
    assert landed["presentation"] == guarded(caught["presentation"])
