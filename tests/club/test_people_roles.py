"""The club's page, roles, leaving, and teams."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from club import people
from club.models import ApiToken, Club, Member, Team, TeamMembership
from tests.conftest import Cast

ClientOf = Callable[[str], Client]
NOT_ORGANISERS = ["checker", "member", "captain", "rival", "newcomer", "guest"]


def role_of(member: Member) -> tuple[str, bool, bool]:
    fresh = Member.objects.get(pk=member.pk)
    return fresh.role, fresh.is_checker, fresh.is_active


def place_of(member: Member) -> TeamMembership:
    return TeamMembership.objects.get(member=member)


def test_members_see_who_is_in_the_club_and_what_outsiders_see(client_of: ClientOf) -> None:
    page = client_of("newcomer").get("/club/").content.decode()
    for words in (
        "Organisers",
        "Checkers",
        "Guests",
        "Team Alder",
        "Captain, captain",
        "250 ha",
        "12.5 hours",
    ):
        assert words in page
    assert "Change" not in page and "/club/invite/" not in page


def test_the_club_page_is_for_members(client_of: ClientOf) -> None:
    assert client_of("nobody").get("/club/").headers["Location"].startswith("/sign-in/")
    assert client_of("guest").get("/club/").status_code == 404


def test_the_organiser_changes_the_clubs_name_and_words(client_of: ClientOf) -> None:
    words = {
        "name": "Quarry Arm Anglers",
        "about": "We sink brush.\nAsk before you cut.",
        "openings_per_day": "40",
    }
    assert client_of("organiser").post("/club/about/", words).status_code == 302
    page = client_of("newcomer").get("/club/").content.decode()
    assert "Quarry Arm Anglers" in page and "We sink brush.<br>Ask before you cut." in page


def test_words_are_shown_as_words(client_of: ClientOf) -> None:
    client_of("organiser").post("/club/about/", {"name": "<b>Club</b>", "about": "<script>alert(1)</script>"})
    page = client_of("newcomer").get("/club/").content.decode()
    assert "<script>alert" not in page and "<b>Club" not in page


@pytest.mark.parametrize("persona", NOT_ORGANISERS)
def test_others_change_neither_club_nor_roles_nor_teams(
    cast: Cast, client_of: ClientOf, persona: str
) -> None:
    client = client_of(persona)
    them, alder = cast.teammate, cast.alder
    before = role_of(them), Club.objects.get().name, TeamMembership.objects.count()
    for address, form in (
        ("/club/about/", {"name": "Ours now"}),
        (f"/club/members/{them.pk}/", {"role": "organiser"}),
        (f"/club/members/{them.pk}/end/", {}),
        (f"/club/members/{them.pk}/take-back/", {}),
        ("/club/teams/", {"name": "Team Coot"}),
    ):
        assert client.post(address, form).status_code == 404, address
    assert client.get(f"/club/members/{them.pk}/").status_code == 404
    if persona != "captain":
        place = place_of(them).pk
        assert client.get(f"/club/teams/{alder.pk}/").status_code == 404
        assert client.post(f"/club/teams/{alder.pk}/", {"member": str(cast.newcomer.pk)}).status_code == 404
        assert client.post(f"/club/teams/{alder.pk}/{place}/out/").status_code == 404
        assert client.post(f"/club/teams/{alder.pk}/{place}/captain/").status_code == 404
    assert (role_of(them), Club.objects.get().name, TeamMembership.objects.count()) == before


@pytest.mark.parametrize(
    ("form", "expected"),
    [
        ({"role": "member", "is_checker": "on"}, ("member", True, True)),
        ({"role": "organiser"}, ("organiser", False, True)),
        ({"role": "guest"}, ("guest", False, True)),
    ],
)
def test_the_organiser_gives_and_takes_roles(
    cast: Cast, client_of: ClientOf, form: dict[str, str], expected: tuple[str, bool, bool]
) -> None:
    assert client_of("organiser").post(f"/club/members/{cast.newcomer.pk}/", form).status_code == 302
    assert role_of(cast.newcomer) == expected


def test_a_guest_is_no_checker(cast: Cast, client_of: ClientOf) -> None:
    form = {"role": "guest", "is_checker": "on"}
    answer = client_of("organiser").post(f"/club/members/{cast.checker.pk}/", form)
    assert answer.status_code == 400 and "A guest cannot check" in answer.content.decode()
    assert role_of(cast.checker) == ("member", True, True)


def test_the_last_organiser_stays_one(cast: Cast, client_of: ClientOf) -> None:
    client, address = client_of("organiser"), f"/club/members/{cast.organiser.pk}/"
    answer = client.post(address, {"role": "member"})
    assert answer.status_code == 400 and "only organiser" in answer.content.decode()
    client.post(f"{address}end/")
    assert role_of(cast.organiser) == ("organiser", False, True)
    client.post(f"/club/members/{cast.checker.pk}/", {"role": "organiser"})
    assert client.post(address, {"role": "member"}).status_code == 302
    assert role_of(cast.organiser) == ("member", False, True)
    assert client.get("/club/invite/").status_code == 404


def test_who_leaves_is_out_at_once(cast: Cast, client_of: ClientOf) -> None:
    theirs, phone = client_of("teammate"), client_of("teammate")
    _, token = ApiToken.issue(cast.teammate)
    script = Client(headers={"Authorization": f"Token {token}"})
    assert script.get("/api/spots/").status_code == 200
    heard: list[Any] = []

    def hear(member: Member, **more: Any) -> None:
        heard.append(member.pk)

    people.member_left.connect(hear)
    try:
        assert client_of("organiser").post(f"/club/members/{cast.teammate.pk}/end/").status_code == 302
    finally:
        people.member_left.disconnect(hear)
    assert heard == [cast.teammate.pk]
    assert theirs.get("/account/").status_code == 302 and phone.get("/account/").status_code == 302
    assert script.get("/api/spots/").status_code == 401
    assert not TeamMembership.objects.filter(member=cast.teammate).exists()
    form = {"username": "teammate", "password": "tallow-teammate"}
    assert Client().post("/sign-in/", form).status_code == 400
    assert Client().post("/api/auth/token/", form, "application/json").status_code == 400
    assert Member.objects.get(pk=cast.teammate.pk).shown_name == "former member"


def test_who_comes_back_has_neither_old_sessions_nor_old_places(cast: Cast, client_of: ClientOf) -> None:
    client_of("organiser").post(f"/club/members/{cast.rival.pk}/", {"role": "organiser"})
    old = client_of("rival")
    _, token = ApiToken.issue(cast.rival)
    organiser, address = client_of("organiser"), f"/club/members/{cast.rival.pk}/"
    organiser.post(f"{address}end/")
    assert "former member" in organiser.get(address).content.decode()
    assert organiser.post(f"{address}take-back/").status_code == 302
    assert role_of(cast.rival) == ("member", False, True)
    assert old.get("/account/").status_code == 302
    assert Client(headers={"Authorization": f"Token {token}"}).get("/api/spots/").status_code == 401
    assert not TeamMembership.objects.filter(member=cast.rival).exists()
    form = {"username": "rival", "password": "tallow-rival"}
    assert Client().post("/sign-in/", form).status_code == 302


def test_who_was_never_a_member_is_not_taken_back(cast: Cast, client_of: ClientOf) -> None:
    known = Member.objects.create_user("archive", None, name="From the archive", is_active=False)
    assert client_of("organiser").post(f"/club/members/{known.pk}/take-back/").status_code == 404
    assert "From the archive" in client_of("organiser").get("/club/").content.decode()


def test_a_captain_who_leaves_hands_the_team_to_the_next(cast: Cast, client_of: ClientOf) -> None:
    client_of("organiser").post(f"/club/members/{cast.captain.pk}/end/")
    assert place_of(cast.teammate).is_captain


def test_the_organiser_makes_a_team_until_it_has_a_captain(cast: Cast, client_of: ClientOf) -> None:
    client = client_of("organiser")
    assert client.post("/club/teams/", {"name": "Team Coot"}).status_code == 302
    assert "There is already" in client.post("/club/teams/", {"name": "team coot"}).content.decode()
    team = Team.objects.get(name="Team Coot")
    address = f"/club/teams/{team.pk}/"
    for member in (cast.newcomer, cast.member):
        assert client.post(address, {"member": str(member.pk)}).status_code == 302
    assert client.post(address, {"member": str(cast.guest.pk)}).status_code == 400
    assert client.post(f"{address}{place_of(cast.newcomer).pk}/captain/").status_code == 302
    assert place_of(cast.newcomer).is_captain
    client.post(address, {"member": str(cast.organiser.pk)})
    assert not TeamMembership.objects.filter(member=cast.organiser).exists()
    client.post(f"{address}{place_of(cast.newcomer).pk}/out/")
    client.post(f"{address}{place_of(cast.member).pk}/captain/")
    assert place_of(cast.newcomer).is_captain and not place_of(cast.member).is_captain
    client.post(f"{address}{place_of(cast.member).pk}/out/")
    assert not TeamMembership.objects.filter(member=cast.member).exists()


def test_a_captain_says_who_joins_and_hands_the_team_on(cast: Cast, client_of: ClientOf) -> None:
    client, address = client_of("captain"), f"/club/teams/{cast.alder.pk}/"
    assert client.post(address, {"member": str(cast.newcomer.pk)}).status_code == 302
    assert place_of(cast.newcomer).team == cast.alder
    client.post(f"{address}{place_of(cast.newcomer).pk}/out/")
    assert not TeamMembership.objects.filter(member=cast.newcomer).exists()
    client.post(f"{address}{place_of(cast.captain).pk}/out/")
    assert place_of(cast.captain).is_captain
    answer = client.post(f"{address}{place_of(cast.teammate).pk}/captain/")
    assert answer.headers["Location"] == "/club/"
    assert place_of(cast.teammate).is_captain and not place_of(cast.captain).is_captain
    assert client.get(address).status_code == 404


def test_a_captain_reaches_no_other_team(cast: Cast, client_of: ClientOf) -> None:
    client = client_of("captain")
    theirs = place_of(cast.rival).pk
    assert client.get(f"/club/teams/{cast.bittern.pk}/").status_code == 404
    assert client.post(f"/club/teams/{cast.alder.pk}/{theirs}/out/").status_code == 404
    assert place_of(cast.rival).is_captain
