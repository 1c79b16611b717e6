"""A new spot appears below `exact` with the next batch, so that it does not tell who was out the day before."""

import uuid
from datetime import UTC, datetime
from typing import Any

import pytest
import time_machine
from django.test import Client

from spots.batches import Batch, next_batch
from spots.models import Sheet, Water
from tests.conftest import Cast

NOW = datetime(2026, 6, 17, 15, tzinfo=UTC)
THEN = datetime(2026, 7, 1, tzinfo=UTC)


def make(client: Client, water: Water, **more: Any) -> str:
    body = {"name": "Heron Stakes", "water": str(water.pk), "lat": 45.03, "lon": -93.27, **more}
    answer = client.post(
        "/api/spots/", body, content_type="application/json", headers={"Idempotency-Key": str(uuid.uuid4())}
    )
    assert answer.status_code == 201, answer.content
    return str(answer.json()["id"])


def seen(client: Client, spot: str) -> int:
    return client.get(f"/spots/{spot}/").status_code


@pytest.mark.parametrize("persona", ["newcomer", "guest", "nobody"])
def test_the_clubs_new_spot_waits_for_the_first_of_the_next_month(
    cast: Cast, water: Water, client_of: Any, persona: str
) -> None:
    with time_machine.travel(NOW, tick=False):
        spot = make(client_of("organiser"), water)
        assert seen(client_of("organiser"), spot) == 200, "who sees it exactly sees it at once"
        assert seen(client_of(persona), spot) == 404
    with time_machine.travel(THEN, tick=False):
        assert seen(client_of(persona), spot) == 200


def test_what_an_agency_published_has_nothing_to_wait_for(cast: Cast, water: Water, client_of: Any) -> None:
    with time_machine.travel(NOW, tick=False):
        form = {
            "water": str(water.pk), "name": "Heron Stakes", "position": "45.03, -93.27", "scope": "club",
            "members_see": "hidden", "provenance": Sheet.Provenance.AGENCY,
        }  # fmt: skip
        answer = client_of("organiser").post("/spots/new/", form)
        assert seen(client_of("nobody"), answer["Location"].split("/")[2]) == 200


def test_the_form_says_from_when_others_see_it(cast: Cast, water: Water, client_of: Any) -> None:
    with time_machine.travel(NOW, tick=False):
        client = client_of("member")
        form = {
            "water": str(water.pk), "name": "Heron Stakes", "position": "45.03, -93.27", "scope":
            f"member:{cast.member.pk}", "members_see": "area", "provenance": "found",
        }  # fmt: skip
        answer = client.post("/spots/new/", form, follow=True)
        assert "from 1 July 2026" in answer.content.decode()
        spot = answer.redirect_chain[-1][0].split("/")[2]
        assert seen(client_of("rival"), spot) == 404
        form["members_see"] = "exact"
        answer = client.post("/spots/new/", form, follow=True)
        assert "from 1 July" not in answer.content.decode()
        assert seen(client_of("rival"), answer.redirect_chain[-1][0].split("/")[2]) == 200
    with time_machine.travel(THEN, tick=False):
        assert seen(client_of("rival"), spot) == 200


@pytest.mark.django_db
def test_a_wish_for_later_is_kept_and_one_for_sooner_waits(cast: Cast) -> None:
    batch = Batch(NOW)
    later = datetime(2026, 9, 9, tzinfo=UTC)
    assert batch.starts("members", 2, later) == later
    assert batch.starts("members", 2, NOW) == batch.starts("public", None) == THEN == next_batch(NOW)
    assert batch.starts("members", 3) is None and batch.starts("members", 3, later) == later
