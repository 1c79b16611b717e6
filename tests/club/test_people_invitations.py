"""Invitations: a link that makes one account, works once and expires."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from club.models import Invitation, Member, TeamMembership, digest
from tests.conftest import Cast

GOOD = {
    "name": "Wen Liao",
    "username": "wen",
    "password": "perch in the reeds",
    "password_again": "perch in the reeds",
}


@pytest.fixture
def issue(cast: Cast) -> Callable[..., tuple[Invitation, str]]:
    def make(**fields: Any) -> tuple[Invitation, str]:
        fields.setdefault("moment", timezone.now())
        return Invitation.issue(created_by=cast.organiser, **fields)

    return make


def accept(token: str, **changed: str) -> Any:
    return Client().post(f"/invitation/{token}/", {**GOOD, **changed})


def test_an_organiser_gets_the_link_once_with_a_qr_code(client_of: Callable[[str], Client]) -> None:
    client = client_of("organiser")
    page = client.post("/club/invite/", {"name": "Wen", "role": "member"})
    link = page.context["link"]
    assert link.startswith("http://testserver/invitation/") and link in page.content.decode()
    assert "<svg" in page.content.decode() and "style=" not in page.content.decode()
    later = client.get("/club/invite/").content.decode()
    assert link not in later and "Wen" in later
    token = link.rstrip("/").rsplit("/", 1)[1]
    stored = Invitation.objects.get()
    assert stored.token_digest == digest(token) and token not in str(vars(stored))


def test_the_invited_gets_the_promised_role_and_is_signed_in(cast: Cast, issue: Any) -> None:
    _, token = issue(role="member", is_checker=True, team=cast.alder)
    client = Client()
    page = client.get(f"/invitation/{token}/").content.decode()
    assert "Test club" in page and "Team Alder" in page
    answer = client.post(f"/invitation/{token}/", {**GOOD, "role": "organiser", "is_active": "1"})
    assert answer.status_code == 302
    wen = Member.objects.get(username="wen")
    assert (wen.role, wen.is_checker, wen.is_active) == ("member", True, True)
    assert TeamMembership.objects.filter(member=wen, team=cast.alder, is_captain=False).exists()
    assert "Wen Liao" in client.get("/account/").content.decode()
    assert Invitation.objects.get().used_by == wen


def test_unknown_used_expired_and_withdrawn_links_answer_alike(cast: Cast, issue: Any) -> None:
    _, used = issue()
    accept(used)
    expired = issue(moment=timezone.now() - timedelta(days=14, seconds=1))[1]
    invitation, withdrawn = issue()
    organiser = Client()
    organiser.force_login(cast.organiser)
    organiser.post(f"/club/invite/{invitation.pk}/withdraw/")
    answers = [
        (answer.status_code, answer.content)
        for token in (used, expired, withdrawn, "never-issued", "%00")
        for answer in (Client().get(f"/invitation/{token}/"), accept(token, username="late"))
    ]
    assert {status for status, _ in answers} == {404}
    assert len({body for _, body in answers}) == 1
    assert b"cannot be used" in answers[0][1]
    assert not Member.objects.filter(username="late").exists()


def test_a_link_works_until_its_fourteenth_day(issue: Any) -> None:
    _, token = issue(moment=timezone.now() - timedelta(days=13, hours=23))
    assert accept(token).status_code == 302


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("username", "MEMBER", "is taken"),
        ("username", "two words", "Use letters"),
        ("password", "short", "too short"),
        ("password", "password1234", "too common"),
        ("password_again", "something else", "differ"),
        ("name", "", "required"),
    ],
)
def test_a_mistake_is_named_and_leaves_the_invitation_open(
    cast: Cast, issue: Any, field: str, value: str, words: str
) -> None:
    _, token = issue()
    answer = accept(token, **{field: value})
    assert words in answer.content.decode()
    assert Member.objects.count() == 8
    assert accept(token).status_code == 302


def test_someone_signed_in_does_not_use_up_a_link_by_opening_it(
    client_of: Callable[[str], Client], issue: Any
) -> None:
    _, token = issue()
    client = client_of("rival")
    assert "signed in as" in client.get(f"/invitation/{token}/").content.decode()
    assert client.post(f"/invitation/{token}/", GOOD).status_code == 200
    assert accept(token).status_code == 302


@pytest.mark.parametrize("persona", ["checker", "member", "captain", "rival", "newcomer", "guest"])
def test_only_an_organiser_invites(
    cast: Cast, client_of: Callable[[str], Client], issue: Any, persona: str
) -> None:
    invitation, _ = issue()
    client = client_of(persona)
    assert client.get("/club/invite/").status_code == 404
    assert client.post("/club/invite/", {"role": "organiser"}).status_code == 404
    assert client.post(f"/club/invite/{invitation.pk}/withdraw/").status_code == 404
    assert Invitation.objects.filter(expires_at__gt=timezone.now()).count() == 1


def test_an_organiser_invites_nobody_into_a_team_with_a_captain(
    cast: Cast, client_of: Callable[[str], Client]
) -> None:
    answer = client_of("organiser").post("/club/invite/", {"role": "member", "team": str(cast.bittern.pk)})
    assert answer.status_code == 400 and not Invitation.objects.exists()
