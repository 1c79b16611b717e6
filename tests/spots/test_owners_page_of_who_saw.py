"""The owner's page says who was shown the positions of own spots, when and how, and nothing of others'."""

from collections.abc import Callable

import pytest
from django.test import Client
from django.utils import timezone

from club.models import Member
from tests.conftest import Cast, Places


@pytest.fixture
def opened(cast: Cast, places: Places, client_of: Callable[..., Client]) -> Places:
    places.private.grants.create(audience=f"member:{cast.rival.pk}", level=3, owner=places.private.owner)
    rival = client_of("rival")
    rival.get(f"/spots/{places.private.pk}/")
    rival.get("/export/spots.gpx")
    client_of("newcomer").get("/api/spots/")
    return places


def page(client: Client, query: str = "") -> str:
    answer = client.get(f"/sharing/seen/{query}")
    assert answer.status_code == 200
    return answer.content.decode()


def test_an_owner_reads_who_when_and_how(opened: Places, client_of: Callable[..., Client]) -> None:
    text = page(client_of("member"))
    assert "Canary Private Laydown" in text
    assert "Rival" in text
    assert "spot sheet, file" in text
    assert f"{timezone.now():%Y-%m-%d}" in text
    assert "Newcomer" not in text
    assert "Canary Shared Pile" not in text


def test_the_organisers_read_of_the_clubs_spots_alone(
    opened: Places, client_of: Callable[..., Client]
) -> None:
    text = page(client_of("organiser"))
    assert "Canary Shared Pile" in text
    assert "Newcomer" in text
    assert "Canary Private Laydown" not in text


@pytest.mark.parametrize("persona", ["rival", "newcomer", "teammate"])
def test_others_read_nothing_there(opened: Places, client_of: Callable[..., Client], persona: str) -> None:
    assert "Canary" not in page(client_of(persona))


def test_one_spot_is_asked_about_by_its_owner_alone(opened: Places, client_of: Callable[..., Client]) -> None:
    query = f"?spot={opened.private.pk}"
    assert "Who saw Canary Private Laydown" in page(client_of("member"), query)
    for persona in ("rival", "organiser"):
        assert client_of(persona).get(f"/sharing/seen/{query}").status_code == 404
    assert client_of("member").get("/sharing/seen/?spot=x").status_code == 404


def test_somebody_who_left_stays_in_the_log(
    cast: Cast, opened: Places, client_of: Callable[..., Client]
) -> None:
    Member.objects.filter(pk=cast.rival.pk).update(is_active=False, left_at=timezone.now())
    text = page(client_of("member"))
    assert "Rival" in text
    assert "has left the club" in text


def test_guests_and_the_public_have_no_such_page(opened: Places, client_of: Callable[..., Client]) -> None:
    assert client_of("guest").get("/sharing/seen/").status_code == 404
    assert Client().get("/sharing/seen/").status_code == 302
