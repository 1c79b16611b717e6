"""Decisions on a proof together: taken back, disputed, decided by most, named once more; what they settled follow."""

import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import DatabaseError, transaction
from django.test import Client
from django.utils import timezone

from club.models import Member, TeamMembership
from club.viewer import viewer_of, viewing, working
from observations import jobs, proofs
from observations.models import Confirmation, Due, Finding, History, Refit
from observations.proof_models import Dispute
from tests.conftest import Cast, Places, found, look, see, sonar

ClientOf = Callable[..., Client]


@pytest.fixture(autouse=True)
def _quiet(quiet_queue: SimpleNamespace) -> None:
    pass


@pytest.fixture
def finding(cast: Cast, places: Places) -> Finding:
    at = timezone.now() - timedelta(days=3)
    return look(cast, "member", places.shared, "rod", at, findings=found("white-crappie")).findings.get()


def checkers(number: int) -> list[Client]:
    made = []
    for n in range(number):
        member = Member.objects.create_user(f"c{n}", "tallow-c", name=f"Checker {n}", is_checker=True)
        client = Client()
        client.force_login(member)
        made.append(client)
    return made


def judge(
    client: Client, finding: Finding, species: str, decision: str = "corrected", reason: str = ""
) -> None:
    """Name it blind, and decide where the claim differs."""
    assert client.post(f"/proofs/{finding.pk}/name/", {"species": species}).status_code == 302
    if species != finding.species_id and species != "cannot-tell":
        answer = client.post(f"/proofs/{finding.pk}/decide/", {"decision": decision, "reason": reason})
        assert answer.status_code == 302


def state(finding: Finding) -> tuple[bool, str | None, bool]:
    finding.refresh_from_db()
    return finding.verified_at is not None, finding.corrected_species_id, finding.disputed_at is not None


def waits_for(client: Client, finding: Finding) -> bool:
    return client.get(f"/proofs/{finding.pk}/").status_code == 200


def undo(client: Client) -> Any:
    row = Confirmation.objects.get(checker__username=client_name(client), undone_at=None)
    return client.post(f"/proofs/decided/{row.pk}/undo/")


def client_name(client: Client) -> str:
    return Member.objects.get(pk=client.session["_auth_user_id"]).username


def test_a_decision_is_taken_back_logged_and_can_be_made_again(finding: Finding) -> None:
    (one,) = checkers(1)
    judge(one, finding, "white-crappie")
    assert state(finding) == (True, None, False)
    assert undo(one)["Location"] == f"/proofs/{finding.pk}/"
    assert state(finding) == (False, None, False)
    log = one.get("/proofs/decided/").content.decode()
    assert "taken back" in log and "white crappie" in log
    assert (
        "Verify it after all, as <b>white crappie</b>" in one.get(f"/proofs/{finding.pk}/").content.decode()
    )
    one.post(f"/proofs/{finding.pk}/decide/", {"decision": "confirmed"})
    assert state(finding) == (True, None, False)
    assert Confirmation.objects.count() == 2, "both stand in the log"


def test_a_correction_taken_back_cannot_become_a_confirmation_of_what_was_seen(finding: Finding) -> None:
    (one,) = checkers(1)
    judge(one, finding, "black-crappie")
    assert state(finding) == (True, "black-crappie", False)
    undo(one)
    assert state(finding) == (False, None, False)
    assert one.post(f"/proofs/{finding.pk}/decide/", {"decision": "confirmed"}).status_code == 422
    one.post(f"/proofs/{finding.pk}/decide/", {"decision": "rejected", "reason": "blurred"})
    assert state(finding) == (False, None, False)


def test_taking_back_scores_anew_what_it_settled(
    cast: Cast, places: Places, django_capture_on_commit_callbacks: Any, quiet_queue: SimpleNamespace
) -> None:
    at = timezone.now() - timedelta(days=3)
    look(cast, "member", places.shared, "2d", at, groups=sonar("bluegill", 0.7))
    seen = look(
        cast, "member", places.shared, "camera", at + timedelta(minutes=5), minutes=6,
        findings=found("bluegill", tie="same fish"),
    )  # fmt: skip
    jobs.refit()
    (one,) = checkers(1)

    def chance() -> float:
        jobs.refresh_spot(places.shared.pk, timezone.now())
        return History.objects.get(
            spot=places.shared, species="bluegill", scope="club", edition="live"
        ).probability

    before = chance()
    judge(one, seen.findings.get(), "redear-sunfish")
    corrected = chance()
    assert corrected < before
    Due.objects.all().delete()
    with django_capture_on_commit_callbacks(execute=True):
        undo(one)
    assert [due.spot_id for due in Due.objects.all()] == [places.shared.pk]
    assert quiet_queue.wakes >= 1
    assert chance() == pytest.approx(before, abs=1e-3)
    with working(timezone.now()):
        assert Refit.objects.count() == 1


def test_nobody_takes_back_what_is_not_theirs_or_twice(
    cast: Cast, finding: Finding, client_of: ClientOf
) -> None:
    one, two = checkers(2)
    judge(one, finding, "white-crappie")
    row = Confirmation.objects.get()
    path = f"/proofs/decided/{row.pk}/undo/"
    for client, status in ((two, 404), (client_of("organiser"), 404), (client_of("member"), 404)):
        assert client.post(path).status_code == status
    with viewing(viewer_of(row.checker), timezone.now()):
        for change in ({"decision": "unsure"}, {"reason": "else"}):
            with pytest.raises(DatabaseError, match="permission denied"), transaction.atomic():
                Confirmation.objects.update(**change)
        with pytest.raises(DatabaseError, match="taken back"), transaction.atomic():
            Confirmation.objects.update(undone_at=timezone.now() - timedelta(days=9))
    one.post(path)
    assert state(finding)[0] is False
    assert "taken back already" in one.post(path, follow=True).content.decode()


def test_who_could_not_tell_has_nothing_to_take_back(finding: Finding) -> None:
    (one,) = checkers(1)
    judge(one, finding, "cannot-tell")
    row = Confirmation.objects.get()
    log = one.get("/proofs/decided/").content.decode()
    assert "could not tell" in log and "white crappie" not in log and "/undo/" not in log
    assert "nothing to take back" in one.post(f"/proofs/decided/{row.pk}/undo/", follow=True).content.decode()
    assert Confirmation.objects.get().undone_at is None


def test_an_observer_disputes_a_rejection_and_the_next_checker_resolves_it(
    cast: Cast, finding: Finding, client_of: ClientOf
) -> None:
    one, two, three = checkers(3)
    member = client_of("member")
    path = f"/proofs/{finding.pk}/dispute/"
    assert member.post(path, {"reason": "why"}).status_code == 422, "there is nothing to dispute yet"
    judge(one, finding, "black-crappie", "rejected", "the fins are hidden")
    assert not waits_for(two, finding), "a rejection settles it"
    assert "the fins are hidden" in member.get("/log/mine/").content.decode()
    assert "the fins are hidden" in member.get(path).content.decode()
    assert member.post(path, {"reason": " "}).status_code == 422
    assert client_of("rival").get(path).status_code == 404
    member.post(path, {"reason": "six spines, on the second picture"})
    assert state(finding) == (False, None, True)
    assert member.post(path, {"reason": "again"}).status_code == 422
    assert not waits_for(one, finding), "who has decided does not decide again"
    first = two.get(f"/proofs/{finding.pk}/").content.decode()
    assert "six spines" not in first and "isputed by" not in first, "blind until named"
    judge(two, finding, "white-crappie")
    assert state(finding) == (False, None, True), "one against one proves nothing: still disputed"
    judge(three, finding, "white-crappie")
    assert state(finding) == (True, None, False)


def test_who_differs_and_leaves_it_open_disputes_it_and_most_decide(finding: Finding) -> None:
    one, two, three, four = checkers(4)
    judge(one, finding, "black-crappie", "unsure")
    assert state(finding) == (False, None, True)
    judge(two, finding, "bluegill")
    assert state(finding) == (True, "bluegill", False)
    assert not waits_for(three, finding)
    # Drawn once more, another finds the observer right: level, so the claim stands until a third decides.
    with viewing(viewer_of(Member.objects.get(username="c2")), timezone.now()):
        Confirmation.objects.create(
            finding=finding, checker_id=Member.objects.get(username="c2").pk,
            named_species_id="white-crappie", decision="confirmed",
        )  # fmt: skip
    assert state(finding) == (True, None, True)
    judge(four, finding, "bluegill")
    assert state(finding) == (True, "bluegill", False)


def test_of_the_verified_some_come_back_unmarked_to_somebody_else(
    finding: Finding, settings: Any, cast: Cast
) -> None:
    one, two, three = checkers(3)
    judge(one, finding, "white-crappie")
    assert not waits_for(two, finding)
    settings.RECHECK_ODDS = 1.0
    assert not waits_for(one, finding)
    page = two.get(f"/proofs/{finding.pk}/").content.decode()
    assert "What is this?" in page and "erified" not in page.split("<main", 1)[1]
    judge(two, finding, "bluegill")
    assert state(finding) == (True, None, True)
    judge(three, finding, "white-crappie")
    assert state(finding) == (True, None, False)
    Finding.objects.filter(pk=finding.pk).update(verified_at=timezone.now() - timedelta(days=15))
    settings.RECHECK_ODDS = 0.05
    many = sum(proofs.drawn(uuid.uuid4()) for _ in range(4000))
    assert 130 < many < 280, "one in twenty"  # 200, give or take 5.8 standard deviations


def test_the_queue_is_sorted_as_asked(cast: Cast, places: Places) -> None:
    at = timezone.now() - timedelta(hours=8)

    def made(species: str, hours: int, method: str = "rod", **more: Any) -> Finding:
        when = at + timedelta(hours=hours)
        seen = look(cast, "member", places.shared, method, when, minutes=5, findings=found(species, **more))
        return seen.findings.get()

    plain, ripe = made("bluegill", 0), made("walleye", 1)
    look(
        cast,
        "member",
        places.shared,
        "2d",
        at + timedelta(hours=2),
        groups=sonar("bluegill", 0.6),
    )
    telling = made("spotted-bass", 3, "camera", tie="same fish")
    assert telling.settles_id is not None
    Finding.objects.filter(pk=ripe.pk).update(disputed_at=at)
    orders = {
        "oldest": [plain, ripe, telling],
        "disputed": [ripe, plain, telling],
        "matters": [telling, plain, ripe],
    }
    with see(cast, "checker"):
        for order, expected in orders.items():
            assert list(proofs.ordered(proofs.waiting(cast.viewer("checker")), order)) == expected, order


def test_nobody_disputes_what_another_found(cast: Cast, finding: Finding) -> None:
    (one,) = checkers(1)
    judge(one, finding, "black-crappie", "rejected", "blurred")
    at = timezone.now()
    for persona, member in (("rival", cast.rival), ("rival", cast.member), ("checker", cast.checker)):
        with see(cast, persona, at), pytest.raises(DatabaseError, match="row-level"), transaction.atomic():
            Dispute.objects.create(finding=finding, member=member, reason="mine", opened_at=at)
    assert state(finding) == (False, None, False)


def test_a_teams_proof_waits_for_a_checker_of_that_team_alone(cast: Cast, places: Places) -> None:
    private = look(
        cast, "captain", places.team, "rod", timezone.now(), findings=found("walleye")
    ).findings.get()

    def queue() -> list[Finding]:
        viewer = viewer_of(Member.objects.get(pk=cast.checker.pk))
        with viewing(viewer, timezone.now()):
            return list(proofs.waiting(viewer))

    assert queue() == []
    TeamMembership.objects.create(team=cast.alder, member=cast.checker)
    assert queue() == [private]


@pytest.mark.parametrize("days", [13, 15])
def test_what_nobody_checked_says_so_after_fourteen_days(
    finding: Finding, client_of: ClientOf, places: Places, days: int
) -> None:
    at: datetime = timezone.now() - timedelta(days=days)
    Finding.objects.filter(pk=finding.pk).update(received_at=at)
    mine = client_of("member").get("/log/mine/").content.decode()
    sheet = client_of("member").get(f"/spots/{places.shared.pk}/").content.decode()
    assert ("waits for a checker" in mine, "waits for a checker" in sheet) == (days == 13,) * 2
    assert ("nobody checked it, so it stays landed" in mine, "never checked" in sheet) == (days == 15,) * 2
