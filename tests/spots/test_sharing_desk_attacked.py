"""The sharing desk, as somebody who means ill would use it."""

import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.gis.geos import Point
from django.test import Client
from django.utils import timezone

from club.models import AudiencePolicy, Club, Level, Member, TeamMembership
from spots.disclosure_models import CapReached, Disclosure
from spots.models import Grant, SharingChange, Spot
from spots.services import SpotDraft, create_spot, save_spots
from spots.sharing import MOST_AT_ONCE
from tests.conftest import Cast, Places, see
from tests.spots.event_kit import enter, make_event
from tests.spots.test_sharing_desk import granted, policy_data, post, rows

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]
ClientOf = Callable[..., Client]


def quiet(answer: Any) -> bytes:
    return re.sub(rb'(name="csrfmiddlewaretoken" value=")[^"]+', rb"\1", answer.content)


def test_see_it_as_tells_nothing_of_anothers_spot(cast: Cast, places: Places, client_of: ClientOf) -> None:
    """Whoever is asked for, and whatever is drafted: a spot that is not mine is one that never was."""
    draft = rows(("public", "3", "", ""), see_as=f"member:{cast.member.pk}", on="2027-01-01T12:00")
    for persona in ("organiser", "checker", "rival", "teammate", "newcomer"):
        client = client_of(persona)
        answers = {
            quiet(client.post(f"/sharing/{key}/", draft)).replace(str(key).encode(), b"")
            for key in (places.private.pk, uuid.uuid4())
        }
        assert len(answers) == 1, persona
        assert client.post(f"/sharing/{places.private.pk}/", draft).status_code == 404
    # Seen exactly is not owned.
    Grant.objects.create(
        spot=places.private, audience=f"member:{cast.newcomer.pk}", level=Level.EXACT, owner=places.private.owner,
        water_id=places.private.water_id,
    )  # fmt: skip
    assert client_of("newcomer").post(f"/sharing/{places.private.pk}/", draft).status_code == 404


def test_see_it_as_a_member_tells_of_this_spot_alone(cast: Cast, places: Places, client_of: ClientOf) -> None:
    """The organiser sees their own spot as the captain would: no word of the captain's other spots or looks."""
    draft = rows(see_as=f"member:{cast.captain.pk}")
    page = client_of("organiser").post(f"/sharing/{places.shared.pk}/", draft).content.decode()
    assert "Captain" in page
    assert "Canary Team" not in page and "Canary Private" not in page


@pytest.mark.parametrize(
    "audience", ["organisers", "checkers", "club", "team:", "member:x", "public members"]
)
def test_nobody_is_seen_as_who_is_no_audience(places: Places, client_of: ClientOf, audience: str) -> None:
    answer = client_of("member").post(f"/sharing/{places.private.pk}/", rows(see_as=audience))
    assert answer.status_code == 200
    assert answer.content.decode().count('<li class="panel stack-small">') == 3


def test_trying_leaves_no_trace(cast: Cast, places: Places, client_of: ClientOf) -> None:
    """No grant, no disclosure in another's name, no alert, no change to undo."""
    before = list(Grant.objects.order_by("pk").values())
    draft = rows(
        ("public", "3", "", ""), (f"member:{cast.rival.pk}", "3", "", ""), see_as=f"member:{cast.newcomer.pk}"
    )
    assert client_of("member").post(f"/sharing/{places.private.pk}/", draft).status_code == 200
    many = {"spot": str(places.private.pk), "audience": f"member:{cast.rival.pk}", "how": "3"}
    assert client_of("member").post("/sharing/bulk/", many).status_code == 200
    assert list(Grant.objects.order_by("pk").values()) == before
    assert not Disclosure.objects.exists() and not CapReached.objects.exists()
    assert not SharingChange.objects.exists()
    assert client_of("rival").get(f"/spots/{places.private.pk}/").status_code == 404


def test_what_somebody_has_opened_today_is_not_told(cast: Cast, places: Places, client_of: ClientOf) -> None:
    """Their cap reached or not, the owner reads the same."""
    pages = []
    for left in (0, 100):
        Club.objects.update(openings_per_day=max(left, 1))
        if not left:
            Disclosure.objects.create(
                viewer_id=cast.rival.pk, spot_id=uuid.uuid4(), channel="page", day=timezone.now().date(),
                at=timezone.now(), counts=True,
            )  # fmt: skip
        draft = rows((f"member:{cast.rival.pk}", "3", "", ""))
        pages.append(quiet(client_of("member").post(f"/sharing/{places.private.pk}/", draft)))
    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    ("starts", "ends", "told"),
    [
        ("2027-03-14T02:30", "", "does not exist there"),
        ("2027-11-07T01:30", "", "comes twice there"),
        ("2027-06-01T10:00", "2027-06-01T10:00", "The end must come after the start"),
        ("0001-01-01T00:00", "", "The year 1 is not between"),
        ("9999-12-31T23:59", "", "The year 9999 is not between"),
        ("2027-13-01T00:00", "", "is not a time like"),
        ("<script>alert(1)</script>", "", "is not a time like"),
    ],
)
def test_times_that_cannot_be_are_refused_by_name(
    places: Places, client_of: ClientOf, starts: str, ends: str, told: str
) -> None:
    client = client_of("member")
    one = post(client, f"/sharing/{places.private.pk}/", rows(("members", "2", starts, ends), save=""))
    many = {"spot": str(places.private.pk), "audience": "members", "how": "2", "starts": starts, "ends": ends}
    for answer in (one, post(client, "/sharing/bulk/", {**many, "save": ""})):
        assert answer.status_code == 422
        text = answer.content.decode()
        assert told in text and "<script>alert" not in text
    assert granted(places.private) == set()


def test_forged_rows_are_refused(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    url = f"/sharing/{places.private.pk}/"
    for data in (
        {"save": ""},
        {"save": "", "form-TOTAL_FORMS": "x", "form-INITIAL_FORMS": "0"},
        {**rows(("members", "2", "", "")), "form-TOTAL_FORMS": "1000000", "save": ""},
        {**rows(*[("members", "2", "", "")] * 61), "save": ""},
        rows(("members", "2", "", ""), ("team:" + str(uuid.uuid4()), "3", "", ""), save=""),
        rows((places.private.owner, "0", "", ""), save=""),
        rows(("members", "default\x00", "", ""), save=""),
    ):
        answer = post(client, url, data)
        assert answer.status_code == 422, data
    assert granted(places.private) == set()


def test_a_stale_page_does_not_overwrite(places: Places, client_of: ClientOf) -> None:
    """Two captains, or two windows: the second is told what stands, and keeps what it typed."""
    client = client_of("member")
    url = f"/sharing/{places.private.pk}/"
    stale = re.search(r'name="stood" value="(\w+)"', client.get(url).content.decode())
    assert stale
    post(client, url, rows(("members", "1", "", ""), save=""))
    answer = client.post(url, rows(("members", "3", "", ""), save="", stood=stale[1]))
    assert answer.status_code == 409
    text = answer.content.decode()
    assert "changed meanwhile" in text and "What stands now" in text
    assert granted(places.private) == {("members", 1)}
    many = {"spot": str(places.private.pk), "audience": "members", "how": "3", "save": "", "stood": stale[1]}
    assert client.post("/sharing/bulk/", many).status_code == 409
    assert granted(places.private) == {("members", 1)}


def test_a_bulk_change_takes_only_ones_own(cast: Cast, places: Places, client_of: ClientOf) -> None:
    data = {"water": str(places.club.water_id), "audience": "public", "how": "0"}
    page = client_of("organiser").post("/sharing/bulk/", data).content.decode()
    assert "The 2 chosen spots" in page
    post(client_of("organiser"), "/sharing/bulk/", {**data, "save": ""})
    assert ("public", 0) in granted(places.club) and ("public", 0) in granted(places.shared)
    assert granted(places.private) == granted(places.team) == set()
    assert client_of("rival").post("/sharing/bulk/", data).status_code == 422
    assert client_of("rival").post("/sharing/bulk/", {**data, "water": "x"}).status_code == 404


def test_many_spots_take_few_queries(
    cast: Cast, places: Places, client_of: ClientOf, django_assert_max_num_queries: Any
) -> None:
    drafts = [
        SpotDraft(water=places.club.water, name=f"Pile {n}", scope=f"member:{cast.member.pk}")
        for n in range(300)
    ]
    with see(cast, "member"):
        save_spots(drafts, cast.viewer("member"), timezone.now())
    client = client_of("member")
    data = {"water": str(places.club.water_id), "audience": "members", "how": "1"}
    with django_assert_max_num_queries(120):
        assert client.post("/sharing/bulk/", data).status_code == 200
    with django_assert_max_num_queries(80):
        assert client.get("/sharing/").status_code == 200
    assert post(client, "/sharing/bulk/", {**data, "save": ""}).status_code == 302
    assert Grant.objects.filter(audience="members", level=1, owner=f"member:{cast.member.pk}").count() == 301
    undo = client.post(f"/sharing/undo/{SharingChange.objects.get().pk}/", follow=True)
    assert "Undone" in undo.content.decode()
    assert Grant.objects.filter(audience="members", owner=f"member:{cast.member.pk}").count() == 0
    assert len(drafts) < MOST_AT_ONCE


def test_an_undo_that_widens_is_known_from_now_on(cast: Cast, places: Places, client_of: ClientOf) -> None:
    """Narrowed before a cut-off and widened by undo after it: whoever is frozen keeps the narrow sight."""
    now = timezone.now()
    client = client_of("organiser")
    long_ago = now - timedelta(days=9)
    Grant.objects.update(known_at=long_ago)
    TeamMembership.objects.update(since=long_ago)
    Member.objects.update(role_since=long_ago)
    url = f"/sharing/{places.shared.pk}/"
    post(
        client, url, rows(("members", "1", "", ""), ("guest", "1", "", ""), ("public", "1", "", ""), save="")
    )
    Grant.objects.filter(known_at__gt=long_ago).update(known_at=long_ago)
    event = make_event(
        places.shared.water, cutoff_at=now - timedelta(hours=1), ends_at=now + timedelta(days=5),
        fishing_from=now.date(), fishing_until=now.date(),
    )  # fmt: skip
    enter(event, cast.rival, cast.bittern, entered_at=long_ago)
    assert "Canary" not in client_of("rival").get("/api/spots/").content.decode()
    client.post(f"/sharing/undo/{SharingChange.objects.get().pk}/")
    assert ("members", 3) in granted(places.shared)
    assert "Canary Shared" in client_of("newcomer").get("/api/spots/").content.decode()
    assert "Canary" not in client_of("rival").get("/api/spots/").content.decode()


def test_an_undo_is_private_and_refuses_what_is_not_ones_own_any_more(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    captain = client_of("captain")
    post(captain, f"/sharing/{places.team.pk}/", rows(("members", "1", "", ""), save=""))
    made = SharingChange.objects.get()
    for persona in ("teammate", "organiser", "rival", "guest", "nobody"):
        assert client_of(persona).post(f"/sharing/undo/{made.pk}/").status_code in (302, 404), persona
        with see(cast, persona):
            assert not SharingChange.objects.exists(), persona
    assert granted(places.team) == {("members", 1)}
    TeamMembership.objects.filter(team=cast.alder).update(is_captain=False)
    TeamMembership.objects.filter(member=cast.teammate).update(is_captain=True)
    told = captain.post(f"/sharing/undo/{made.pk}/", follow=True).content.decode()
    assert "not yours to share any more" in told
    assert granted(places.team) == {("members", 1)}


def test_who_has_left_is_dropped_from_what_an_undo_puts_back(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    client = client_of("member")
    url = f"/sharing/{places.private.pk}/"
    key = f"member:{cast.newcomer.pk}"
    post(client, url, rows((key, "2", "", ""), ("members", "1", "", ""), save=""))
    post(client, url, rows(save=""))
    Member.objects.filter(pk=cast.newcomer.pk).update(is_active=False)
    last = SharingChange.objects.order_by("-made_at").first()
    assert last is not None
    client.post(f"/sharing/undo/{last.pk}/")
    assert granted(places.private) == {("members", 1)}


def test_a_policy_that_shows_outsiders_more_than_members_is_refused(
    places: Places, client_of: ClientOf
) -> None:
    client = client_of("organiser")
    before = list(AudiencePolicy.objects.order_by("pk").values())
    for wrong in (
        {"members_minimum": 500},
        {"members_default": 1, "members_ceiling": 1},
        {"guest_default": 1, "guest_ceiling": 1},
        {"public_default": 3},
        {"search_ha_per_hour": "nan"},
        {"search_ha_per_hour": "0"},
        {"members_minimum": 30},
        {"public_ceiling": 4},
    ):
        answer = client.post("/sharing/policy/", policy_data(**wrong, save=""))
        assert answer.status_code == 422, wrong
        assert "Not saved" in answer.content.decode()
    assert list(AudiencePolicy.objects.order_by("pk").values()) == before


def test_no_preset_widens_what_an_owner_decided(cast: Cast, places: Places, client_of: ClientOf) -> None:
    """Members' own explicit grants are seen as before or narrower under every preset."""
    draft = SpotDraft(
        water=places.club.water, name="Mine", scope=f"member:{cast.member.pk}", grants=(("members", Level.AREA),),
        point=Point(-93.27, 45.03, srid=4326),
    )  # fmt: skip
    with see(cast, "member"):
        spot: Spot = create_spot(draft, cast.viewer("member"), timezone.now())[0]
    client = client_of("organiser")
    for key in ("closed", "suggested", "open"):
        page = client.get(f"/sharing/policy/?preset={key}").content.decode()
        chosen = dict(re.findall(r'<select name="(\w+)".*?<option value="(\d+)" selected', page, re.S))
        assert len(chosen) == 9
        assert (
            client.post("/sharing/policy/", {**chosen, "search_ha_per_hour": "20", "save": ""}).status_code
            == 302
        )
        with see(cast, "newcomer"):
            levels = {g.audience: g.level for g in Grant.objects.filter(spot=spot)}
        assert levels == {"members": Level.AREA}
        features = {
            f["id"]: f["properties"] for f in client_of("newcomer").get("/api/spots/").json()["features"]
        }
        assert features[str(spot.pk)]["precision"] == "area", key
        assert str(spot.pk) not in client_of("guest").get("/api/spots/").content.decode()
