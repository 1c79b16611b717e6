"""The first run of a real club: a one-time key from the console makes the first organiser."""

import io
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client

from club.models import Club, Member
from tests.conftest import Cast

GOOD = {
    "club": "Quarry Arm Anglers",
    "name": "Ruth Ansell",
    "username": "ruth",
    "password": "heron over weed bed",
    "password_again": "heron over weed bed",
}


def printed() -> str:
    out = io.StringIO()
    call_command("setup_key", stdout=out)
    return out.getvalue()


def key() -> str:
    return printed().strip().split("key=")[1]


def set_up(client: Client, key: str, **changed: str) -> Any:
    return client.post("/setup/", {**GOOD, "key": key, **changed})


def test_every_page_of_an_empty_club_leads_to_the_set_up_page(db: None) -> None:
    for address in ("/", "/sign-in/", "/waters/", "/club/", "/no-such-page/"):
        answer = Client().get(address)
        assert (answer.status_code, answer.headers.get("Location")) == (302, "/setup/"), address
    assert Client().get("/api/spots/").status_code == 503
    page = Client().get("/setup/")
    assert page.status_code == 200
    assert "on the console" in page.content.decode() and "<input" not in page.content.decode()


def test_the_key_is_printed_once_and_only_its_digest_is_kept(db: None) -> None:
    line = printed()
    assert line.startswith("Set the club up at /setup/?key=") and line.count("\n") == 1
    stored = Club.objects.get()
    assert stored.setup_key_digest and stored.setup_key_digest not in line


def test_the_key_makes_the_first_organiser_and_is_used_up(db: None) -> None:
    one_time, client = key(), Client()
    assert "The key is then used up" in client.get(f"/setup/?key={one_time}").content.decode()
    answer = set_up(client, one_time)
    assert (answer.status_code, answer.headers["Location"]) == (302, "/club/")
    club, ruth = Club.objects.get(), Member.objects.get()
    assert (club.name, club.setup_key_digest) == ("Quarry Arm Anglers", "")
    assert (ruth.role, ruth.is_active, ruth.check_password(GOOD["password"])) == ("organiser", True, True)
    assert "Quarry Arm Anglers" in client.get("/club/").content.decode()
    assert Client().get(f"/setup/?key={one_time}").status_code == 404
    assert set_up(Client(), one_time, username="second").status_code == 404
    assert Member.objects.count() == 1


def test_a_wrong_or_replaced_key_opens_nothing(db: None) -> None:
    first = key()
    key()
    for wrong in (first, "guess", ""):
        assert set_up(Client(), wrong).status_code == 200
    assert "does not fit" in Client().get(f"/setup/?key={first}").content.decode()
    assert not Member.objects.exists()


def test_a_mistake_keeps_the_key_for_another_try(db: None) -> None:
    one_time = key()
    assert (
        "too short" in set_up(Client(), one_time, password="short", password_again="short").content.decode()
    )
    assert not Member.objects.exists()
    assert set_up(Client(), one_time).status_code == 302


def test_a_club_with_an_organiser_gets_no_key(cast: Cast) -> None:
    assert printed() == ""
    assert Club.objects.get().setup_key_digest == ""
    assert Client().get("/setup/").status_code == 404


def test_an_old_key_is_worthless_once_there_is_an_organiser(db: None) -> None:
    one_time = key()
    Member.objects.create_user("boss", "perch in the reeds", name="Boss", role="organiser")
    assert set_up(Client(), one_time).status_code == 404


def test_a_set_up_club_is_asked_about_no_more(cast: Cast) -> None:
    client = Client()
    client.get("/sign-in/")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("club.setup.needs_set_up", lambda: pytest.fail("asked again"))
        assert client.get("/sign-in/").status_code == 200
