"""Pictures come in with a look, whole or not at all, and go out to those who may see them."""

import io
import os
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from observations import jobs, pictures
from observations.models import Observation, Picture
from tests.conftest import PERSONAS, Places
from tests.observations.log_page import CALLED, post, saved, typed
from tests.observations.test_log_who_may import without_token
from tests.observations.test_pictures import SVG, bomb, located_exif, picture

ClientOf = Callable[..., Client]
FOUND = {"found": "fish", "f0__species": "white-crappie", "f1__species": "bluegill", "minutes": "5"}


def upload(raw: bytes | None = None, name: str = "boat at 36.21N 86.78W.jpg") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, picture(exif=located_exif()) if raw is None else raw, "image/jpeg")


def stored_files(settings: Any) -> list[Path]:
    return sorted(Path(settings.MEDIA_ROOT).iterdir())


def test_a_picture_is_stored_clean_under_a_random_name(
    places: Places, client_of: ClientOf, settings: Any
) -> None:
    client = client_of("member")
    look = saved(post(client, places.shared, "forward", **CALLED, pictures=upload()))
    row = look.pictures.get()
    assert uuid.UUID(str(row.pk)).version == 4
    assert client.get(f"/pictures/{row.pk}/small/").content == client.get(f"/pictures/{row.pk}/").content
    assert jobs.make_small_pictures() == 1
    names = {path.name for path in stored_files(settings)}
    assert names == {f"{row.pk}.jpg", f"{row.pk}-small.jpg"}
    for path in stored_files(settings):
        assert b"SECRET" not in path.read_bytes()
        assert path.stat().st_mode & 0o077 == 0
        with Image.open(path) as image:
            assert not image.getexif()
    answer = client.get(f"/pictures/{row.pk}/")
    assert answer.content == (Path(settings.MEDIA_ROOT) / f"{row.pk}.jpg").read_bytes()
    assert answer["Content-Type"] == "image/jpeg"
    assert answer["Cache-Control"] == "private, no-store"
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert "36.21N" not in str(answer.headers)
    small = client.get(f"/pictures/{row.pk}/small/")
    assert small.content == (Path(settings.MEDIA_ROOT) / f"{row.pk}-small.jpg").read_bytes()
    assert Image.open(io.BytesIO(small.content)).size == (60, 40)


def test_each_picture_belongs_to_its_finding(places: Places, client_of: ClientOf) -> None:
    files = {"f0__pictures": [upload(), upload()], "f1__pictures": upload()}
    look = saved(post(client_of("member"), places.shared, "camera", **FOUND, **files))
    shown = sorted(look.pictures.values_list("finding__species_id", flat=True))
    assert shown == ["bluegill", "white-crappie", "white-crappie"]


@pytest.mark.parametrize("spot", ["shared", "private", "team"])
def test_a_picture_is_seen_with_its_look_and_is_not_there_for_others(
    spot: str, places: Places, client_of: ClientOf
) -> None:
    owner = "captain" if spot == "team" else "member"
    look = saved(post(client_of(owner), getattr(places, spot), "forward", **CALLED, pictures=upload()))
    key = look.pictures.get().pk
    may = {
        "shared": {"organiser", "checker", "member", "teammate", "captain", "rival", "newcomer"},
        "private": {"member"},
        "team": {"teammate", "captain"},
    }[spot]
    for persona in PERSONAS:
        client = client_of(persona)
        for suffix in ("", "small/"):
            answer = client.get(f"/pictures/{key}/{suffix}")
            if persona in may:
                assert answer.status_code == 200, persona
            else:
                unknown = client.get(f"/pictures/{uuid.uuid4()}/{suffix}")
                assert answer.status_code == unknown.status_code == 404, persona
                assert without_token(answer) == without_token(unknown)
                assert answer.headers == unknown.headers


def test_a_checker_sees_the_picture_of_a_finding_at_a_spot_hidden_from_them(
    places: Places, client_of: ClientOf
) -> None:
    look = saved(
        post(client_of("organiser"), places.club, "camera", **FOUND, f0__pictures=upload(), pictures=upload())
    )
    of_finding, of_look = look.pictures.get(finding__isnull=False), look.pictures.get(finding=None)
    for persona, sees_finding in (("checker", 200), ("rival", 404), ("newcomer", 404)):
        client = client_of(persona)
        assert client.get(f"/pictures/{of_finding.pk}/").status_code == sees_finding
        assert client.get(f"/pictures/{of_look.pk}/").status_code == 404


@pytest.mark.parametrize(
    ("raw", "says"),
    [(SVG, "SVG"), (picture()[:300], "cut short"), (bomb(8000, 8000), "50 million"), (b"", "empty")],
)
def test_a_refused_picture_refuses_the_look_whole(
    raw: bytes, says: str, places: Places, client_of: ClientOf, settings: Any
) -> None:
    client = client_of("member")
    data = typed(places.shared, "camera", **FOUND, f0__pictures=[upload(), upload(raw, "bad.jpg")])
    answer = client.post("/log/", data, headers={"accept": "application/json"})
    assert answer.status_code == 422
    assert set(answer.json()["errors"]) == {"f0-pictures"}
    assert says in answer.json()["errors"]["f0-pictures"][0]
    assert "bad.jpg" in answer.json()["errors"]["f0-pictures"][0]
    assert (Observation.objects.count(), stored_files(settings)) == (0, [])
    # Without a script the page comes back, the message at its field.
    data["f0-pictures"] = upload(raw, "bad.jpg")
    page = client.post("/log/", data)
    assert page.status_code == 422
    assert says in page.content.decode()
    # The very same look without it goes through.
    del data["f0-pictures"]
    assert client.post("/log/", data).status_code == 302


def test_seven_pictures_are_too_many(places: Places, client_of: ClientOf) -> None:
    data = typed(places.shared, "forward", **CALLED, pictures=[upload() for _ in range(7)])
    answer = client_of("member").post("/log/", data, headers={"accept": "application/json"})
    assert answer.json()["errors"] == {"pictures": ["7 pictures is too many: at most 6 a look."]}


def test_a_full_disk_saves_nothing_and_says_so(
    places: Places, client_of: ClientOf, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of("member")
    data = typed(places.shared, "forward", **CALLED)
    written = []

    def full(descriptor: int) -> None:
        written.append(descriptor)
        if len(written) == 2:  # the second picture
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(pictures.os, "fsync", full)
    answer = client.post(
        "/log/", data | {"pictures": [upload(), upload()]}, headers={"accept": "application/json"}
    )
    assert answer.status_code == 422
    assert "disk may be full" in answer.json()["errors"]["pictures"][0]
    assert (Observation.objects.count(), Picture.objects.count(), stored_files(settings)) == (0, 0, [])
    monkeypatch.setattr(pictures.os, "fsync", os.fsync)
    assert client.post("/log/", data | {"pictures": [upload(), upload()]}).status_code == 302
    assert Picture.objects.count() == 2


def test_a_picture_whose_file_is_gone_is_not_there(
    places: Places, client_of: ClientOf, settings: Any
) -> None:
    client = client_of("member")
    row = saved(post(client, places.shared, "forward", **CALLED, pictures=upload())).pictures.get()
    for path in stored_files(settings):
        path.unlink()
    assert client.get(f"/pictures/{row.pk}/").status_code == 404
