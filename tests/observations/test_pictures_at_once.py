"""Two who work on one picture's file at the same moment."""

import io
import time
import uuid
from collections.abc import Callable
from typing import Any

import pytest
from django.db import transaction
from PIL import Image

from observations import pictures
from observations.models import Picture
from tests.club.test_people_races import at_once

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def picture() -> Picture:
    """A white picture, whose file takes its time to be read."""
    file = io.BytesIO()
    Image.new("RGB", (640, 480), "white").save(file, "PNG")
    file.seek(0)
    picture = Picture(id=uuid.uuid4(), width=640, height=480)
    pictures.write(picture, pictures.clean_picture(file, "x.png"))
    return picture


@pytest.fixture(autouse=True)
def _slow(picture: Picture, monkeypatch: pytest.MonkeyPatch) -> None:
    read: Callable[[Any], Any] = pictures._plain

    def slowly(image: Any) -> Any:
        plain = read(image)
        time.sleep(0.3)
        return plain

    monkeypatch.setattr(pictures, "_plain", slowly)


def black_at(content: bytes | None, scale: float, *points: tuple[int, int]) -> list[bool]:
    assert content
    with Image.open(io.BytesIO(content)) as image:
        return [max(image.convert("RGB").getpixel((int(x * scale), int(y * scale)))) < 9 for x, y in points]


def test_two_boxes_blacked_out_at_once_are_both_gone(picture: Picture) -> None:
    boxes = [(0, 0, 96, 96), (400, 300, 96, 96)]

    def paint(n: int) -> int:
        with transaction.atomic():
            return int(pictures.black_out(picture, boxes[n]))

    assert at_once(2, paint) == [1, 1]
    for small in (False, True):
        content = pictures.content_of(picture, small)
        scale = pictures.SMALL_SIDE / 640 if small else 1.0
        assert black_at(content, scale, (48, 48), (448, 348)) == [True, True], small


def test_the_small_one_never_keeps_what_is_blacked_out_while_it_is_made(picture: Picture) -> None:
    def work(n: int) -> int:
        with transaction.atomic():
            return int(pictures.black_out(picture, (0, 0, 96, 96)) if n else pictures.make_small(picture.pk))

    assert at_once(2, work) == [1, 1]
    scale = pictures.SMALL_SIDE / 640
    assert black_at(pictures.content_of(picture, small=True), scale, (48, 48)) == [True]


def test_what_is_thrown_away_leaves_no_small_one_behind(
    picture: Picture, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = pictures._reread

    def then_discarded(row: Picture, side: int) -> Any:
        image = read(row, side)
        pictures.discard([picture])
        return image

    monkeypatch.setattr(pictures, "_reread", then_discarded)
    with transaction.atomic():
        assert not pictures.make_small(picture.pk)
    assert pictures.content_of(picture, small=True) is None
