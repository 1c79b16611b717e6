"""A large picture over a bad link: in parts, each once, going on where the server has it; nothing of it stays."""

import io
import uuid
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone
from PIL import Image

from observations import parts
from observations.models import Picture
from tests.conftest import Cast, Places, look
from tests.observations.heic import HEIC
from tests.observations.test_pictures import SVG, archive, bomb, picture

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]


def shot(side: int = 300) -> bytes:
    file = io.BytesIO()
    Image.effect_noise((side, side), 60).convert("RGB").save(file, "JPEG", quality=90)
    return file.getvalue()


class Phone:
    """Sends a picture as a phone does, over a link that loses requests before or after they take effect."""

    def __init__(self, client: Client, seen: Any, lost: float = 0.0) -> None:
        self.client, self.chance, self.lost = client, Random(4), lost  # noqa: S311
        self.url = f"/log/{seen.pk}/pictures/{uuid.uuid4()}/"
        self.asked = 0

    def ask(self, call: Callable[[], Any]) -> Any:
        self.asked += 1
        if self.chance.random() < self.lost:
            if self.chance.random() < 0.5:
                call()
            return None
        return call()

    def part(self, at: int, of: int, body: bytes) -> Any:
        return self.client.post(f"{self.url}parts/?at={at}&of={of}", body, "application/octet-stream")

    def send(self, raw: bytes, size: int) -> Any:
        while True:
            told = self.ask(lambda: self.client.get(f"{self.url}parts/"))
            if told is None:
                continue
            at = told.json()["have"]
            while at < len(raw):
                answer = self.ask(lambda at=at: self.part(at, len(raw), raw[at : at + size]))
                if answer is None:
                    break
                at = answer.json()["have"]
            else:
                done = self.ask(lambda: self.client.post(self.url, {"parts": len(raw), "name": "a.jpg"}))
                if done is not None and done.status_code in (200, 201):
                    return done


@pytest.fixture
def seen(cast: Cast, places: Places) -> Any:
    return look(cast, "member", places.shared, "camera", timezone.now(), minutes=4)


def left(settings: Any) -> list[Path]:
    return list((Path(settings.MEDIA_ROOT) / "parts").glob("*"))


def test_a_third_of_all_requests_lost_and_the_picture_stands_once(
    client_of: Callable[..., Client], seen: Any, settings: Any
) -> None:
    raw = shot()
    phone = Phone(client_of("member"), seen, lost=0.33)
    phone.send(raw, 4096)
    (picture,) = Picture.objects.filter(look=seen)
    assert (picture.width, picture.height) == (300, 300)
    assert phone.asked < 6 * len(raw) / 4096
    assert left(settings) == []
    again = phone.client.post(phone.url, {"parts": len(raw)})  # the last answer was lost
    assert again.status_code == 200 and Picture.objects.count() == 1


def test_a_part_that_does_not_fit_says_where_the_next_one_begins(
    client_of: Callable[..., Client], seen: Any
) -> None:
    phone = Phone(client_of("member"), seen)
    assert phone.part(0, 90, b"x" * 40).json() == {"have": 40}
    for at in (0, 39, 41):
        answer = phone.part(at, 90, b"x" * 9)
        assert (answer.status_code, answer.json()) == (409, {"have": 40})
    early = phone.client.post(phone.url, {"parts": "90"})
    assert (early.status_code, early.json()["have"]) == (409, 40)


@pytest.mark.parametrize(
    ("query", "size", "says"),
    [
        ("at=0&of=0", 5, "0 bytes"),
        ("at=0&of=99999999", 5, "at most 15 MB"),
        ("at=0&of=4", 5, "ends within the picture"),
        ("at=0&of=3000000", parts.MAX_PART + 1, "a part has at most"),
        ("at=0&of=9", 0, "0 bytes"),
        ("at=-1&of=9", 5, "not a whole number"),
        ("at=nan&of=9", 5, "not a whole number"),
        ("of=9", 5, "not a whole number"),
    ],
)
def test_what_can_be_no_part_is_refused_by_name(
    client_of: Callable[..., Client], seen: Any, settings: Any, query: str, size: int, says: str
) -> None:
    phone = Phone(client_of("member"), seen)
    answer = phone.client.post(f"{phone.url}parts/?{query}", b"x" * size, "application/octet-stream")
    assert answer.status_code == 422
    assert says in answer.json()["errors"]["picture"][0]
    assert left(settings) == []


def test_what_is_no_picture_is_refused_and_nothing_of_it_stays(
    client_of: Callable[..., Client], seen: Any, settings: Any
) -> None:
    """The same set as in one piece (test_pictures.py): a bomb, a polyglot, a script, cut short, of another kind."""
    phone = Phone(client_of("member"), seen)
    for raw, says in (
        (b"x" * 40, "JPEG, PNG, HEIC and WebP"),
        (SVG, "SVG"),
        (shot() + archive(), "zip archive"),
        (picture(comment=b"<script >alert(1)</script>"), "a script"),
        (shot()[:3000], "cut short"),
        (HEIC[:-300], "that can be read"),
        (bomb(8000, 8000), "50 million"),
        (bomb(30_000, 8), "30000 × 8 pixels is too large"),
    ):
        phone.part(0, len(raw), raw)
        answer = phone.client.post(phone.url, {"parts": str(len(raw)), "name": "a.jpg"})
        assert answer.status_code == 422
        (told,) = answer.json()["errors"]["picture"]
        assert says in told and told.startswith('"a.jpg": '), (says, told)
        assert left(settings) == [] and not Picture.objects.exists()


def test_only_the_observer_sends_and_others_cannot_even_ask(
    client_of: Callable[..., Client], seen: Any, settings: Any
) -> None:
    mine = Phone(client_of("member"), seen)
    mine.part(0, 90, b"x" * 40)
    for persona in ("rival", "organiser", "checker"):
        other = client_of(persona)
        assert other.get(f"{mine.url}parts/").status_code == 404
        assert (
            other.post(f"{mine.url}parts/?at=40&of=90", b"y", "application/octet-stream").status_code == 404
        )
    (path,) = left(settings)
    assert path.stat().st_mode & 0o077 == 0 and path.parent.stat().st_mode & 0o077 == 0


def test_half_sent_pictures_are_few_and_go_after_a_day(
    client_of: Callable[..., Client], seen: Any, settings: Any
) -> None:
    client = client_of("member")
    answers = [Phone(client, seen).part(0, 90, b"x" * 40).status_code for _ in range(13)]
    assert answers == [200] * 12 + [422]
    assert parts.forget_old() == 0 and len(left(settings)) == 12
    assert parts.forget_old(older_than_s=-1) == 12 and left(settings) == []


def test_a_picture_in_one_piece_is_taken_as_before(client_of: Callable[..., Client], seen: Any) -> None:
    phone = Phone(client_of("member"), seen)
    upload = SimpleUploadedFile("a.jpg", shot(60), "image/jpeg")
    assert phone.client.post(phone.url, {"picture": upload}).status_code == 201
