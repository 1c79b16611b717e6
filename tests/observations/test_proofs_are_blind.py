"""A checker names the species before the claim is sent, cannot change it, and never learns the place."""

import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction
from django.test import Client
from django.utils import timezone

from club.viewer import working
from observations import proofs
from observations.evidence import club_taxa, gather_club
from observations.models import BlindName, Confirmation, Finding
from tests.conftest import PERSONAS, Cast, Places, found, look, see
from tests.observations.test_cleared_pictures import decide as clear
from tests.observations.test_cleared_pictures import offer, shot

ClientOf = Callable[..., Client]


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


@pytest.fixture
def finding(cast: Cast, places: Places) -> Finding:
    """A white crappie of 312 mm, landed by `member` at a spot that the checker sees exactly."""
    at = timezone.now() - timedelta(days=3, hours=2)
    seen = look(
        cast,
        "member",
        places.shared,
        "rod",
        at,
        note="Canary note",
        findings=found("white-crappie", lengths_mm=(312,)),
    )
    return seen.findings.get()


def shown(page: str) -> str:
    """Return a page's main part without the list of species, which is the same for every proof."""
    main = page.split("<main", 1)[1].split("</main>", 1)[0]
    return re.sub(r'<fieldset class="choices".*?</fieldset>', "", main, flags=re.S)


def name(client: Client, finding: Finding, species: str) -> Any:
    return client.post(f"/proofs/{finding.pk}/name/", {"species": species})


def decide(client: Client, finding: Finding, decision: str, reason: str = "") -> Any:
    return client.post(f"/proofs/{finding.pk}/decide/", {"decision": decision, "reason": reason})


def test_before_naming_nothing_of_the_claim_place_name_or_date_is_sent(
    cast: Cast, finding: Finding, client_of: ClientOf
) -> None:
    client = client_of("checker")
    at = finding.look.started_at
    for address in ("/proofs/", f"/proofs/{finding.pk}/"):
        page = client.get(address).content.decode()
        words = shown(page)
        assert "312" in words  # the length is shown
        told = [
            "crappie",
            "Canary",
            "Test water",
            "Member",
            "rod",
            f"{at.day} {at:%b}",
            f"{at:%Y-%m-%d}",
            f"{at:%H:%M}",
        ]
        told += [str(finding.look_id), str(finding.look.spot_id), str(cast.member.pk)]
        for word in told:
            assert word not in words, word


def test_the_page_of_two_claims_differs_in_nothing_but_their_ids(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    now = timezone.now()
    keys = []
    for persona, spot, species, hours in (
        ("member", places.shared, "white-crappie", 5),
        ("organiser", places.club, "bluegill", 2),
    ):
        at = now - timedelta(hours=hours)
        seen = look(cast, persona, spot, "camera", at, findings=found(species, lengths_mm=(200,)))
        keys.append(str(seen.findings.get().pk))
    client = client_of("checker")
    pages = []
    for key in keys:
        page = client.get(f"/proofs/{key}/").content.decode()
        pages.append(re.sub(r'value="[A-Za-z0-9]{64}"', "", page).replace(key, ""))
    assert pages[0] == pages[1]


def test_who_could_read_the_claim_elsewhere_is_counted_as_no_blind_check(
    cast: Cast, places: Places, client_of: ClientOf, settings: Any
) -> None:
    """By the look itself, which this checker sees, or by a copy that everybody sees with its name."""
    settings.RECHECK_ODDS = 1.0
    seen, unseen = shot(cast, places.shared), shot(cast, places.club, "organiser")
    copied = shot(cast, places.club, "organiser")
    offer(client_of, copied, "organiser")
    clear(client_of, copied)
    Confirmation.objects.create(
        finding=copied.look.findings.get(),
        checker=cast.captain,
        named_species_id="bluegill",
        decision="confirmed",
    )
    client = client_of("checker")
    for taken in (seen, unseen, copied):
        assert name(client, taken.look.findings.get(), "bluegill").status_code == 302
    blind = dict(BlindName.objects.values_list("finding__look", "blind"))
    assert blind == {seen.look.pk: False, unseen.look.pk: True, copied.look.pk: False}
    assert client.get("/proofs/decided/").content.decode().count(">not counted as blind<") == 2
    Confirmation.objects.filter(checker=cast.captain).delete()
    with working(timezone.now()):
        assert gather_club(club_taxa(), timezone.now()).evidence.rechecked == 1


def test_the_same_name_verifies_at_once(finding: Finding, client_of: ClientOf, cast: Cast) -> None:
    answer = name(client_of("checker"), finding, "white-crappie")
    assert answer["Location"] == "/proofs/"
    finding.refresh_from_db()
    assert (finding.verified_at is not None, finding.corrected_species_id) == (True, None)
    row = Confirmation.objects.get()
    assert (row.checker, row.named_species_id, row.decision) == (cast.checker, "white-crappie", "confirmed")
    assert row.reason == proofs.NO_PICTURE


def test_a_different_name_is_stored_before_the_claim_is_sent(finding: Finding, client_of: ClientOf) -> None:
    client = client_of("checker")
    answer = name(client, finding, "black-crappie")
    assert "white crappie" not in answer.content.decode()
    assert BlindName.objects.get().named_species_id == "black-crappie"
    assert not Confirmation.objects.exists()
    page = shown(client.get(answer["Location"]).content.decode())
    assert "You named <b>black crappie</b>. The observer says <b>white crappie</b>." in page
    for word in ("Canary", "Test water", "Member"):
        assert word not in page


def test_the_first_name_stands_whatever_is_tried(cast: Cast, finding: Finding, client_of: ClientOf) -> None:
    client = client_of("checker")
    name(client, finding, "black-crappie")
    for _ in range(2):
        assert "What is this?" not in client.get(f"/proofs/{finding.pk}/").content.decode()
        assert "What is this?" not in client.get("/proofs/").content.decode()
    again = name(client, finding, "white-crappie")
    assert again.status_code == 422
    assert "the first name stands" in again.content.decode()
    assert (
        decide(client, finding, "confirmed").status_code == 422
    )  # seeing the claim, one can no longer confirm it
    assert BlindName.objects.get().named_species_id == "black-crappie"
    assert not Confirmation.objects.exists()
    # Nor past the pages: the database keeps it too.
    with see(cast, "checker"), pytest.raises(DatabaseError, match="permission denied"), transaction.atomic():
        BlindName.objects.update(named_species_id="white-crappie")
    with see(cast, "checker"), pytest.raises(DatabaseError, match="permission denied"), transaction.atomic():
        BlindName.objects.all()._raw_delete("default")
    with see(cast, "checker"), pytest.raises(DatabaseError, match="first stands"), transaction.atomic():
        Confirmation.objects.create(
            finding=finding, checker=cast.checker, named_species_id="white-crappie", decision="confirmed"
        )
    finding.refresh_from_db()
    assert finding.verified_at is None


def test_deciding_comes_after_naming(cast: Cast, finding: Finding, client_of: ClientOf) -> None:
    client = client_of("checker")
    for decision in ("corrected", "rejected", "unsure", "confirmed"):
        answer = decide(client, finding, decision, "because")
        assert answer.status_code == 422
        assert "white crappie" not in shown(answer.content.decode())
    assert not Confirmation.objects.exists()
    with see(cast, "checker"), pytest.raises(ValidationError, match="Name the species first"):
        proofs.decide(finding, cast.checker, "corrected", "", timezone.now())


@pytest.mark.parametrize(
    ("decision", "reason", "verified", "corrected"),
    [
        ("corrected", "", True, "black-crappie"),
        ("rejected", "the fins are out of the picture", False, None),
        ("unsure", "", False, None),
    ],
)
def test_what_a_checker_may_make_of_a_difference(
    decision: str, reason: str, verified: bool, corrected: str | None, finding: Finding, client_of: ClientOf
) -> None:
    client = client_of("checker")
    name(client, finding, "black-crappie")
    assert decide(client, finding, decision, reason)["Location"] == "/proofs/"
    finding.refresh_from_db()
    assert (finding.verified_at is not None, finding.corrected_species_id) == (verified, corrected)
    row = Confirmation.objects.get()
    assert (row.decision, row.named_species_id, row.reason) == (decision, "black-crappie", reason)
    assert client.get(f"/proofs/{finding.pk}/").status_code == 404  # decided: gone from this checker's queue
    assert decide(client, finding, decision, reason).status_code == 404


def test_a_rejection_needs_a_reason(finding: Finding, client_of: ClientOf) -> None:
    client = client_of("checker")
    name(client, finding, "black-crappie")
    answer = decide(client, finding, "rejected", "  ")
    assert answer.status_code == 422
    assert "needs a reason" in answer.content.decode()
    long = decide(client, finding, "rejected", "x" * 301)
    assert "301 letters; at most 300" in long.content.decode()
    assert not Confirmation.objects.exists()


def test_cannot_tell_leaves_it_open_without_telling_the_claim(finding: Finding, client_of: ClientOf) -> None:
    client = client_of("checker")
    answer = client.post(f"/proofs/{finding.pk}/name/", {"species": "cannot-tell"}, follow=True)
    assert "white crappie" not in shown(answer.content.decode())
    finding.refresh_from_db()
    assert finding.verified_at is None
    row = Confirmation.objects.get()
    assert (row.decision, row.named_species_id) == ("unsure", None)


@pytest.mark.parametrize("species", ["", "crappie", "merfolk", "not-fish"])
def test_only_a_species_can_be_named(species: str, finding: Finding, client_of: ClientOf) -> None:
    answer = name(client_of("checker"), finding, species)
    assert answer.status_code == 422
    assert "white crappie" not in shown(answer.content.decode())
    assert not BlindName.objects.exists()


def test_nobody_confirms_their_own(cast: Cast, places: Places, client_of: ClientOf) -> None:
    own = look(
        cast, "checker", places.shared, "rod", timezone.now(), findings=found("bluegill")
    ).findings.get()
    other = look(
        cast, "member", places.shared, "rod", timezone.now(), findings=found("bluegill")
    ).findings.get()
    client = client_of("checker")
    assert client.get(f"/proofs/{own.pk}/").status_code == 404
    assert name(client, own, "bluegill").status_code == 404
    with see(cast, "checker"):
        assert list(proofs.waiting(cast.viewer("checker"))) == [other]
        with pytest.raises(ValidationError, match="their own"):
            proofs.name_species(own, cast.checker, "bluegill", timezone.now())
        for table in (BlindName, Confirmation):
            row: Any = table(finding=own, checker=cast.checker, named_species_id="bluegill")
            if isinstance(row, Confirmation):
                row.decision = "confirmed"
            with pytest.raises(DatabaseError), transaction.atomic():
                row.save(force_insert=True)
    own.refresh_from_db()
    assert own.verified_at is None


@pytest.mark.parametrize("persona", PERSONAS)
def test_the_queue_is_the_checkers_alone(persona: str, finding: Finding, client_of: ClientOf) -> None:
    client = client_of(persona)
    gets = [client.get(address).status_code for address in ("/proofs/", f"/proofs/{finding.pk}/")]
    posts = [name(client, finding, "bluegill").status_code, decide(client, finding, "unsure").status_code]
    if persona == "checker":
        assert (gets, posts) == ([200, 200], [302, 302])
    elif persona == "nobody":
        assert (gets, posts) == ([302, 302], [302, 302])
    else:
        assert (gets, posts) == ([404, 404], [404, 404])
        assert client.get(f"/proofs/{uuid.uuid4()}/").status_code == 404
    assert Confirmation.objects.exists() == (persona == "checker")


def test_confirming_wakes_the_worker_and_makes_the_unseen_spot_due(
    cast: Cast,
    places: Places,
    client_of: ClientOf,
    quiet_queue: SimpleNamespace,
    django_capture_on_commit_callbacks: Any,
) -> None:
    from observations.models import Due

    seen = look(cast, "organiser", places.club, "camera", timezone.now(), findings=found("bluegill"))
    Due.objects.all().delete()
    with django_capture_on_commit_callbacks(execute=True):
        name(client_of("checker"), seen.findings.get(), "bluegill")
    assert [due.spot_id for due in Due.objects.all()] == [places.club.pk]
    assert quiet_queue.wakes == 1
