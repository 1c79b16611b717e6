"""The checkers' queue: the club's unverified findings of others, oldest first."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.test import Client, RequestFactory
from django.utils import timezone

from club.models import Member
from club.viewer import viewer_of, viewing
from observations import proofs
from observations.context import counts
from observations.models import Finding
from tests.conftest import Cast, Places, found, look, see
from tests.observations.log_page import post, saved
from tests.observations.test_log_pictures import upload

ClientOf = Callable[..., Client]


def queue(cast: Cast, checker: Member | None = None) -> list[Finding]:
    viewer = viewer_of(checker or cast.checker)
    with viewing(viewer, timezone.now()):
        return list(proofs.waiting(viewer))


def finding(cast: Cast, persona: str, spot: Any, species: str = "bluegill", **more: Any) -> Finding:
    return look(cast, persona, spot, "rod", timezone.now(), findings=found(species), **more).findings.get()


def test_oldest_first_by_when_it_arrived(cast: Cast, places: Places) -> None:
    made = [finding(cast, persona, places.shared) for persona in ("member", "rival", "newcomer")]
    Finding.objects.filter(pk=made[2].pk).update(received_at=timezone.now() - timedelta(days=2))
    assert queue(cast) == [made[2], made[0], made[1]]


def test_what_has_a_picture_is_shown_first(cast: Cast, places: Places, client_of: ClientOf) -> None:
    without = finding(cast, "rival", places.shared)
    fields = {"found": "fish", "minutes": "5", "f0__species": "bluegill"}
    seen = saved(post(client_of("member"), places.shared, "camera", **fields, f0__pictures=upload()))
    assert queue(cast) == [without, seen.findings.get()]
    with see(cast, "checker"):
        assert proofs.next_waiting(cast.viewer("checker")) == seen.findings.get()
    client_of("checker").post(f"/proofs/{seen.findings.get().pk}/name/", {"species": "bluegill"})
    with see(cast, "checker"):
        assert proofs.next_waiting(cast.viewer("checker")) == without


def test_private_and_team_findings_do_not_wait(cast: Cast, places: Places) -> None:
    club = finding(cast, "organiser", places.club)
    finding(cast, "member", places.private)
    finding(cast, "captain", places.team)
    finding(cast, "captain", places.shared, "walleye", scope=f"team:{cast.alder.pk}")
    assert queue(cast) == [club]


def test_what_is_verified_or_decided_leaves_and_what_is_open_goes_to_the_next_checker(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    second = Member.objects.create_user("second", "tallow-second", name="Second", is_checker=True)
    verified, opened = (
        finding(cast, "member", places.shared, species) for species in ("bluegill", "walleye")
    )
    client = client_of("checker")
    client.post(f"/proofs/{verified.pk}/name/", {"species": "bluegill"})
    client.post(f"/proofs/{opened.pk}/name/", {"species": "cannot-tell"})
    assert queue(cast) == []
    assert queue(cast, second) == [opened]


def test_the_count_of_the_navigation_is_the_queue_and_nothing_for_others(cast: Cast, places: Places) -> None:
    for persona in ("member", "rival", "checker"):
        finding(cast, persona, places.shared)
    for persona, number in (("checker", 2), ("member", 0), ("organiser", 0), ("nobody", 0)):
        request = RequestFactory().get("/")
        request.viewer = cast.viewer(persona)  # type: ignore[attr-defined]
        with see(cast, persona):
            assert counts(request) == {"proofs_waiting": number}
    assert counts(RequestFactory().get("/")) == {"proofs_waiting": 0}


def test_the_page_shows_pictures_lengths_and_every_species_once(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    fields = {"found": "fish", "minutes": "5", "f0__species": "bluegill", "f0__lengths": "181 176"}
    seen = saved(
        post(client_of("member"), places.shared, "camera", **fields, f0__pictures=[upload(), upload()])
    )
    client = client_of("checker")
    page = client.get("/proofs/").content.decode()
    for picture in seen.pictures.all():
        assert f'src="/pictures/{picture.pk}/"' in page
        assert client.get(f"/pictures/{picture.pk}/").status_code == 200
    assert "181\u00a0mm, 176\u00a0mm" in page
    for species in proofs.nameable():
        assert page.count(f'value="{species.code}"') == 1
    assert 'value="crappie"' not in page
    assert "No picture" not in page


def test_a_finding_without_a_picture_is_marked(cast: Cast, places: Places, client_of: ClientOf) -> None:
    finding(cast, "member", places.shared)
    page = client_of("checker").get("/proofs/").content.decode()
    assert "<b>No picture.</b>" in page
    assert "Not measured" in page


def test_an_empty_queue_says_so(cast: Cast, client_of: ClientOf) -> None:
    assert "No proofs wait for you." in client_of("checker").get("/proofs/").content.decode()


def test_a_proof_page_is_never_stored(cast: Cast, places: Places, client_of: ClientOf) -> None:
    finding(cast, "member", places.shared)
    assert "no-store" in client_of("checker").get("/proofs/")["Cache-Control"]


def test_a_proof_that_nobody_settled_in_fourteen_days_leaves_the_queue_and_stays_what_it_is(
    cast: Cast, places: Places
) -> None:
    at = timezone.now()
    made = look(cast, "member", places.shared, "camera", at - timedelta(hours=2), findings=found("bluegill"))
    finding = made.findings.get()
    for days, waits in ((13.9, True), (14.1, False)):
        Finding.objects.filter(pk=finding.pk).update(received_at=at - timedelta(days=days))
        with see(cast, "checker", at):
            assert (proofs.waiting_count(cast.viewer("checker")) == 1) is waits, days
            assert (proofs.next_waiting(cast.viewer("checker")) == finding) is waits, days
    finding.refresh_from_db()
    assert finding.verified_at is None and finding.withdrawn_at is None
