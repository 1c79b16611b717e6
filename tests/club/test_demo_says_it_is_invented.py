"""The demo's club, people and waters are nobody's, and its pages say so; a real club's never do."""

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from club.context import INVENTED
from spots.models import Water
from tests.conftest import Cast


@pytest.mark.parametrize("demo", [True, False])
def test_the_demo_says_so_and_a_real_club_does_not(
    cast: Cast, water: Water, client_of: Callable[[str], Client], settings: Any, demo: bool
) -> None:
    settings.DEMO = demo
    signed_out = client_of("nobody")
    for address in ("/sign-in/", "/waters/"):
        assert (INVENTED in signed_out.get(address).content.decode()) is demo, address
    for persona in ("nobody", "member"):
        assert ("An invented water" in client_of(persona).get("/").content.decode()) is demo, persona


class Answer:
    """What a site at an address says."""

    def __init__(self, body: bytes) -> None:
        self.body = body

    def __enter__(self) -> "Answer":
        return self

    def __exit__(self, *error: object) -> None:
        return None

    def read(self) -> bytes:
        return self.body


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[bytes], None]]:
    def make(body: bytes) -> None:
        monkeypatch.setattr("urllib.request.urlopen", lambda *args, **options: Answer(body))

    yield make


def test_pictures_are_taken_of_the_demo_alone(
    cast: Cast, settings: Any, answers: Callable[[bytes], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command knows the demo by what its pages really say: stopped one step later, for want of Chromium."""
    monkeypatch.setattr("club.boot.system.chromium", lambda: None)
    for demo, told in ((False, "is not the demo club"), (True, "Chromium is missing")):
        settings.DEMO = demo
        answers(Client().get("/sign-in/").content)
        with pytest.raises(CommandError, match=told):
            call_command("screenshots", url="http://127.0.0.1:1")


@pytest.mark.parametrize("address", ["http://127.0.0.1:1", "nonsense", "127.0.0.1:8000"])
def test_an_address_without_a_site_is_told_in_one_line(address: str) -> None:
    with pytest.raises(CommandError, match="No site answers"):
        call_command("screenshots", url=address)
