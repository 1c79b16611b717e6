"""Who may give and take sights, asked of the database itself: a view that forgot to ask changes nothing."""

from collections.abc import Callable
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import DatabaseError, IntegrityError, ProgrammingError
from django.test import Client
from django.utils import timezone

from club.models import Level, TeamMembership
from spots.models import Grant, Spot
from spots.services import SpotDraft, create_spot
from tests.conftest import PERSONAS, Cast, Places, see

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]

DECIDES = {"club": "organiser", "shared": "organiser", "private": "member", "team": "captain"}


def give(spot: Spot, audience: str, level: int = Level.EXACT, **more: Any) -> Grant:
    values: dict[str, Any] = {"owner": spot.owner, "water_id": spot.water_id, **more}
    return Grant.objects.create(spot=spot, audience=audience, level=level, **values)


@pytest.mark.parametrize("kind", DECIDES)
@pytest.mark.parametrize("persona", PERSONAS)
def test_only_who_decides_for_the_owner_gives_changes_and_takes(
    cast: Cast, places: Places, kind: str, persona: str
) -> None:
    spot = getattr(places, kind)
    others = Grant.objects.filter(spot=spot).exclude(audience=spot.owner)
    give(spot, f"member:{cast.checker.pk}", Level.AREA)
    number = others.count()
    if DECIDES[kind] == persona:
        with see(cast, persona):
            give(spot, f"team:{cast.bittern.pk}")
            assert others.filter(audience=f"team:{cast.bittern.pk}").update(level=Level.WATER) == 1
            assert others.filter(audience=f"team:{cast.bittern.pk}").delete()[0] == 1
        return
    mine = f"member:{getattr(cast, persona).pk}" if persona != "nobody" else "public"
    # Under the spot's true owner, and under a claim to be it.
    for claim in (spot.owner, mine):
        with pytest.raises((ProgrammingError, IntegrityError)), see(cast, persona):
            give(spot, mine, owner=claim)
    with see(cast, persona):
        assert others.update(level=Level.HIDDEN) == 0
        assert others.delete()[0] == 0
    assert others.count() == number


def test_a_team_without_a_captain_decides_together(cast: Cast, places: Places) -> None:
    TeamMembership.objects.filter(team=cast.alder).update(is_captain=False)
    with see(cast, "teammate"):
        assert give(places.team, "members", Level.WATER).pk
    with pytest.raises(DatabaseError), see(cast, "rival"):
        give(places.team, "members")


@pytest.mark.parametrize(
    "audience",
    ["organisers", "checkers", "club", "everyone", "", "team:", "team:x", "member:1", "members public",
     "Members", "team:00000000-0000-4000-8000-00000000000G", "public\n"],
)  # fmt: skip
def test_words_that_are_nobodys_are_refused(cast: Cast, places: Places, audience: str) -> None:
    with pytest.raises(IntegrityError, match="grant_audience"), see(cast, "member"):
        give(places.private, audience)


def test_a_teammate_places_a_spot_for_the_team_alone(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    scope = f"team:{cast.alder.pk}"
    draft = SpotDraft(water=places.club.water, name="New", scope=scope)
    with see(cast, "teammate"):
        spot = create_spot(draft, cast.viewer("teammate"), timezone.now())[0]
    assert list(Grant.objects.filter(spot=spot).values_list("audience", flat=True)) == [scope]
    wide = SpotDraft(water=places.club.water, name="Wide", scope=scope, grants=(("members", Level.AREA),))
    with pytest.raises(ValidationError, match="captain"), see(cast, "teammate"):
        create_spot(wide, cast.viewer("teammate"), timezone.now())
    with see(cast, "captain"):
        assert create_spot(wide, cast.viewer("captain"), timezone.now())[0].pk
    form = {"water": str(places.club.water_id), "name": "By form", "scope": scope, "members_see": "area",
            "provenance": "found"}  # fmt: skip
    answer = client_of("teammate").post("/spots/new/", form)
    assert answer.status_code == 422
    assert "captain" in answer.content.decode()
    assert Spot.objects.filter(sheet__name="By form").count() == 0
