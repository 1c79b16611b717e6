"""Attacks by those whose rights have ended, or who borrow another's: rows 15-26 of the attack catalogue and more.

Row 22 needs nothing: no mail is sent (the leak suite asserts it). Row 26 is tested with the policies.
"""

import json
import uuid
from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps
from django.conf import settings
from django.test import Client
from django.utils import timezone

from club import people
from club.models import ApiToken, Member
from observations.models import Observation
from spots.models import Grant, Spot
from tests.conftest import Cast, Places
from tests.leaks.attacks.test_on_positions import features
from tests.leaks.canaries import CANARIES, EVERYBODY
from tests.leaks.reading import ask
from tests.leaks.test_no_response_holds_a_hidden_position import UNKNOWN
from tests.leaks.worlds import Ids, World

ClientOf = Callable[..., Client]


def same_as_never(client: Client, path: str, key: Any, body: dict[str, Any] | None = None) -> bool:
    """Whether an id answers like one that was never issued, but for the id itself."""
    one = ask(client, path.format(key), body).answer.replace(str(key).encode(), b"")
    other = ask(client, path.format(UNKNOWN), body).answer.replace(str(UNKNOWN).encode(), b"")
    return one == other


def test_15_every_id_is_random(ids: Ids) -> None:
    """Of every table whose rows have ids that leave: version 4, which tells neither order nor time."""
    looked = 0
    for model in apps.get_models():
        if model._meta.pk.get_internal_type() == "UUIDField" and model._meta.app_label in (
            "club",
            "spots",
            "observations",
        ):
            for key in model._default_manager.values_list("pk", flat=True)[:20]:
                assert key.version == 4 or key.int == 0, model
                looked += 1
    assert looked > 40


@pytest.mark.parametrize("persona", ["rival", "guest", "nobody", "removed", "demoted"])
def test_every_id_of_the_database_guessed_opens_no_spot_and_no_look_that_is_not_listed(
    ids: Ids, persona: str, client_of: ClientOf
) -> None:
    client = client_of(persona)
    listed = set(features(client))
    looks = set()
    if persona in ("rival", "demoted"):
        looks = {row["id"] for row in client.get("/api/observations/?limit=100").json()["results"]}
    # Of zones there are thousands, and they are public; forty of each table will do.
    guesses = {
        str(key)
        for model in apps.get_models()
        for key in model._default_manager.order_by("pk").values_list("pk", flat=True)[:40]
        if isinstance(key, uuid.UUID)
    }
    assert len(guesses) > 60
    for key in sorted(guesses):
        assert (client.get(f"/api/spots/{key}/").status_code == 200) == (key in listed)
        assert (client.get(f"/api/observations/{key}/").status_code == 200) == (key in looks)


@pytest.mark.parametrize("persona", EVERYBODY)
def test_17_what_a_signed_in_caller_gets_is_kept_by_no_cache(
    places: Places, persona: str, client_of: ClientOf
) -> None:
    client = client_of(persona)
    for path in ("/", f"/spots/{places.shared.pk}/", "/api/spots/", "/export/spots.gpx"):
        answer = client.get(path)
        control = answer.headers.get("Cache-Control", "")
        if answer.wsgi_request.member is not None:
            assert "no-store" in control and "private" in control, (path, control)
        assert "public" not in control
        # Nothing to ask with later whether it has changed.
        assert "Last-Modified" not in answer.headers
    first = ask(client_of("member"), f"/spots/{places.private.pk}/")
    second = ask(client_of("nobody"), f"/spots/{places.private.pk}/")
    assert (first.status, second.status) == (200, 404)


def test_18_a_copy_of_a_hidden_spot_is_made_like_any_other(places: Places, client_of: ClientOf) -> None:
    """The same name and place as a hidden spot, and another's: nothing but what was sent differs."""
    canary, answers = CANARIES["private"], []
    for name, lon, lat in ((canary.name, canary.lon, canary.lat), ("Quite another", -93.2512, 45.0561)):
        body = {
            "water": str(places.private.water_id),
            "name": name,
            "lon": lon,
            "lat": lat,
            "cover": "laydown",
        }
        answer = ask(client_of("rival"), "/api/spots/", body)
        made = json.loads(answer.answer.split(b"\n\n", 1)[1])
        made.pop("id"), made.pop("geometry"), made["properties"].pop("name")
        answers.append((answer.status, made))
    assert answers[0] == answers[1] and answers[0][0] == 201


@pytest.mark.parametrize("query", [
    "ordering=position__point", "order_by=lon", "fields=point", "expand=position", "include=grants", "format=api",
    "position__point__distance_lte=1", "owner=member", "search=Canary", "cursor=AAAA", "precision=exact",
    "as=organiser",
])  # fmt: skip
def test_19_a_parameter_that_is_not_offered_is_refused(query: str, client_of: ClientOf) -> None:
    for persona in ("rival", "nobody"):
        assert client_of(persona).get(f"/api/spots/?{query}").status_code in (400, 404)


@pytest.mark.parametrize("persona", EVERYBODY)
def test_19_head_and_options_tell_no_more_than_get(
    ids: Ids, places: Places, persona: str, client_of: ClientOf
) -> None:
    client = client_of(persona)
    for path in ("/spots/{}/", "/api/spots/{}/", "/api/spots/{}/history/"):
        for key in ids["spots"]:
            get, head = client.get(path.format(key)), client.head(path.format(key))
            assert get.status_code == head.status_code and not head.content
            if get.status_code == 404:
                hidden, never = client.options(path.format(key)), client.options(path.format(UNKNOWN))
                assert (hidden.status_code, hidden.content) == (never.status_code, never.content)


@pytest.mark.parametrize("persona", EVERYBODY)
def test_20_an_export_holds_what_the_api_shows_exactly(persona: str, client_of: ClientOf) -> None:
    client = client_of(persona)
    answer = client.get("/export/spots.gpx")
    if answer.status_code != 200:
        assert answer.status_code in (302, 404)
        return
    content = b"".join(answer.streaming_content) if answer.streaming else answer.content
    shown = client.get("/api/spots/").json()["features"]
    exact = {f["properties"]["name"] for f in shown if f["properties"]["precision"] == "exact"}
    assert {name for name in (c.name for c in CANARIES.values()) if name.encode() in content} == exact
    assert content.count(b"<wpt") == len(exact)


def test_24_another_sites_page_gets_nothing_from_the_api(client_of: ClientOf) -> None:
    client = client_of("member")
    for site in ("cross-site", "same-site"):
        assert client.get("/api/spots/", headers={"Sec-Fetch-Site": site}).status_code == 403
    page = client.get("/")
    assert "frame-ancestors 'none'" in page.headers["Content-Security-Policy"]
    assert page.headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert settings.SESSION_COOKIE_SAMESITE in ("Lax", "Strict") and settings.SESSION_COOKIE_HTTPONLY


@pytest.mark.parametrize("persona", ["removed", "removed by token", "lapsed"])
def test_25_an_old_link_session_or_token_opens_nothing(
    places: Places, persona: str, client_of: ClientOf
) -> None:
    client = client_of(persona)
    for path in ("/spots/{}/", "/spots/{}/panel/", "/api/spots/{}/", "/api/spots/{}/history/"):
        for spot in (places.private, places.team):
            assert same_as_never(client, path, spot.pk)
    conditional = client.get(f"/api/spots/{places.private.pk}/", headers={"If-None-Match": "*"})
    assert conditional.status_code in (401, 404)


def test_25_a_demoted_checker_finds_no_queue(ids: Ids, client_of: ClientOf) -> None:
    client = client_of("demoted")
    assert client.get("/proofs/").status_code == 404
    for key in ids["findings"]:
        assert same_as_never(client, "/proofs/{}/", key)
        body = {"finding": str(key), "named_species": "bluegill"}
        assert ask(client, "/api/confirmations/", body).status == 403


def test_25_rights_end_with_the_next_request(cast: Cast, places: Places, world: World) -> None:
    """Session and token, while both are in use."""
    session, token = world.client("teammate"), world.client("rival by token")
    assert session.get(f"/spots/{places.team.pk}/").status_code == 200
    assert token.get(f"/api/spots/{places.shared.pk}/").status_code == 200
    people.end_membership(Member.objects.get(pk=cast.teammate.pk), timezone.now())
    ApiToken.objects.filter(member=cast.rival).update(revoked_at=timezone.now())
    assert session.get(f"/spots/{places.team.pk}/").status_code == 404
    assert token.get(f"/api/spots/{places.shared.pk}/").status_code == 401
    grants = Grant.objects.filter(spot=places.shared, audience="members")
    assert (
        world.client("newcomer").get(f"/api/spots/{places.shared.pk}/").json()["properties"]["precision"]
        == "exact"
    )
    grants.update(ends_at=timezone.now())
    left = world.client("newcomer").get(f"/api/spots/{places.shared.pk}/")
    assert left.json()["properties"]["precision"] != "exact"


def test_a_forged_form_changes_nothing(ids: Ids, places: Places, world: World) -> None:
    """A page of another site posts with the member's cookie, and without the token of the form."""
    client = Client(enforce_csrf_checks=True)
    client.cookies = world.client("member").cookies
    looks, spots = Observation.objects.count(), Spot.objects.count()
    for path, kind in (
        ("/log/", "application/x-www-form-urlencoded"), (f"/spots/{places.private.pk}/edit/", "text/plain"),
        ("/api/spots/", "application/json"), ("/api/observations/", "application/json"), ("/sign-out/", "text/plain"),
    ):  # fmt: skip
        assert client.post(path, "{}", content_type=kind).status_code == 403, path
    assert (Observation.objects.count(), Spot.objects.count()) == (looks, spots)
    assert client.get(f"/spots/{places.private.pk}/").status_code == 200


def test_a_session_planted_before_signing_in_is_not_the_one_signed_in(world: World, db: None) -> None:
    victim = Client()
    victim.cookies[settings.SESSION_COOKIE_NAME] = planted = "a" * 32
    answer = victim.post("/sign-in/", {"username": "member", "password": "tallow-member"})
    assert answer.status_code == 302
    assert victim.cookies[settings.SESSION_COOKIE_NAME].value != planted
    attacker = Client()
    attacker.cookies[settings.SESSION_COOKIE_NAME] = planted
    assert attacker.get("/account/").status_code == 302


def test_a_link_cannot_be_asked_of_a_hidden_spot(ids: Ids, places: Places, client_of: ClientOf) -> None:
    """Copy a spot, then ask the site whether it is the same place as one that is hidden."""
    client = client_of("rival")
    for field in ("partner", "other", "spot"):
        path = f"/sharing/links/new/?spot={places.shared.pk}"
        hidden = ask(client, path, {field: str(places.private.pk)})
        never = ask(client, path, {field: str(UNKNOWN)})
        assert hidden.status == never.status
        assert hidden.answer.replace(str(places.private.pk).encode(), b"") == never.answer.replace(
            str(UNKNOWN).encode(), b""
        )
