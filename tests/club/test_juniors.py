"""Juniors: no name but for those who answer for them, and no exact spot but for guardian and team."""

from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError
from django.db import DatabaseError
from django.test import Client
from django.utils import timezone

from club.account_models import JuniorName, ResetLink
from club.models import Invitation, Member, TeamMembership, digest
from spots.granting import Sight, set_sights
from spots.models import Grant, Spot, Water
from spots.services import SpotDraft, create_spot
from tests.conftest import Cast, see

REFUSED = pytest.raises(DatabaseError, match=r"row-level security|permission denied|Only ")
ClientOf = Callable[[str], Client]


@pytest.fixture
def junior(cast: Cast) -> Member:
    """Teammate, of Team Alder, becomes a junior; member is the guardian."""
    Member.objects.filter(pk=cast.teammate.pk).update(guardian=cast.member, name="Robin Sedge")
    return Member.objects.get(pk=cast.teammate.pk)


def spot_of(cast: Cast, water: Water, *grants: tuple[str, int | None]) -> Spot:
    own = f"member:{cast.teammate.pk}"
    point = Point(-93.27, 45.02, srid=4326)
    draft = SpotDraft(water=water, name="Robin's log", scope=own, point=point, grants=grants or None)
    with see(cast, "teammate"):
        return create_spot(draft, cast.viewer("teammate"), timezone.now())[0]


def test_the_members_table_itself_does_not_hold_a_juniors_name(junior: Member) -> None:
    assert junior.name == "A junior" and JuniorName.objects.get().name == "Robin Sedge"


@pytest.mark.parametrize(
    ("persona", "sees"),
    [
        ("organiser", True), ("member", True), ("captain", True), ("teammate", True),
        ("checker", False), ("rival", False), ("newcomer", False), ("guest", False), ("nobody", False),
    ],
)  # fmt: skip
def test_guardian_organisers_and_own_team_know_the_name_and_nobody_else(
    cast: Cast, junior: Member, client_of: ClientOf, persona: str, sees: bool
) -> None:
    with see(cast, persona):
        assert JuniorName.objects.exists() is sees
    page = client_of(persona).get("/club/").content.decode()
    assert ("Robin Sedge" in page) is sees
    if persona not in ("guest", "nobody"):
        assert sees or "A junior" in page


def test_no_junior_name_is_written_by_the_web_directly(cast: Cast, junior: Member) -> None:
    for persona in ("organiser", "member", "teammate"):
        with REFUSED, see(cast, persona):
            JuniorName.objects.update(name="Else")


def test_a_junior_changes_their_own_name_and_it_stays_apart(
    cast: Cast, junior: Member, client_of: ClientOf
) -> None:
    client = client_of("teammate")
    assert "Robin Sedge" in client.get("/account/").content.decode()
    client.post(
        "/account/", {"name": "Robin Reed", "length_unit": "m", "temperature_unit": "C", "weight_unit": "kg"}
    )
    assert Member.objects.get(pk=junior.pk).name == "A junior"
    assert JuniorName.objects.get().name == "Robin Reed"


def test_an_organiser_makes_a_junior_and_ends_it(cast: Cast, client_of: ClientOf) -> None:
    client = client_of("organiser")
    path = f"/club/members/{cast.newcomer.pk}/"
    assert client.post(path, {"role": "member", "guardian": str(cast.member.pk)}).status_code == 302
    assert Member.objects.get(pk=cast.newcomer.pk).name == "A junior"
    assert "Newcomer (junior)" in client.get(path).content.decode()
    assert client.post(path, {"role": "member", "guardian": ""}).status_code == 302
    assert Member.objects.get(pk=cast.newcomer.pk).name == "Newcomer"
    assert not JuniorName.objects.exists()


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({"role": "organiser"}, "neither organises nor checks"),
        ({"role": "member", "is_checker": "on"}, "neither organises nor checks"),
    ],
)
def test_a_junior_holds_no_office(cast: Cast, client_of: ClientOf, form: dict[str, str], words: str) -> None:
    answer = client_of("organiser").post(
        f"/club/members/{cast.newcomer.pk}/", {**form, "guardian": str(cast.member.pk)}
    )
    assert answer.status_code == 400 and words in answer.content.decode()
    with pytest.raises(DatabaseError, match="juniors_have_no_office"):
        Member.objects.filter(pk=cast.checker.pk).update(guardian=cast.member)


def test_nobody_makes_or_unmakes_themselves_a_junior(cast: Cast, junior: Member) -> None:
    with REFUSED, see(cast, "teammate"):
        Member.objects.filter(pk=junior.pk).update(guardian=None)
    with REFUSED, see(cast, "rival"):
        Member.objects.filter(pk=cast.rival.pk).update(guardian=cast.member)


def test_an_invitation_makes_the_junior_that_it_promises(cast: Cast) -> None:
    _, token = Invitation.issue(moment=timezone.now(), created_by=cast.organiser, guardian=cast.member)
    assert "You join as a junior" in Client().get(f"/invitation/{token}/").content.decode()
    form = {
        "name": "Kit Rush", "username": "dragonfly", "password": "perch in the reeds",
        "password_again": "perch in the reeds",
    }  # fmt: skip
    assert Client().post(f"/invitation/{token}/", form).status_code == 302
    made = Member.objects.get(username="dragonfly")
    assert (made.name, made.guardian) == ("A junior", cast.member)
    assert JuniorName.objects.get(member=made).name == "Kit Rush"


# -- exact sights


def test_a_junior_shows_a_spot_exactly_to_guardian_and_team_alone(
    cast: Cast, junior: Member, water: Water
) -> None:
    spot = spot_of(cast, water)
    viewer, now = cast.viewer("teammate"), timezone.now()
    allowed = [Sight(f"member:{cast.member.pk}", 3), Sight(f"team:{cast.alder.pk}", 3), Sight("members", 2)]
    with see(cast, "teammate", now):
        set_sights(spot, allowed, viewer, now)
    assert Grant.objects.filter(spot=spot, level=3).count() == 3
    for audience, level in (
        ("members", 3), ("members", None), ("public", None), (f"member:{cast.rival.pk}", 3),
        (f"team:{cast.bittern.pk}", 3),
    ):  # fmt: skip
        with pytest.raises(ValidationError, match="junior"), see(cast, "teammate", now):
            set_sights(spot, [Sight(audience, level)], viewer, now)
        with REFUSED, see(cast, "teammate", now):
            Grant.objects.create(spot=spot, audience=audience, level=level, owner=spot.owner)
    wider = pytest.raises(DatabaseError, match="A wider grant is a new one")
    with wider, see(cast, "teammate", now):
        Grant.objects.filter(spot=spot, audience="members").update(level=3)
    with pytest.raises(ValidationError, match="junior"):
        spot_of(cast, water, ("members", 3))


def test_whoever_is_no_junior_shares_as_before(cast: Cast, water: Water) -> None:
    assert Grant.objects.filter(spot=spot_of(cast, water, ("members", 3)), level=3).count() == 2


def test_what_was_shared_too_widely_is_narrowed_with_the_guardian_and_the_team(
    cast: Cast, water: Water
) -> None:
    given = (("members", 3), (f"member:{cast.member.pk}", 3), (f"team:{cast.alder.pk}", 3))
    spot = spot_of(cast, water, *given)

    def levels() -> dict[str, Any]:
        return dict(
            Grant.objects.filter(spot=spot).exclude(audience=spot.owner).values_list("audience", "level")
        )

    Member.objects.filter(pk=cast.teammate.pk).update(guardian=cast.member)
    assert levels() == {given[0][0]: 1, given[1][0]: 3, given[2][0]: 3}
    Member.objects.filter(pk=cast.teammate.pk).update(guardian=cast.newcomer)
    assert levels() == {given[0][0]: 1, given[1][0]: 1, given[2][0]: 3}
    TeamMembership.objects.filter(member=cast.teammate).delete()
    assert levels() == {given[0][0]: 1, given[1][0]: 1, given[2][0]: 1}


# -- the guardian is told


def test_the_guardian_is_told_of_reset_links_and_closes_one(
    cast: Cast, junior: Member, client_of: ClientOf
) -> None:
    _, token = ResetLink.issue(junior, cast.organiser, timezone.now())
    guardian = Client()
    guardian.post("/sign-in/", {"username": "member", "password": "tallow-member"})
    page = guardian.get("/account/").content.decode()
    assert "whose guardian you are" in page and "You are guardian of Robin Sedge" in page
    link = ResetLink.objects.get(token_digest=digest(token))
    assert client_of("rival").post(f"/resets/{link.pk}/close/").status_code == 404
    assert guardian.post(f"/resets/{link.pk}/close/").headers["Location"] == "/account/"
    assert Client().get(f"/reset/{token}/").status_code == 404
