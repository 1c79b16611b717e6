"""Who may call what: one table. What is hidden answers like what never was, byte for byte."""

import json
import uuid
from typing import Any

import pytest
from django.test import Client

from club.models import ApiToken, Member
from observations.models import Observation
from tests.api.conftest import a_drop, a_look
from tests.api.document import Api, ApiOf, check
from tests.conftest import NOON, PERSONAS, Cast, Places, found, look, sonar

# Statuses in the order of PERSONAS: organiser, checker, member, teammate, captain, rival, newcomer, guest, nobody.
EVERYBODY = (200,) * 9
MEMBERS = (200,) * 7 + (403, 401)
TABLE: dict[str, tuple[int, ...]] = {
    "/api/waters/": EVERYBODY,
    "/api/species/": EVERYBODY,
    "/api/spots/": EVERYBODY,
    "/api/spots/{club}/": EVERYBODY,
    "/api/spots/{shared}/": EVERYBODY,
    "/api/spots/{private}/": (404, 404, 200) + (404,) * 6,
    "/api/spots/{team}/": (404, 404, 404, 200, 200) + (404,) * 4,
    "/api/spots/{private}/history/": (404, 404, 200) + (404,) * 6,
    "/api/observations/": MEMBERS,
    "/api/observations/{look_at_club}/": (200, 404, 404, 404, 404, 404, 404, 403, 401),
    "/api/observations/{look_at_shared}/": MEMBERS,
    "/api/observations/{look_at_private}/": (404, 404, 200, 404, 404, 404, 404, 403, 401),
    "/api/observations/{look_at_team}/": (404, 404, 404, 200, 200, 404, 404, 403, 401),
    "/api/trips/": MEMBERS,
    "/api/findings/": MEMBERS,
    "/api/confirmations/": MEMBERS,
}  # fmt: skip


@pytest.fixture
def keys(places: Places, cast: Cast) -> dict[str, str]:
    looks = {
        "look_at_club": look(cast, "organiser", places.club, "camera", NOON, findings=found("bluegill")),
        "look_at_shared": look(cast, "member", places.shared, "down", NOON, groups=sonar("bluegill")),
        "look_at_private": look(cast, "member", places.private, "camera", NOON, findings=found("bluegill")),
        "look_at_team": look(cast, "captain", places.team, "camera", NOON, findings=found("bluegill")),
    }
    spots = {name: str(getattr(places, name).pk) for name in ("club", "shared", "private", "team")}
    return spots | {name: str(row.pk) for name, row in looks.items()}


def test_each_persona_may_read_what_the_table_says(api: ApiOf, keys: dict[str, str]) -> None:
    for number, persona in enumerate(PERSONAS):
        caller = api(persona)
        for address, statuses in TABLE.items():
            caller.get(address.format(**keys), status=statuses[number])


def test_lists_hold_what_single_reads_give_and_nothing_else(api: ApiOf, keys: dict[str, str]) -> None:
    looks = [name for name in keys if name.startswith("look_at")]
    for number, persona in enumerate(PERSONAS[:-2]):
        readable = {keys[name] for name in looks if TABLE[f"/api/observations/{{{name}}}/"][number] == 200}
        caller = api(persona)
        assert {row["id"] for row in caller.get("/api/observations/")["results"]} == readable
        assert {row["look"] for row in caller.get("/api/findings/")["results"]} <= readable


def test_what_is_hidden_answers_like_what_never_was(api: ApiOf, keys: dict[str, str]) -> None:
    caller = api("rival").client
    for place, name in (
        ("/api/spots/{}/", "private"),
        ("/api/spots/{}/history/", "private"),
        ("/api/observations/{}/", "look_at_private"),
        ("/api/observations/{}/", "look_at_club"),
        ("/api/pictures/{}/", "look_at_club"),
    ):
        hidden, never = (caller.get(place.format(key)) for key in (keys[name], uuid.uuid4()))
        assert (hidden.status_code, hidden.content) == (404, never.content)
        assert hidden.headers == never.headers
    withdraw = "/api/observations/{}/withdraw/"
    hidden, never = (
        caller.post(withdraw.format(key), "{}", "application/json")
        for key in (keys["look_at_private"], uuid.uuid4())
    )
    assert (hidden.status_code, hidden.content) == (404, never.content)


WRITES: tuple[tuple[str, Any, tuple[int, ...]], ...] = (
    # 400: let in, and told what is missing.
    ("/api/observations/", {}, (400,) * 7 + (403, 401)),
    ("/api/trips/", {}, (400,) * 7 + (403, 401)),
    ("/api/spots/", {}, (400,) * 7 + (403, 401)),
    ("/api/confirmations/", {}, (403, 400) + (403,) * 6 + (401,)),
    ("/api/waters/", {}, (400,) + (403,) * 7 + (401,)),
)


def test_each_persona_may_write_what_the_table_says(api: ApiOf, cast: Cast) -> None:
    for number, persona in enumerate(PERSONAS):
        for path, body, statuses in WRITES:
            api(persona).post(path, body, status=statuses[number])


def test_a_former_member_is_let_in_no_more(api: ApiOf, cast: Cast) -> None:
    token = ApiToken.issue(cast.member)[1]
    caller = Api(Client(), {"Authorization": f"Token {token}"})
    caller.get("/api/observations/")
    Member.objects.filter(pk=cast.member.pk).update(is_active=False)
    caller.get("/api/observations/", status=401)


def test_a_cookie_session_needs_a_csrf_token_to_write(api: ApiOf, places: Places, cast: Cast) -> None:
    browser = Client(enforce_csrf_checks=True)
    browser.force_login(cast.member)
    caller = Api(browser)
    caller.get("/api/observations/")
    caller.post("/api/observations/", a_look(places.shared), status=403)
    assert not Observation.objects.exists()
    browser.get("/log/")
    assert "csrftoken" in browser.cookies
    caller.headers["X-CSRFToken"] = browser.cookies["csrftoken"].value
    caller.post("/api/observations/", a_look(places.shared))


def test_a_token_needs_no_csrf_token(places: Places, cast: Cast) -> None:
    caller = Api(Client(enforce_csrf_checks=True))
    caller.headers["Authorization"] = f"Token {ApiToken.issue(cast.member)[1]}"
    made = caller.post("/api/observations/", a_drop(places.private))
    assert made["observer"]["id"] == str(cast.member.pk)


def test_a_token_is_had_for_a_password_and_ends_when_revoked(places: Places, cast: Cast) -> None:
    client = Client(enforce_csrf_checks=True)
    body = json.dumps({"username": "member", "password": "tallow-member"})
    answer = client.post("/api/auth/token/", body, content_type="application/json")
    token = check("post", "/api/auth/token/", answer)["token"]
    caller = Api(client, {"Authorization": f"Token {token}"})
    assert caller.get(f"/api/spots/{places.private.pk}/")["properties"]["precision"] == "exact"
    row = ApiToken.objects.get()
    assert token not in (row.token_digest, row.label), "only its digest is stored"
    row.revoked_at = NOON
    row.save()
    caller.get("/api/species/", status=401)
    caller.headers["Authorization"] = "Token " + "x" * 43
    caller.get("/api/species/", status=401)


def test_a_token_does_not_lend_the_session_beside_it(places: Places, cast: Cast, api: ApiOf) -> None:
    caller = api("member")
    caller.headers["Authorization"] = f"Token {ApiToken.issue(cast.rival)[1]}"
    caller.get(f"/api/spots/{places.private.pk}/", status=404)


def test_no_cache_on_the_way_keeps_what_a_member_reads(api: ApiOf, keys: dict[str, str]) -> None:
    for address in ("/api/observations/", "/api/findings/", "/api/reliability/", "/api/spots/"):
        answer = api("member").client.get(address)
        assert answer.headers["Cache-Control"] == "private, no-store", address
