"""The sharing desk: tried before it is saved, many at once, undone, and never about another's spot."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import IntegrityError
from django.test import Client
from django.utils import timezone

from club.models import AudiencePolicy, Club, Level
from club.viewer import viewing
from spots import granting
from spots.disclosure_models import Channel, Disclosure
from spots.event_models import Event
from spots.models import Grant, SharingChange
from spots.precision import released_spots
from tests.conftest import Cast, Places, see
from tests.spots.event_kit import BEFORE, DURING, enter, make_event, make_older

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]
ClientOf = Callable[..., Client]


def rows(*sights: tuple[str, str, str, str], **more: str) -> dict[str, str]:
    data = {"form-TOTAL_FORMS": str(len(sights)), "form-INITIAL_FORMS": "0", **more}
    for n, (audience, how, starts, ends) in enumerate(sights):
        data |= {
            f"form-{n}-audience": audience,
            f"form-{n}-how": how,
            f"form-{n}-starts": starts,
            f"form-{n}-ends": ends,
        }
    return data


def post(client: Client, url: str, data: dict[str, Any], **more: Any) -> Any:
    """Post a form with the mark of what stood when its page was made, as the page carries it."""
    seen = client.post(url, {key: value for key, value in data.items() if key != "save"}).content.decode()
    mark = re.search(r'name="stood" value="(\w+)"', seen)
    return client.post(url, {**data, "stood": mark[1] if mark else ""}, **more)


def granted(spot: Any) -> set[tuple[str, int | None]]:
    return set(
        Grant.objects.filter(spot=spot, replaced_at=None)
        .exclude(audience=spot.owner)
        .values_list("audience", "level")
    )


def test_everybody_finds_their_own_spots_and_no_other(client_of: ClientOf, places: Places) -> None:
    names = {
        "club": "Canary Club Crib",
        "shared": "Canary Shared Pile",
        "private": "Canary Private Laydown",
        "team": "Canary Team Ledge",
    }
    theirs = {
        "organiser": {"club", "shared"},
        "member": {"private"},
        "captain": {"team"},
        "teammate": set(),
        "rival": set(),
        "newcomer": set(),
    }
    for persona, own in theirs.items():
        page = client_of(persona).get("/sharing/").content.decode()
        assert {key for key, name in names.items() if name in page} == own, persona
        for key, name in names.items():
            answer = client_of(persona).get(f"/sharing/{getattr(places, key).pk}/")
            assert answer.status_code == (200 if key in own else 404), (persona, key)
            assert (name in answer.content.decode()) == (key in own)
    assert client_of("guest").get("/sharing/").status_code == 404


def test_a_change_is_seen_as_they_would_before_it_is_saved(
    client_of: ClientOf, cast: Cast, places: Places
) -> None:
    client = client_of("member")
    data = rows(("members", "2", "", ""), ("public", "3", "", ""))
    page = client.post(f"/sharing/{places.private.pk}/", {**data, "try": ""}).content.decode()
    assert "Nothing is saved yet" in page
    policies = {policy.audience: policy for policy in AudiencePolicy.objects.all()}
    assert policies["members"].minimum_ha == 50
    # The public's ceiling is a zone, of another size than the members'.
    assert page.count("a zone,") == 3
    assert granted(places.private) == set()
    assert not Disclosure.objects.exists()
    assert post(client, f"/sharing/{places.private.pk}/", {**data, "save": ""}).status_code == 302
    assert granted(places.private) == {("members", 2), ("public", 3)}


def test_times_are_on_the_waters_clock(client_of: ClientOf, places: Places) -> None:
    client = client_of("member")
    post(client, f"/sharing/{places.private.pk}/", rows(("members", "2", "2027-07-01T06:30", ""), save=""))
    # Chicago in summer is five hours behind.
    assert Grant.objects.get(spot=places.private, audience="members").starts_at == datetime(
        2027, 7, 1, 11, 30, tzinfo=UTC
    )
    assert 'value="2027-07-01T06:30"' in client.get(f"/sharing/{places.private.pk}/").content.decode()
    assert "from 1 Jul 2027, 06:30" in client.get("/sharing/").content.decode()


@pytest.mark.parametrize(
    ("sight", "told"),
    [
        (("organisers", "3", "", ""), "not one of the available choices"),
        (("members", "", "", ""), "Say how exactly"),
        (("members", "7", "", ""), "not one of the available choices"),
        (("members", "2", "soon", ""), "is not a time like 2026-10-10T18:00"),
        (("members", "2", "2026-06-02T10:00", "2026-06-01T10:00"), "The end must come after the start"),
        (("members", "2", "2026-03-08T02:30", ""), "does not exist there"),
    ],
)
def test_a_bad_sight_is_refused_and_nothing_is_saved(
    client_of: ClientOf, places: Places, sight: tuple[str, str, str, str], told: str
) -> None:
    answer = post(client_of("member"), f"/sharing/{places.private.pk}/", rows(sight, save=""))
    assert answer.status_code == 422
    assert told in answer.content.decode()
    assert granted(places.private) == set()


def test_many_spots_at_once_are_previewed_saved_and_undone(client_of: ClientOf, places: Places) -> None:
    client = client_of("organiser")
    before = {spot: granted(spot) for spot in (places.club, places.shared)}
    data = {
        "spot": [str(places.club.pk), str(places.shared.pk)],
        "audience": "members",
        "how": "1",
        "starts": "",
        "ends": "",
    }
    page = client.post("/sharing/bulk/", data).content.decode()
    assert "the exact place" in page and "the water only" in page and ">see less<" in page
    assert {spot: granted(spot) for spot in before} == before
    post(client, "/sharing/bulk/", {**data, "save": ""})
    assert all(("members", 1) in granted(spot) for spot in before)
    made = SharingChange.objects.get()
    assert client_of("member").post(f"/sharing/undo/{made.pk}/").status_code == 404
    client.post(f"/sharing/undo/{made.pk}/")
    assert {spot: granted(spot) for spot in before} == before
    assert "undone already" in client.post(f"/sharing/undo/{made.pk}/", follow=True).content.decode()


def test_a_water_stands_for_all_of_ones_spots_on_it(client_of: ClientOf, places: Places) -> None:
    data = {"water": [str(places.club.water_id)], "audience": "guest", "how": "0", "save": ""}
    post(client_of("organiser"), "/sharing/bulk/", data)
    assert ("guest", 0) in granted(places.club) & granted(places.shared)
    assert granted(places.private) == granted(places.team) == set()


def test_a_change_is_not_undone_over_a_later_one(client_of: ClientOf, places: Places) -> None:
    client = client_of("member")
    post(client, f"/sharing/{places.private.pk}/", rows(("members", "2", "", ""), save=""))
    post(client, f"/sharing/{places.private.pk}/", rows(("members", "1", "", ""), save=""))
    first = SharingChange.objects.order_by("made_at").first()
    assert first is not None
    page = client.post(f"/sharing/undo/{first.pk}/", follow=True).content.decode()
    assert "Changed again since: Canary Private Laydown" in page
    assert granted(places.private) == {("members", 1)}


def test_others_spots_slip_into_no_bulk_change(client_of: ClientOf, places: Places) -> None:
    data = {
        "spot": [str(places.private.pk), str(places.team.pk)],
        "audience": "public",
        "how": "3",
        "save": "",
    }
    for persona in ("organiser", "rival", "teammate", "newcomer"):
        answer = client_of(persona).post("/sharing/bulk/", data)
        assert answer.status_code == 422
        assert "Choose at least one spot" in answer.content.decode()
    assert granted(places.private) == granted(places.team) == set()


def policy_data(**more: Any) -> dict[str, Any]:
    data = {"search_ha_per_hour": 20}
    for policy in AudiencePolicy.objects.all():
        data[f"{policy.audience}_default"] = policy.default_level
        data[f"{policy.audience}_ceiling"] = policy.ceiling_level
        data[f"{policy.audience}_minimum"] = policy.minimum_ha
    return {**data, **more}


def test_the_policy_is_the_organisers_and_tried_before_it_is_saved(
    client_of: ClientOf, places: Places
) -> None:
    for persona in ("member", "checker", "captain", "guest"):
        assert client_of(persona).post("/sharing/policy/", policy_data(save="")).status_code == 404
    client = client_of("organiser")
    narrow = policy_data(public_default=1, public_ceiling=1, guest_default=1, members_default=1)
    page = client.post("/sharing/policy/", narrow).content.decode()
    assert ">see less<" in page and "<b>learn more<" not in page
    data = policy_data(
        public_default=3, public_ceiling=3, guest_default=3, guest_ceiling=3, search_ha_per_hour=25
    )
    page = client.post("/sharing/policy/", data).content.decode()
    assert "<b>learn more<" in page and ">see less<" not in page
    assert AudiencePolicy.objects.get(pk="public").ceiling_level == Level.AREA
    assert client.post("/sharing/policy/", {**data, "save": ""}).status_code == 302
    assert AudiencePolicy.objects.get(pk="public").ceiling_level == Level.EXACT
    assert Club.objects.get().search_ha_per_hour == 25
    wrong = client.post("/sharing/policy/", policy_data(members_default=3, members_ceiling=1, save=""))
    assert wrong.status_code == 422
    assert "wider than the ceiling" in wrong.content.decode()


def test_a_preset_fills_the_form_and_saves_nothing(client_of: ClientOf, places: Places) -> None:
    before = list(AudiencePolicy.objects.order_by("pk").values())
    page = client_of("organiser").get("/sharing/policy/?preset=closed").content.decode()
    # Four hours at 20 ha an hour, rounded up the ladder.
    assert '<option value="100" selected>100 ha, 5 h</option>' in page
    assert list(AudiencePolicy.objects.order_by("pk").values()) == before


def test_the_policy_only_narrows_while_a_cut_off_is_on(
    client_of: ClientOf, cast: Cast, places: Places
) -> None:
    now = timezone.now()
    Event.objects.create(
        name="Test open", water=places.club.water, target="bluegill", fishing_from=now.date(), fishing_until=now.date(),
        cutoff_at=now - timedelta(hours=1), ends_at=now + timedelta(days=1),
    )  # fmt: skip
    client = client_of("organiser")
    before = list(AudiencePolicy.objects.order_by("pk").values())
    for wider in ({"members_default": 3}, {"guest_ceiling": 3}, {"members_minimum": 25}):
        answer = client.post("/sharing/policy/", policy_data(**wider, save=""))
        assert answer.status_code == 422
        assert "<b>Not saved.</b> A cut-off is on" in answer.content.decode()
        with pytest.raises(IntegrityError, match="only narrows"), viewing(cast.viewer("organiser"), now):
            audience, _, field = next(iter(wider)).partition("_")
            name = {"default": "default_level", "ceiling": "ceiling_level", "minimum": "minimum_ha"}[field]
            AudiencePolicy.objects.filter(pk=audience).update(**{name: next(iter(wider.values()))})
    assert list(AudiencePolicy.objects.order_by("pk").values()) == before
    assert (
        client.post(
            "/sharing/policy/", policy_data(members_default=1, members_minimum=100, save="")
        ).status_code
        == 302
    )
    assert AudiencePolicy.objects.get(pk="members").minimum_ha == 100


def test_no_form_works_without_its_token(cast: Cast, client_of: ClientOf, places: Places) -> None:
    client = client_of("member", enforce_csrf_checks=True)
    for url in ("/sharing/bulk/", f"/sharing/{places.private.pk}/"):
        assert client.post(url, rows(("public", "3", "", ""), save="")).status_code == 403
    assert granted(places.private) == set()


def test_a_member_whose_water_is_frozen_is_seen_as_one(cast: Cast, places: Places) -> None:
    make_older(BEFORE)
    event = make_event(places.private.water)
    enter(event, cast.rival, cast.bittern)
    Grant.objects.create(
        spot=places.private, audience="members", level=3, owner=places.private.owner, created_at=DURING,
        water_id=places.private.water_id,
    )  # fmt: skip
    Grant.objects.filter(spot=places.private, audience="members").update(known_at=DURING)
    now, key = DURING + timedelta(hours=1), places.private.pk
    with see(cast, "member", now):
        assert granting.seen_as([key], f"member:{cast.newcomer.pk}", now)[key].is_exact
        as_rival = granting.seen_as([key], f"member:{cast.rival.pk}", now)
    assert key not in as_rival, "what was given after the cut-off does not reach who is entered"
    with see(cast, "rival", now):
        assert not released_spots(ids=[key], channel=Channel.UNSEEN), "and so it is for them"
