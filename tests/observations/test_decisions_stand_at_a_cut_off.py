"""What checkers decided stands at a cut-off: taken back or disputed since, it stands still for the frozen."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from club.units import Units
from club.viewer import viewer_of, viewing
from observations import jobs, proofs
from observations.clearing_models import Clearance
from observations.evidence import CLUB, club_taxa, gather
from observations.guide import entries
from observations.inference.types import LANDED, VERIFIED
from observations.models import Confirmation, Finding, Observation, Picture
from observations.proof_models import Dispute
from observations.words import looks_at, what_words, who_words
from spots.event_models import Event
from tests.conftest import Cast, Places, found, look, see
from tests.observations.test_cleared_pictures import decide, offer, shot, shown
from tests.spots.event_kit import enter, make_event, make_older

pytestmark = pytest.mark.usefixtures("quiet_queue")
HOUR = timedelta(hours=1)
ClientOf = Callable[..., Client]


@pytest.fixture
def now() -> datetime:
    return timezone.now()


@pytest.fixture
def event(cast: Cast, places: Places, now: datetime) -> Event:
    """A cut-off an hour ago; the rival and the checker are entered, for themselves."""
    make_older(now - timedelta(days=60))
    event = make_event(
        places.shared.water, cutoff_at=now - HOUR, ends_at=now + timedelta(days=5),
        fishing_from=(now + timedelta(days=3)).date(), fishing_until=(now + timedelta(days=4)).date(),
    )  # fmt: skip
    for member in (cast.rival, cast.checker):
        enter(event, member, entered_at=now - timedelta(days=60))
    return event


@pytest.fixture
def finding(cast: Cast, places: Places, event: Event, now: datetime) -> Finding:
    look(cast, "newcomer", places.shared, "rod", now - timedelta(days=3), findings=found("bluegill"))
    Observation.objects.update(received_at=event.cutoff_at - HOUR)
    return Finding.objects.get()


def decided(
    finding: Finding, checker: Any, decision: str, at: datetime, species: str = "bluegill"
) -> Confirmation:
    return Confirmation.objects.create(
        finding=finding, checker=checker, decision=decision, named_species_id=species, created_at=at,
        reason="blurred" if decision == "rejected" else "",
    )  # fmt: skip


def test_a_decision_taken_back_since_the_cut_off_stands_for_the_frozen(
    cast: Cast, places: Places, event: Event, finding: Finding, now: datetime, client_of: ClientOf
) -> None:
    decided(finding, cast.captain, "corrected", event.cutoff_at - HOUR / 2, "redear-sunfish")

    def told(persona: str) -> tuple[Any, ...]:
        with see(cast, persona):
            (seen,) = looks_at(places.shared.pk)
            (read,) = seen.findings.all()
            words = what_words(seen, Units()), who_words(seen, now)[0]
        (row,) = client_of(persona).get("/api/confirmations/").json()["results"]
        return (read.verified_at is not None, read.corrected_species_id, *words, row["undone_at"])

    before = told("rival")
    assert before[:2] == (True, "redear-sunfish") and "checked by" in before[3] and before[4] is None
    taxa = club_taxa()
    Confirmation.objects.update(undone_at=now - HOUR / 4)
    assert told("newcomer")[:2] == (False, None)
    assert told("rival") == before

    def proved(cut_off: datetime | None) -> dict[str, int]:
        gathered = gather(taxa, (CLUB,), now, [places.shared.pk], cut_off).evidence
        return {taxa.species[k]: int(n) for k, n in enumerate(gathered.grade[0]) if n}

    assert proved(event.cutoff_at) == {"redear-sunfish": VERIFIED}
    assert proved(None) == {"bluegill": LANDED}


def test_a_correction_since_the_cut_off_is_in_no_words_for_the_frozen(
    cast: Cast, places: Places, event: Event, finding: Finding, now: datetime, client_of: ClientOf
) -> None:
    decided(finding, cast.captain, "corrected", now - HOUR / 2, "redear-sunfish")
    for persona, known in (("rival", False), ("newcomer", True)):
        for path in ("", "side-by-side/"):
            page = client_of(persona).get(f"/spots/{places.shared.pk}/{path}").content.decode()
            assert "luegill" in page and ("edear" in page) is known, (persona, path)


def test_a_dispute_since_the_cut_off_brings_nothing_to_a_frozen_checker(
    cast: Cast, event: Event, finding: Finding, now: datetime
) -> None:
    decided(finding, cast.captain, "rejected", event.cutoff_at - HOUR / 2)
    Dispute.objects.create(finding=finding, member=cast.newcomer, reason="six spines", opened_at=now)
    with see(cast, "checker"):
        assert Finding.objects.filter(pk=finding.pk).exists(), "seen with its look"
        assert not proofs.waiting(cast.viewer("checker")).exists()
    event.entries.filter(member=cast.checker).delete()
    with see(cast, "checker"):
        assert proofs.waiting(cast.viewer("checker")).get() == finding


def test_the_field_guide_shows_the_frozen_nothing_decided_since(
    cast: Cast, places: Places, event: Event, finding: Finding, now: datetime
) -> None:
    Picture.objects.create(
        look=finding.look, finding=finding, uploaded_by=cast.newcomer, width=9, height=9,
        created_at=event.cutoff_at - HOUR,
    )  # fmt: skip
    decided(finding, cast.captain, "confirmed", now - HOUR / 2)
    for persona, pictures in (("captain", 1), ("rival", 0)):
        with see(cast, persona):
            assert sum(entry.pictures for entry in entries(cast.viewer(persona), "bluegill")) == pictures, (
                persona
            )


def test_a_cleared_picture_is_named_since_the_cut_off_when_the_event_has_ended(
    cast: Cast, places: Places, event: Event, client_of: ClientOf, now: datetime
) -> None:
    """It says no water, but who fishes there may know which it is; and signing out gains nothing."""
    cast.newcomer.is_checker = True
    cast.newcomer.save()
    before, since = shot(cast, places.shared), shot(cast, places.shared)
    Finding.objects.update(received_at=event.cutoff_at - HOUR)
    first = decided(before.look.findings.get(), cast.captain, "confirmed", event.cutoff_at - HOUR / 2)
    for taken in (before, since):
        offer(client_of, taken)
        decide(client_of, taken, "newcomer")

    keys = [Clearance.objects.get(picture=taken.picture).cleared_id for taken in (before, since)]

    def named() -> list[object]:
        told = {row["id"]: row["species"] for row in shown()}
        return [told[str(key)] for key in keys]

    assert named() == ["bluegill", None], "what was proved before the cut-off is known"
    decided(since.look.findings.get(), cast.captain, "confirmed", now)
    Confirmation.objects.filter(pk=first.pk).update(undone_at=now)
    jobs.tell_cleared(now)
    assert named() == ["bluegill", None]
    jobs.tell_cleared(event.ends_at + HOUR)
    assert named() == [None, "bluegill"] and not Clearance.objects.filter(untold=True).exists()


def test_a_list_is_put_right_in_one_statement(
    cast: Cast, places: Places, event: Event, finding: Finding, now: datetime
) -> None:
    caught = [*found("redear-sunfish"), *found("walleye")]
    look(cast, "captain", places.shared, "rod", now - timedelta(days=3), findings=caught)
    Observation.objects.update(received_at=event.cutoff_at - HOUR)
    for one in Finding.objects.all():
        made = decided(
            one, cast.newcomer if one != finding else cast.captain, "rejected", event.cutoff_at - HOUR
        )
        Confirmation.objects.filter(pk=made.pk).update(undone_at=now)
    with see(cast, "rival"), CaptureQueriesContext(connection) as asked:
        looks = looks_at(places.shared.pk)
        rows = [row for one in looks for f in one.findings.all() for row in f.confirmations.all()]
    assert [row.undone_at for row in rows] == [None] * 3
    assert sum("observations_settled" in query["sql"] for query in asked) == 1
    alone = [query for query in asked if 'WHERE "observations_finding"."id"' in query["sql"]]
    assert len(alone) == 1


def test_a_second_press_at_the_same_moment_takes_back_nothing_more(
    cast: Cast, finding: Finding, now: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    row = decided(finding, cast.captain, "rejected", now - 2 * HOUR)
    cast.captain.is_checker = True
    cast.captain.save()
    read = Confirmation.from_db

    def meanwhile(*values: Any, **more: Any) -> Confirmation:
        one = read(*values, **more)
        Confirmation.objects.filter(pk=row.pk, undone_at=None).update(undone_at=now)
        return one

    viewer = viewer_of(cast.captain)
    with viewing(viewer, now):
        monkeypatch.setattr(Confirmation, "from_db", meanwhile)
        with pytest.raises(ValidationError, match="already"):
            proofs.undo(viewer, row.pk, now)
