"""A post that arrives twice is one look; a number that is taken is never someone else's door."""

from collections.abc import Callable
from datetime import timedelta

from django.test import Client
from django.utils import timezone

from observations.models import Call, Observation, Picture
from tests.conftest import Cast, Places, look, sonar
from tests.observations.log_page import CALLED, typed
from tests.observations.test_pictures import picture

ClientOf = Callable[..., Client]


def test_a_retried_post_is_the_same_look(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    data = typed(places.shared, "forward", **CALLED)
    first = client.post("/log/", data)
    sealed_at = Call.objects.get().sealed_at
    # A sealed call cannot be changed by sending it again, either.
    second = client.post("/log/", data | {"g0-call": "catfish", "g0-sure": "50"})
    assert first["Location"] == second["Location"] == f"/log/{data['look']}/"
    call = Call.objects.get()
    assert (call.species_id, call.probability, call.sealed_at) == ("crappie", 0.8, sealed_at)
    assert "it was saved once" in client.get(second["Location"]).content.decode()


def test_a_retried_post_stores_its_pictures_once(
    places: Places, client_of: ClientOf, settings: object
) -> None:
    client = client_of("member")
    data = typed(places.shared, "forward", **CALLED)
    for _ in range(2):
        from django.core.files.uploadedfile import SimpleUploadedFile

        client.post("/log/", data | {"pictures": SimpleUploadedFile("screen.jpg", picture())})
    assert Picture.objects.count() == 1


def test_a_script_is_told_the_same_address_again(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    data = typed(places.shared, "forward", **CALLED)
    answers = [client.post("/log/", data, headers={"accept": "application/json"}).json() for _ in range(2)]
    assert answers == [{"url": f"/log/{data['look']}/"}] * 2


def test_the_number_of_someone_elses_look_is_refused_alike_seen_or_unseen(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    at = timezone.now() - timedelta(hours=1)
    seen = look(cast, "member", places.shared, "2d", at, groups=sonar())
    unseen = look(cast, "member", places.private, "2d", at, groups=sonar())
    client = client_of("rival")
    answers = []
    for taken in (seen, unseen):
        data = typed(places.shared, "2d", g0__band="none") | {"look": str(taken.pk)}
        answers.append(client.post("/log/", data, headers={"accept": "application/json"}))
    assert [answer.status_code for answer in answers] == [422, 422]
    assert answers[0].content == answers[1].content
    assert Observation.objects.count() == 2
