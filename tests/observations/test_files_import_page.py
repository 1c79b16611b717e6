"""The import page: upload, preview, confirm; the file is held privately and goes afterwards."""

import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client

from observations.models import Observation
from spots.models import Position, Spot, Water
from tests.conftest import Cast, Places, see
from tests.observations.files_kit import csv_of, gpx_of, sonar_row

ClientOf = Callable[..., Client]
GPX = gpx_of((45.01, -93.29, "Canary New Hump"))


@pytest.fixture(autouse=True)
def state_dir(settings: Any, tmp_path: Path, quiet_queue: Any) -> Path:
    settings.STATE_DIR = tmp_path
    return tmp_path / "imports"


def upload(client: Client, name: str, data: bytes, **fields: str) -> HttpResponse:
    return client.post("/import/", {"step": "upload", "file": SimpleUploadedFile(name, data), **fields})


def token_of(client: Client) -> str:
    return str(client.session["held_import"]["token"])


def test_a_preview_saves_nothing_and_the_confirmation_everything(
    water: Water, client_of: ClientOf, state_dir: Path
) -> None:
    client = client_of("member")
    preview = upload(client, "plotter.gpx", GPX, scope="self")
    page = preview.content.decode()
    assert preview.status_code == 200
    assert "Canary New Hump" in page and "Only you, exactly." in page
    assert not Spot.objects.exists()
    answer = client.post("/import/", {"step": "save", "token": token_of(client), "scope": "self"})
    assert answer.status_code == 302
    assert Spot.objects.get().scope.startswith("member:")
    assert "Saved from plotter.gpx: 1 spot." in client.get("/import/").content.decode()


def test_the_preview_says_who_will_see_club_spots_how_exactly(water: Water, client_of: ClientOf) -> None:
    page = upload(client_of("organiser"), "plotter.gpx", GPX).content.decode()
    assert "Organisers, exactly." in page
    assert "Members: within a zone of at least 50 ha of water." in page
    assert "Everybody, signed out too: within a zone of at least 250 ha of water." in page


def test_the_held_file_is_private_and_deleted_after_saving(
    water: Water, client_of: ClientOf, state_dir: Path, django_capture_on_commit_callbacks: Any
) -> None:
    client = client_of("member")
    upload(client, "plotter.gpx", GPX)
    (kept,) = state_dir.iterdir()
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert stat.S_IMODE(state_dir.stat().st_mode) == 0o700
    assert "plotter" not in kept.name
    with django_capture_on_commit_callbacks(execute=True):
        client.post("/import/", {"step": "save", "token": token_of(client)})
    assert list(state_dir.iterdir()) == []


def test_save_nothing_deletes_the_file(water: Water, client_of: ClientOf, state_dir: Path) -> None:
    client = client_of("member")
    upload(client, "plotter.gpx", GPX)
    client.post("/import/", {"step": "drop", "token": token_of(client)})
    assert list(state_dir.iterdir()) == []
    assert not Spot.objects.exists()


def test_a_second_press_of_the_button_saves_nothing_twice(water: Water, client_of: ClientOf) -> None:
    client = client_of("member")
    upload(client, "plotter.gpx", GPX)
    fields = {"step": "save", "token": token_of(client)}
    client.post("/import/", fields)
    assert client.post("/import/", fields).status_code == 409
    assert Spot.objects.count() == 1


def test_another_session_cannot_use_the_token(water: Water, client_of: ClientOf) -> None:
    mine, theirs = client_of("member"), client_of("rival")
    upload(mine, "plotter.gpx", GPX)
    upload(theirs, "other.gpx", GPX)
    assert theirs.post("/import/", {"step": "save", "token": token_of(mine)}).status_code == 409
    assert not Spot.objects.exists()


def test_an_unconfirmed_file_is_swept_when_the_next_one_comes(
    water: Water, client_of: ClientOf, state_dir: Path
) -> None:
    import os
    import time

    upload(client_of("member"), "plotter.gpx", GPX)
    (kept,) = state_dir.iterdir()
    os.utime(kept, (time.time() - 3 * 3600,) * 2)
    upload(client_of("rival"), "plotter.gpx", GPX)
    assert not kept.exists()


def test_errors_stand_by_line_and_nothing_can_be_saved(water: Water, client_of: ClientOf) -> None:
    client = client_of("organiser")
    data = csv_of(sonar_row(water="Test water"), sonar_row(water="Test water", echoes="lots", spot="B"))
    answer = upload(client, "old.csv", data)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "cannot be saved yet" in page and "<code>lots</code>" in page and "not a whole number" in page
    assert 'value="save"' not in page
    forced = client.post("/import/", {"step": "save", "token": token_of(client)})
    assert forced.status_code == 422
    assert not Spot.objects.exists() and not Observation.objects.exists()


def test_what_lies_on_no_water_can_be_left_out_in_the_preview(water: Water, client_of: ClientOf) -> None:
    client = client_of("member")
    data = gpx_of((45.01, -93.29, "On"), (46.5, -93.29, "Off"))
    assert "Leave out what lies on no water</button>" in upload(client, "a.gpx", data).content.decode()
    fields = {"token": token_of(client), "skip_outside": "on"}
    again = client.post("/import/", {"step": "preview", **fields})
    assert again.status_code == 200 and "On no water of the club" in again.content.decode()
    client.post("/import/", {"step": "save", **fields})
    assert Spot.objects.count() == 1


def test_a_spot_hidden_from_the_importer_changes_nothing_in_the_preview(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    """Twin files: the name of a hidden spot, and one that never was, give the same page but for the name."""
    point = Position.objects.get(spot=places.private).point
    pages = []
    for name in ("Canary Private Laydown", "Canary Nothing Anywhere"):
        page = upload(client_of("rival"), "a.gpx", gpx_of((point.y, point.x, name))).content.decode()
        start = page.index("<main")
        body = page[start : page.index("</main>")].replace(name, "NAME")
        pages.append("".join(line for line in body.splitlines() if "token" not in line))
    assert pages[0] == pages[1]


def test_guests_and_strangers_have_no_import_page(water: Water, client_of: ClientOf) -> None:
    assert client_of("guest").get("/import/").status_code == 404
    assert client_of("nobody").get("/import/").status_code == 302


def test_a_file_that_is_too_large_or_missing_is_refused(
    water: Water, client_of: ClientOf, state_dir: Path
) -> None:
    client = client_of("member")
    assert client.post("/import/", {"step": "upload"}).status_code == 400
    answer = upload(client, "big.gpx", b" " * (20 * 1024 * 1024 + 1))
    assert answer.status_code == 400 and "at most 20 MB" in answer.content.decode()
    assert not state_dir.exists()


def test_a_member_sees_the_private_name_of_an_own_new_spot_only(
    cast: Cast, water: Water, client_of: ClientOf
) -> None:
    client = client_of("member")
    upload(client, "plotter.gpx", GPX)
    client.post("/import/", {"step": "save", "token": token_of(client)})
    with see(cast, "rival"):
        assert not Spot.objects.exists()
