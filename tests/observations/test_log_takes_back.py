"""A call can be withdrawn, and a look taken back, until the proof; both stay on record."""

from collections.abc import Callable
from datetime import timedelta

from django.test import Client
from django.utils import timezone

from observations.models import Call, Observation
from observations.proofs import waiting
from tests.conftest import Cast, Places, found, look, see, sonar

ClientOf = Callable[..., Client]


def recent(hours: float = 1) -> object:
    return timezone.now() - timedelta(hours=hours)


def test_a_call_is_withdrawn_once_and_kept(cast: Cast, places: Places, client_of: ClientOf) -> None:
    seen = look(cast, "member", places.shared, "2d", recent(), groups=sonar("crappie", 0.8))
    group = seen.groups.get()
    client = client_of("member")
    client.post(f"/log/{seen.pk}/withdraw/{group.pk}/")
    call = Call.objects.get()
    assert call.withdrawn_at is not None
    assert call.species_id == "crappie"
    again = client.post(f"/log/{seen.pk}/withdraw/{group.pk}/", follow=True)
    assert "withdrawn already" in again.content.decode()
    assert Call.objects.get().withdrawn_at == call.withdrawn_at


def test_a_call_that_met_its_proof_stays(cast: Cast, places: Places, client_of: ClientOf) -> None:
    seen = look(cast, "member", places.shared, "2d", recent(2), groups=sonar("crappie", 0.8))
    look(cast, "member", places.shared, "camera", recent(1), findings=found("bluegill"))
    client = client_of("member")
    answer = client.post(f"/log/{seen.pk}/withdraw/{seen.groups.get().pk}/", follow=True)
    assert "has met its proof" in answer.content.decode()
    assert Call.objects.get().withdrawn_at is None
    answer = client.post(f"/log/{seen.pk}/undo/", follow=True)
    assert "has met its proof" in answer.content.decode()
    assert Observation.objects.get(pk=seen.pk).withdrawn_at is None


def test_a_look_taken_back_leaves_the_checkers_queue(cast: Cast, places: Places, client_of: ClientOf) -> None:
    seen = look(cast, "member", places.shared, "camera", recent(), findings=found("bluegill"))

    def queue() -> int:
        with see(cast, "checker"):
            return waiting(cast.viewer("checker")).count()

    assert queue() == 1
    client_of("member").post(f"/log/{seen.pk}/undo/")
    assert Observation.objects.get().withdrawn_at is not None
    assert queue() == 0
    assert "taken back" in client_of("member").get("/log/mine/").content.decode()


def test_a_look_with_a_verified_finding_stays(cast: Cast, places: Places, client_of: ClientOf) -> None:
    seen = look(cast, "member", places.shared, "camera", recent(), findings=found("bluegill"))
    finding = seen.findings.get()
    client_of("checker").post(f"/proofs/{finding.pk}/name/", {"species": "bluegill"})
    answer = client_of("member").post(f"/log/{seen.pk}/undo/", follow=True)
    assert "is verified; the look stays" in answer.content.decode()
    assert Observation.objects.get().withdrawn_at is None


def test_taking_back_needs_a_post(cast: Cast, places: Places, client_of: ClientOf) -> None:
    seen = look(cast, "member", places.shared, "2d", recent(), groups=sonar("crappie", 0.8))
    client = client_of("member")
    assert client.get(f"/log/{seen.pk}/undo/").status_code == 405
    assert client.get(f"/log/{seen.pk}/withdraw/{seen.groups.get().pk}/").status_code == 405
    strict = client_of("member", enforce_csrf_checks=True)
    assert strict.post(f"/log/{seen.pk}/undo/").status_code == 403
    assert Observation.objects.get().withdrawn_at is None


def test_own_looks_are_listed_newest_first_and_paged(cast: Cast, places: Places, client_of: ClientOf) -> None:
    for hours in range(1, 43):
        look(cast, "member", places.shared, "2d", recent(hours), groups=sonar("crappie", 0.8))
    look(cast, "rival", places.shared, "2d", recent(), groups=sonar("bait", 0.7))
    client = client_of("member")
    first, second = (
        client.get("/log/mine/").content.decode(),
        client.get("/log/mine/?page=2").content.decode(),
    )
    assert (first.count("<h2>"), second.count("<h2>")) == (40, 2)
    assert "bait" not in first + second
    assert client.get("/log/mine/?page=x").status_code == 200
