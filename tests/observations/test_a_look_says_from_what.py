"""Boat, kayak, shore, wading or ice: said with a look, carried on through the trip; ice is never certified."""

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.core.exceptions import ValidationError
from django.test import Client

from observations.models import Observation
from tests.conftest import NOON, Cast, Places, look, sonar
from tests.observations.log_page import errors, post, saved

ClientOf = Callable[..., Client]


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


def test_it_is_kept_and_carried_on(places: Places, client_of: ClientOf) -> None:
    member = client_of("member")
    one = saved(post(member, places.shared, "2d", g0__band="none", platform="kayak"))
    assert one.platform == "kayak"
    assert "<dt>From</dt><dd>kayak</dd>" in member.get(f"/log/{one.pk}/").content.decode()
    page = member.get(f"/log/?spot={places.shared.pk}").content.decode()
    assert '<input type="radio" name="platform" value="kayak" checked>' in page


def test_who_says_nothing_says_nothing(places: Places, client_of: ClientOf) -> None:
    assert saved(post(client_of("member"), places.shared, "2d", g0__band="none")).platform == ""


def test_another_word_is_refused_by_every_way_in(cast: Cast, places: Places, client_of: ClientOf) -> None:
    found = errors(client_of("member"), places.shared, "2d", g0__band="none", platform="raft")
    assert found == {"platform": ['"raft" is not one of the choices.']}
    with pytest.raises(ValidationError, match='"raft" is not one of boat, kayak, shore, wading, ice'):
        look(cast, "member", places.shared, "2d", NOON, groups=sonar(), platform="raft")
    assert Observation.objects.count() == 0


def test_the_api_has_it_too(places: Places, client_of: ClientOf) -> None:
    body = {
        "spot": str(places.shared.pk),
        "method": "2d",
        "platform": "ice",
        "started_at": "2026-02-01T09:00:00-06:00",
        "groups": [{"band": "none"}],
    }
    answer = client_of("member").post("/api/observations/", body, content_type="application/json")
    assert (answer.status_code, answer.json()["platform"]) == (201, "ice")


def test_on_ice_the_page_says_that_it_certifies_nothing(places: Places, client_of: ClientOf) -> None:
    member = client_of("member")
    one = saved(post(member, places.shared, "2d", g0__band="none", platform="ice"))
    other = saved(post(member, places.shared, "2d", g0__band="none", platform="boat"))
    said = "Ice is never certified safe here."
    assert said in member.get(f"/log/{one.pk}/").content.decode()
    assert said not in member.get(f"/log/{other.pk}/").content.decode()
