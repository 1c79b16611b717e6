"""Two owners' records of one place are linked by both, seen by those who see both exactly, and by nobody else."""

import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.gis.geos import Point
from django.db import DatabaseError, IntegrityError
from django.test import Client
from django.utils import timezone

from club.models import Level, TeamMembership
from spots.disclosure_models import Channel
from spots.linking import GONE, partners, twins
from spots.models import Grant, Spot, SpotLink, Water
from spots.precision import released_spot, released_spots
from spots.services import SpotDraft, create_spot, save_water
from tests.conftest import Cast, Places, see, square_outline
from tests.spots.event_kit import enter, make_event

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]


@pytest.fixture
def alike(cast: Cast, places: Places) -> Spot:
    """`member` keeps the shared pile too, under a name of their own and hidden from everybody else."""
    draft = SpotDraft(
        water=places.shared.water,
        name="Canary Twin",
        scope=f"member:{cast.member.pk}",
        point=Point(-93.265951, 45.044379, srid=4326),
    )
    with see(cast, "member"):
        return create_spot(draft, cast.viewer("member"), timezone.now())[0]


def give(spot: Spot, audience: str, level: int = Level.EXACT, **more: Any) -> None:
    Grant.objects.create(
        spot=spot, audience=audience, level=level, owner=spot.owner, water_id=spot.water_id, **more
    )


def link_of(*spots: Spot, **more: Any) -> SpotLink:
    one, other = sorted(spot.pk for spot in spots)
    return SpotLink(one_id=one, other_id=other, water_id=spots[0].water_id, **more)


def propose(client: Client, spot: Spot, other: Spot) -> Any:
    return client.post(f"/sharing/links/new/?spot={spot.pk}", {"other": str(other.pk)})


def unmasked(page: bytes) -> bytes:
    """Django masks its CSRF token anew in every answer."""
    return re.sub(rb'(name="csrfmiddlewaretoken" value=")[^"]+', rb"\1", page)


def seen_twins(cast: Cast, persona: str, spot: Spot) -> list[str]:
    with see(cast, persona):
        return [twin.label for twin in twins(released_spot(spot.pk, channel=Channel.UNSEEN))]


def test_an_owner_proposes_and_the_other_agrees(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    member, organiser = client_of("member"), client_of("organiser")
    assert propose(member, alike, places.shared).status_code == 302
    link = SpotLink.objects.get()
    assert link.proposed_by == cast.member and not link.holds
    assert seen_twins(cast, "member", alike) == [], "until both agree the two stand apart"
    page = organiser.get("/sharing/links/").content.decode()
    assert "a spot of theirs" in page and "says Member" in page and "Canary Twin" not in page
    assert organiser.post(f"/sharing/links/{link.pk}/agree/").status_code == 302
    assert seen_twins(cast, "member", alike) == ["Canary Shared Pile"]
    assert "Canary Shared Pile" in member.get(f"/spots/{alike.pk}/").content.decode()


def test_a_link_is_told_only_to_those_who_see_both_exactly(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    propose(client_of("member"), alike, places.shared)
    link = SpotLink.objects.get()
    page = f"/spots/{places.shared.pk}/"
    before = unmasked(client_of("newcomer").get(page).content)
    client_of("organiser").post(f"/sharing/links/{link.pk}/agree/")
    for persona in ("newcomer", "rival", "checker", "guest", "nobody"):
        with see(cast, persona):
            assert not SpotLink.objects.exists(), persona
    assert unmasked(client_of("newcomer").get(page).content) == before
    give(alike, f"member:{cast.newcomer.pk}", Level.AREA)
    with see(cast, "newcomer"):
        assert not SpotLink.objects.exists(), "a zone is not the place"
    give(alike, f"member:{cast.newcomer.pk}", Level.EXACT)
    assert seen_twins(cast, "newcomer", places.shared) == ["Canary Twin"]


def test_a_link_widens_nobodys_sight(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    def sights() -> dict[str, list[tuple[Any, ...]]]:
        out = {}
        for persona in ("organiser", "checker", "member", "rival", "newcomer", "guest", "nobody"):
            with see(cast, persona):
                out[persona] = [(s.id, s.level, s.label) for s in released_spots(channel=Channel.UNSEEN)]
        return out

    before = sights()
    propose(client_of("member"), alike, places.shared)
    assert sights() == before
    client_of("organiser").post(f"/sharing/links/{SpotLink.objects.get().pk}/agree/")
    assert sights() == before


def test_hidden_twins_are_never_compared(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    """The organiser keeps a spot at the very place of a hidden one: nothing offers, names or counts it."""
    with see(cast, "organiser"):
        shown = released_spot(places.shared.pk, channel=Channel.UNSEEN)
        assert {spot.id for spot in partners(shown)} == {places.club.pk}
    organiser = client_of("organiser")
    hidden = propose(organiser, places.shared, alike)
    never = organiser.post(f"/sharing/links/new/?spot={places.shared.pk}", {"other": str(uuid.uuid4())})
    assert hidden.status_code == never.status_code == 422
    assert len(hidden.content) == len(never.content)
    for spot in (alike.pk, uuid.uuid4(), "nonsense", ""):
        assert organiser.get(f"/sharing/links/new/?spot={spot}").status_code == 404
    assert not SpotLink.objects.exists()


def test_who_owns_neither_cannot_propose(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    """They would tell each owner of the other's spot."""
    give(alike, f"member:{cast.newcomer.pk}")
    assert propose(client_of("newcomer"), alike, places.shared).status_code == 422
    with pytest.raises(DatabaseError, match="row-level security"), see(cast, "newcomer"):
        link_of(alike, places.shared).save(force_insert=True)


def test_a_proposal_needs_sight_of_both(cast: Cast, places: Places, alike: Spot) -> None:
    for persona, spots in (("organiser", (alike, places.shared)), ("member", (alike, places.team))):
        with pytest.raises(DatabaseError), see(cast, persona):
            link_of(*spots).save(force_insert=True)


def test_nobody_agrees_for_the_other_side(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    now = timezone.now()
    with see(cast, "member"):
        link_of(alike, places.shared, one_agreed_at=now, other_agreed_at=now).save(force_insert=True)
    link = SpotLink.objects.get()
    assert not link.holds, "what the proposer says of the other side does not count"
    client_of("member").post(f"/sharing/links/{link.pk}/agree/")
    assert not SpotLink.objects.get().holds
    side = "one" if link.one_agreed_at is None else "other"
    with pytest.raises(DatabaseError, match="agrees for itself"), see(cast, "member"):
        SpotLink.objects.filter(pk=link.pk).update(**{f"{side}_agreed_at": now})
    for persona in ("rival", "newcomer"):
        assert client_of(persona).post(f"/sharing/links/{link.pk}/agree/").status_code == 404
        with see(cast, persona):
            assert SpotLink.objects.update(ended_at=now) == 0


@pytest.mark.parametrize("persona", ["member", "organiser"])
@pytest.mark.parametrize("agreed", [False, True])
def test_either_side_ends_it_and_it_stays_ended(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client], persona: str, agreed: bool
) -> None:
    propose(client_of("member"), alike, places.shared)
    link = SpotLink.objects.get()
    if agreed:
        client_of("organiser").post(f"/sharing/links/{link.pk}/agree/")
    assert client_of(persona).post(f"/sharing/links/{link.pk}/end/").status_code == 302
    assert SpotLink.objects.get().ended_at is not None
    assert seen_twins(cast, "member", alike) == []
    with pytest.raises(DatabaseError, match="stays so"), see(cast, "member"):
        SpotLink.objects.filter(pk=link.pk).update(ended_at=None)
    assert propose(client_of("member"), alike, places.shared).status_code == 302, "it can be proposed anew"


def test_a_pair_stands_there_once(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    propose(client_of("member"), alike, places.shared)
    assert propose(client_of("member"), places.shared, alike).status_code == 422
    with pytest.raises(IntegrityError), see(cast, "member"):
        link_of(alike, places.shared).save(force_insert=True)


def test_one_place_lies_on_one_water(cast: Cast, places: Places, alike: Spot) -> None:
    elsewhere = save_water(Water(name="Other water", outline=square_outline(-92.0, 45.0, 0.02)))
    draft = SpotDraft(water=elsewhere, name="Far", scope=f"member:{cast.member.pk}")
    with see(cast, "member"):
        far = create_spot(draft, cast.viewer("member"), timezone.now())[0]
    with pytest.raises(IntegrityError, match="one water"), see(cast, "member"):
        link_of(alike, far).save(force_insert=True)


def test_of_a_teams_spot_its_captain_speaks(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    assert propose(client_of("teammate"), places.team, places.shared).status_code == 422
    with pytest.raises(DatabaseError, match="row-level security"), see(cast, "teammate"):
        link_of(places.team, places.shared).save(force_insert=True)
    assert propose(client_of("captain"), places.team, places.shared).status_code == 302
    link = SpotLink.objects.get()
    with see(cast, "teammate"):
        assert SpotLink.objects.exists(), "a teammate reads it"
        assert SpotLink.objects.update(ended_at=timezone.now()) == 0
    SpotLink.objects.filter(pk=link.pk).delete()
    TeamMembership.objects.filter(team=cast.alder).update(is_captain=False)
    assert propose(client_of("teammate"), places.team, places.shared).status_code == 302, (
        "no captain: anybody"
    )


def test_who_loses_sight_of_one_is_told_no_more(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    propose(client_of("member"), alike, places.shared)
    client_of("organiser").post(f"/sharing/links/{SpotLink.objects.get().pk}/agree/")
    Grant.objects.filter(spot=places.shared, audience="members").delete()
    Grant.objects.filter(spot=places.shared, audience__in=["guest", "public"]).delete()
    assert seen_twins(cast, "member", alike) == []
    page = client_of("member").get("/sharing/links/").content.decode()
    assert "Canary Shared Pile" not in page and GONE.lower() in page.lower()


def test_a_cut_off_closes_proposals_and_links_made_after_it(cast: Cast, places: Places, alike: Spot) -> None:
    now = timezone.now()
    give(alike, f"member:{cast.rival.pk}")
    long_ago = now - timedelta(days=9)
    Grant.objects.update(known_at=long_ago)
    event = make_event(
        places.shared.water,
        cutoff_at=now - timedelta(hours=1),
        ends_at=now + timedelta(days=5),
        fishing_from=now.date(),
        fishing_until=now.date(),
    )
    enter(event, cast.rival, cast.bittern, entered_at=long_ago)
    enter(event, cast.organiser, entered_at=long_ago)
    link = link_of(alike, places.shared, proposed_by=cast.member, proposed_at=now)
    link.one_agreed_at = link.other_agreed_at = now
    link.save(force_insert=True)
    with see(cast, "member", now):
        assert SpotLink.objects.exists(), "who is not entered"
    for persona in ("rival", "organiser"):
        with see(cast, persona, now):
            assert not SpotLink.objects.exists(), persona
    SpotLink.objects.update(proposed_at=long_ago, one_agreed_at=long_ago, other_agreed_at=long_ago)
    for persona in ("rival", "organiser"):
        with see(cast, persona, now):
            assert SpotLink.objects.exists(), persona


def test_the_pages_are_members_and_posts_need_their_token(
    cast: Cast, places: Places, alike: Spot, client_of: Callable[..., Client]
) -> None:
    propose(client_of("member"), alike, places.shared)
    link = SpotLink.objects.get()
    for persona in ("guest", "nobody"):
        assert client_of(persona).get("/sharing/links/").status_code in (302, 404)
        assert client_of(persona).post(f"/sharing/links/{link.pk}/end/").status_code in (302, 404)
    careful = client_of("organiser", enforce_csrf_checks=True)
    assert careful.post(f"/sharing/links/{link.pk}/agree/").status_code == 403
    assert client_of("organiser").get(f"/sharing/links/{link.pk}/agree/").status_code == 405
    assert not SpotLink.objects.get().holds


def test_a_spots_owner_can_delete_its_links(cast: Cast, places: Places, alike: Spot) -> None:
    """Django deletes them with the spot, as the one who deletes it."""
    with see(cast, "member"):
        link_of(alike, places.shared).save(force_insert=True)
    with see(cast, "rival"):
        assert SpotLink.objects.all().delete()[0] == 0
    with see(cast, "member"):
        assert SpotLink.objects.all().delete()[0] == 1
