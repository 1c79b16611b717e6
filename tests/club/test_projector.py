"""Projector mode: one browser sees what the public sees, until somebody signs in with a password."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.urls import reverse

from club.models import ApiToken, Club
from club.viewer import viewing
from tests.conftest import NOON, Cast, Places

# Pages that anybody may open, and what only members get.
PUBLIC_PAGES = ("/", "/?view=list", "/waters/", "/events/", "/api/spots/", "/api/waters/", "/api/schema/")
MEMBERS_PAGES = ("/log/", "/club/", "/account/", "/import/", "/export/spots.gpx", "/projector/")


@pytest.fixture
def projected(cast: Cast, places: Places, client_of: Callable[..., Client]) -> Client:
    client = client_of("organiser")
    assert b"Canary" in client.get("/api/spots/").content
    answer = client.post("/projector/")
    assert (answer.status_code, answer.headers["Location"]) == (302, "/")
    return client


def test_every_page_is_the_publics_but_for_the_mark(projected: Client) -> None:
    for path in PUBLIC_PAGES:
        shown, signed_out = projected.get(path), Client().get(path)
        assert shown.status_code == signed_out.status_code == 200
        text = shown.content.decode()
        assert "Canary" not in text and "Organiser" not in text, path
        text = text.replace("Projector: the public’s view", "You are signed out", 1)
        text = text.replace('<p class="who">Projector: the public’s view</p>', "")
        text = text.replace("Projector</summary>", "More</summary>")
        text = text.replace("Sign in to leave", "Sign in")
        lines = [
            [line.strip() for line in t.splitlines() if line.strip()]
            for t in (text, signed_out.content.decode())
        ]
        assert lines[0] == lines[1], path
    for path in MEMBERS_PAGES:
        answer = projected.get(path)
        assert answer.status_code in (302, 401, 403), path
        assert Client().get(path).status_code == answer.status_code


def test_the_mark_is_there_and_says_how_to_leave(projected: Client) -> None:
    assert "Projector: the public’s view" in projected.get("/waters/").content.decode()
    assert "Projector" not in Client().get("/waters/").content.decode()


def test_no_hidden_spot_and_no_write_in_that_session(projected: Client, places: Places) -> None:
    assert projected.get(f"/spots/{places.private.pk}/").status_code == 404
    assert projected.post("/club/about/", {"name": "Taken over"}).status_code == 302
    assert Club.objects.get().name == "Test club"


def test_a_token_sent_by_that_browser_counts_no_more_than_its_session(
    projected: Client, cast: Cast, places: Places
) -> None:
    with viewing(cast.viewer("organiser"), NOON):
        _, token = ApiToken.issue(cast.organiser)
    header = {"Authorization": f"Token {token}"}
    assert b"Canary" not in projected.get("/api/spots/", headers=header).content
    assert b"Canary" in Client().get("/api/spots/", headers=header).content, "elsewhere it counts"


def test_only_a_password_leaves_it(projected: Client) -> None:
    assert projected.post("/projector/").status_code == 302
    assert projected.get("/sign-in/").status_code == 200, "the form is shown, not the way past it"
    for path in ("/projector/", "/", "/account/"):
        projected.get(path, {"projector": "", "leave": "1"})
    wrong = projected.post("/sign-in/", {"username": "organiser", "password": "wrong"})
    assert wrong.status_code == 400
    assert b"Canary" not in projected.get("/api/spots/").content
    right = projected.post("/sign-in/", {"username": "organiser", "password": "tallow-organiser"})
    assert right.status_code == 302
    assert b"Canary" in projected.get("/api/spots/").content


def test_signing_out_leaves_it_to_the_same_view(projected: Client) -> None:
    projected.post(reverse("sign-out"))
    assert b"Canary" not in projected.get("/api/spots/").content
    assert "You are signed out" in projected.get("/waters/").content.decode()


def test_another_browser_of_the_same_member_goes_on(
    projected: Client, client_of: Callable[..., Client]
) -> None:
    assert b"Canary" in client_of("organiser").get("/api/spots/").content


def test_entering_needs_a_post_with_its_token(cast: Cast, client_of: Callable[..., Client]) -> None:
    client = client_of("member", enforce_csrf_checks=True)
    assert client.get("/projector/").status_code == 200
    assert client.post("/projector/").status_code == 403
    assert "Member" in client.get("/account/").content.decode()


def test_what_waited_to_be_told_is_not_told_on_the_wall(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    for projecting in (False, True):
        client = client_of("member")
        client.post("/account/sessions/")  # leaves a message for the next page
        if projecting:
            client.post("/projector/")
        assert ('class="messages"' in client.get("/waters/").content.decode()) is not projecting
