"""What the database itself refuses, when a view forgets to: rows of members, tokens, teams and invitations."""

from collections.abc import Callable
from typing import Any

import pytest
from django.db import DatabaseError, connection
from django.utils import timezone

from club.models import (
    ApiToken,
    AudiencePolicy,
    Club,
    Invitation,
    Member,
    SignInAttempt,
    Team,
    TeamMembership,
)
from club.people import holding
from club.viewer import PUBLIC, viewing, working
from tests.conftest import Cast, see

REFUSED = pytest.raises(DatabaseError, match=r"row-level security|permission denied|Only a|A club keeps")


def new_member(**more: Any) -> Member:
    return Member(username="planted", name="Planted", password="!", **more)


@pytest.mark.parametrize("persona", ["rival", "guest", "checker", "nobody"])
def test_the_row_of_another_does_not_change(cast: Cast, persona: str) -> None:
    with see(cast, persona):
        changed = Member.objects.filter(pk=cast.member.pk).update(name="Taken over", shares_thin_history=True)
    assert changed == 0
    assert Member.objects.get(pk=cast.member.pk).name == "Member"


@pytest.mark.parametrize(
    "change",
    [
        {"role": "organiser"},
        {"is_checker": True},
        {"is_active": False},
        {"username": "other"},
        {"left_at": timezone.now(), "is_active": False},
    ],
)
def test_nobody_raises_themselves(cast: Cast, change: dict[str, Any]) -> None:
    with REFUSED, see(cast, "member"):
        Member.objects.filter(pk=cast.member.pk).update(**change)


@pytest.mark.parametrize(
    "change", [{"password": "!"}, {"shares_thin_history": True}, {"name": "Else"}, {"username": "else"}]
)
def test_an_organiser_does_not_change_what_is_a_members_own(cast: Cast, change: dict[str, Any]) -> None:
    with REFUSED, see(cast, "organiser"):
        Member.objects.filter(pk=cast.member.pk).update(**change)


def test_the_last_organiser_cannot_be_taken_away(cast: Cast) -> None:
    for change in ({"role": "member"}, {"is_active": False}):
        with REFUSED, see(cast, "organiser"):
            Member.objects.filter(pk=cast.organiser.pk).update(**change)


def test_no_member_row_is_ever_deleted_by_the_web(cast: Cast) -> None:
    with REFUSED, see(cast, "organiser"):
        connection.cursor().execute("DELETE FROM club_member WHERE id = %s", [cast.member.pk])


@pytest.mark.parametrize("persona", ["member", "guest", "nobody"])
def test_no_account_without_invitation(cast: Cast, persona: str) -> None:
    with REFUSED, see(cast, persona), holding("a guess"):
        new_member().save(force_insert=True)


def test_an_invitation_makes_only_what_it_promises(cast: Cast) -> None:
    now = timezone.now()
    _, token = Invitation.issue(moment=now, created_by=cast.organiser, role="member", team=cast.alder)
    for more in ({"role": "organiser"}, {"role": "member", "is_checker": True}):
        with REFUSED, viewing(PUBLIC, now), holding(token):
            new_member(**more).save(force_insert=True)
    with viewing(PUBLIC, now), holding(token):
        made = new_member(role="member")
        made.save(force_insert=True)
        TeamMembership.objects.create(team=cast.alder, member=made)
    with REFUSED, viewing(PUBLIC, now), holding(token):
        TeamMembership.objects.create(team=cast.bittern, member=made)


def test_an_organiser_adds_only_people_who_cannot_sign_in(cast: Cast) -> None:
    with see(cast, "organiser"):
        new_member(is_active=False).save(force_insert=True)
    with REFUSED, see(cast, "organiser"):
        Member(username="sock", name="Sock", password="!").save(force_insert=True)


def test_no_second_first_organiser(cast: Cast) -> None:
    Club.objects.update(setup_key_digest="0" * 64)
    with REFUSED, viewing(PUBLIC, timezone.now()):
        connection.cursor().execute("SELECT set_config('tallow.key', %s, true)", ["0" * 64])
        new_member(role="organiser").save(force_insert=True)


@pytest.mark.parametrize("persona", ["member", "captain", "guest", "nobody"])
def test_invitations_are_the_organisers(cast: Cast, persona: str) -> None:
    invitation, _ = Invitation.issue(moment=timezone.now(), created_by=cast.organiser, name="canary")
    with see(cast, persona):
        assert not Invitation.objects.exists()
        assert Invitation.objects.filter(pk=invitation.pk).update(expires_at=timezone.now()) == 0
    with REFUSED, see(cast, persona):
        Invitation.issue(moment=timezone.now(), role="organiser")


def test_an_invitation_keeps_its_promise(cast: Cast) -> None:
    Invitation.issue(moment=timezone.now(), created_by=cast.organiser)
    with REFUSED, see(cast, "organiser"):
        Invitation.objects.update(role="organiser")


def test_tokens_are_seen_and_made_by_their_member_alone(cast: Cast) -> None:
    stored, _ = ApiToken.issue(cast.member)
    with see(cast, "rival"):
        assert not ApiToken.objects.exists()
        assert ApiToken.objects.filter(pk=stored.pk).update(revoked_at=timezone.now()) == 0
    for persona in ("rival", "organiser", "nobody"):
        with REFUSED, see(cast, persona):
            ApiToken.issue(cast.member)
    with REFUSED, see(cast, "member"):
        ApiToken.objects.update(member=cast.rival)


def test_nobody_joins_a_team_by_themselves(cast: Cast) -> None:
    for persona in ("rival", "newcomer", "organiser", "teammate"):
        with REFUSED, see(cast, persona):
            TeamMembership.objects.create(team=cast.alder, member=cast.newcomer)
    with see(cast, "captain"):
        TeamMembership.objects.create(team=cast.alder, member=cast.newcomer)


def test_a_team_place_is_given_and_taken_by_who_leads(cast: Cast) -> None:
    with see(cast, "rival"):
        assert TeamMembership.objects.filter(team=cast.alder).update(is_captain=True) == 0
        assert TeamMembership.objects.filter(team=cast.alder).delete()[0] == 0
    with see(cast, "teammate"):
        assert TeamMembership.objects.filter(team=cast.alder).update(is_captain=True) == 0
        assert TeamMembership.objects.filter(team=cast.alder, member=cast.teammate).delete()[0] == 1


@pytest.mark.parametrize("persona", ["member", "captain", "guest", "nobody"])
def test_the_clubs_settings_are_the_organisers(cast: Cast, persona: str) -> None:
    with see(cast, persona):
        assert Club.objects.update(name="Ours now") == 0
        assert AudiencePolicy.objects.update(ceiling_level=3) == 0
        assert Team.objects.update(name="Ours now") == 0
    with REFUSED, see(cast, persona):
        Team.objects.create(name="Team Coot")


def test_the_worker_reads_no_secret_of_signing_in_and_changes_nobody(cast: Cast) -> None:
    tries: list[Callable[[], object]] = [
        lambda: ApiToken.objects.exists(),
        lambda: Invitation.objects.exists(),
        lambda: SignInAttempt.objects.exists(),
        lambda: Member.objects.update(name="Worker"),
        lambda: Club.objects.update(name="Worker"),
    ]
    for attempt in tries:
        with REFUSED, working(timezone.now()):
            attempt()
