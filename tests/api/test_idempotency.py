"""A write that is sent again is done once and answered the same."""

import threading
import uuid
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from club.jobs import forget_old_answers
from club.models import ApiToken, IdempotencyKey, TeamMembership
from observations.models import Observation
from spots.models import Spot
from tests.api.conftest import a_look
from tests.api.document import ApiOf
from tests.conftest import Cast, Places

LOOKS = "/api/observations/"


def _without_id(places: Places) -> dict[str, Any]:
    said = a_look(places.shared)
    del said["id"]
    return said


def test_the_same_key_does_it_once_and_answers_the_same(api: ApiOf, places: Places) -> None:
    caller, said = api("member"), _without_id(places)
    first = caller.post(LOOKS, said, Idempotency_Key="k1")
    before = caller.last.content
    assert caller.post(LOOKS, said, Idempotency_Key="k1") == first
    assert caller.last.content == before
    assert caller.last.headers["Idempotency-Replayed"] == "true"
    assert Observation.objects.count() == 1
    caller.post(LOOKS, said, Idempotency_Key="k2")
    assert Observation.objects.count() == 2


def test_the_same_key_with_another_request_is_refused(api: ApiOf, places: Places) -> None:
    caller, said = api("member"), _without_id(places)
    caller.post(LOOKS, said, Idempotency_Key="k1")
    caller.post(LOOKS, said | {"minutes": 9}, status=422, Idempotency_Key="k1")
    caller.post("/api/trips/", {}, status=422, Idempotency_Key="k1")
    assert Observation.objects.count() == 1


def test_a_refused_request_may_be_corrected_under_its_key(api: ApiOf, places: Places) -> None:
    caller, said = api("member"), _without_id(places)
    caller.post(LOOKS, said | {"minutes": -1}, status=400, Idempotency_Key="k1")
    assert not IdempotencyKey.objects.exists()
    caller.post(LOOKS, said, Idempotency_Key="k1")


def test_keys_of_two_members_never_meet(api: ApiOf, places: Places) -> None:
    said = _without_id(places)
    mine = api("member").post(LOOKS, said, Idempotency_Key="k1")
    theirs = api("rival").post(LOOKS, said, Idempotency_Key="k1")
    assert mine["id"] != theirs["id"]


def test_a_stored_answer_is_not_given_to_who_may_no_longer_read_it(
    api: ApiOf, places: Places, cast: Cast
) -> None:
    said = {
        "water": str(places.shared.water_id),
        "name": "Team stump",
        "scope": f"team:{cast.alder.pk}",
        "lat": 45.03,
        "lon": -93.27,
    }
    made = api("teammate").post("/api/spots/", said, Idempotency_Key="k1")
    assert api("teammate").post("/api/spots/", said, Idempotency_Key="k1") == made
    TeamMembership.objects.filter(member=cast.teammate).delete()
    api("teammate").post("/api/spots/", said, status=404, Idempotency_Key="k1")
    assert Spot.objects.filter(sheet__name="Team stump").count() == 1


def test_the_clubs_waters_take_a_key_too(api: ApiOf, cast: Cast) -> None:
    said = {"name": "Lone Pond", "timezone": "America/Chicago"}
    made = api("organiser").post("/api/waters/", said, Idempotency_Key="k1")
    assert api("organiser").post("/api/waters/", said, Idempotency_Key="k1") == made
    cast.organiser.role = "member"
    cast.organiser.save()
    api("organiser").post("/api/waters/", said, status=403, Idempotency_Key="k1")


def test_a_key_is_short_and_plain(api: ApiOf, places: Places) -> None:
    said = _without_id(places)
    for key in ("x" * 101, "schlüssel"):
        assert list(api("member").post(LOOKS, said, status=400, Idempotency_Key=key)) == ["Idempotency-Key"]


def test_a_key_is_free_again_after_seven_days(api: ApiOf, places: Places, cast: Cast) -> None:
    caller, said = api("member"), _without_id(places)
    caller.post(LOOKS, said, Idempotency_Key="k1")
    IdempotencyKey.objects.update(created_at=timezone.now() - timedelta(days=7, seconds=1))
    caller.post(LOOKS, said, Idempotency_Key="k1")
    assert Observation.objects.count() == 2
    assert IdempotencyKey.objects.count() == 1


def test_the_worker_forgets_old_answers_and_keeps_the_others(cast: Cast) -> None:
    def stored(key: str, at: datetime) -> None:
        IdempotencyKey.objects.create(
            member=cast.member, key=key, fingerprint="", status=201, body="", created_at=at
        )

    stored("old", timezone.now() - timedelta(days=7, seconds=1))
    stored("new", timezone.now() - timedelta(days=6))
    assert forget_old_answers() == 1
    assert IdempotencyKey.objects.get().key == "new"


@pytest.mark.django_db(transaction=True)
def test_two_at_the_same_moment_make_one_look(api: ApiOf, cast: Cast, places: Places) -> None:
    from tests.api.document import Api, document

    document()
    said, answers = a_look(places.shared), []
    said["groups"][0]["id"] = str(uuid.uuid4())
    caller: Api = api("member")
    caller.headers["Authorization"] = f"Token {ApiToken.issue(cast.member)[1]}"

    def send() -> None:
        try:
            answers.append(caller.post(LOOKS, said, Idempotency_Key="k1"))
        finally:
            connection.close()

    threads = [threading.Thread(target=send) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == 3
    assert answers[0] == answers[1] == answers[2]
    assert Observation.objects.count() == 1
