"""Every address of the site, as every persona: nothing that comes back holds a place that is not theirs.

An address without a row in ROWS fails the suite: whoever adds one says here how to reach it.
"""

import io
import re
import uuid
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver
from django.utils import timezone
from PIL import Image

from observations import jobs
from observations.models import Finding, Observation
from observations.pictures import clean_picture, store
from spots.models import Water
from tests.conftest import PERSONAS, Cast, Places, found, look, see, sonar
from tests.leaks.positions import Canary, finds
from tests.spots.event_kit import enter, make_event

UNKNOWN = uuid.UUID("00000000-0000-4000-8000-000000000000")

SIGHTS = {
    "form-TOTAL_FORMS": "1",
    "form-INITIAL_FORMS": "0",
    "form-0-audience": "public",
    "form-0-how": "3",
}

CANARIES = {
    "club": Canary("Canary Club Crib", -93.276713, 45.021137),
    "shared": Canary("Canary Shared Pile", -93.265951, 45.044379),
    "private": Canary("Canary Private Laydown", -93.287531, 45.032717),
    "team": Canary("Canary Team Ledge", -93.254839, 45.013363),
}
# Which canaries a persona may know exactly.
KNOWS = {
    "organiser": {"club", "shared"},
    "checker": {"shared"},
    "member": {"shared", "private"},
    "teammate": {"shared", "team"},
    "captain": {"shared", "team"},
    "rival": {"shared"},
    "newcomer": {"shared"},
    "guest": set(),
    "nobody": set(),
}


def patterns(resolver: URLResolver | None = None, prefix: str = "") -> Iterator[str]:
    """Give every route of the URLconf."""
    for item in (resolver or get_resolver()).url_patterns:
        if isinstance(item, URLResolver):
            yield from patterns(item, prefix + str(item.pattern))
        elif isinstance(item, URLPattern):
            yield prefix + str(item.pattern)


Ids = dict[str, Any]
# Ways to ask for a route: GET unless a body is given.
Ask = tuple[str, dict[str, Any] | None]


def spots(ids: Ids, after: str = "") -> list[Ask]:
    return [(f"/spots/{key}/{after}", None) for key in (*ids["spots"], UNKNOWN)]


ROWS: dict[str, Callable[[Ids], list[Ask]]] = {
    "": lambda ids: [
        ("/", None),
        ("/?view=list", None),
        ("/?species=bluegill&grade=seen&season=6&view=list", None),
    ],
    "api/schema/": lambda ids: [("/api/schema/", None)],
    "spots/<uuid:key>/": lambda ids: [*spots(ids), *spots(ids, "?all")],
    "spots/<uuid:key>/panel/": lambda ids: [*spots(ids, "panel/"), *spots(ids, "panel/?species=bluegill")],
    "spots/<uuid:key>/edit/": lambda ids: spots(ids, "edit/"),
    "spots/new/": lambda ids: [("/spots/new/", None)],
    "sharing/": lambda ids: [("/sharing/", None)],
    "sharing/<uuid:key>/": lambda ids: [
        (f"/sharing/{key}/", data) for key in (*ids["spots"], UNKNOWN) for data in (None, SIGHTS)
    ],
    "sharing/bulk/": lambda ids: [
        ("/sharing/bulk/", {"spot": list(map(str, ids["spots"])), "audience": "members", "how": "1"})
    ],
    "sharing/policy/": lambda ids: [("/sharing/policy/", None), ("/sharing/policy/?preset=closed", None)],
    "sharing/species/": lambda ids: [("/sharing/species/", None), ("/sharing/species/", {"bluegill": "2"})],
    "sharing/undo/<uuid:key>/": lambda ids: [(f"/sharing/undo/{UNKNOWN}/", {})],
    "waters/": lambda ids: [("/waters/", None)],
    "waters/new/": lambda ids: [("/waters/new/", None)],
    "waters/<uuid:key>/": lambda ids: [(f"/waters/{ids['water']}/", None)],
    "waters/<uuid:key>/edit/": lambda ids: [(f"/waters/{ids['water']}/edit/", None)],
    "api/waters/": lambda ids: [("/api/waters/", None)],
    "api/waters/<uuid:key>/": lambda ids: [(f"/api/waters/{ids['water']}/", None)],
    "api/waters/<uuid:key>/chart/": lambda ids: [(f"/api/waters/{ids['water']}/chart/", None)],
    "api/spots/": lambda ids: [
        ("/api/spots/", None),
        ("/api/spots/?grade=called&species=bluegill&season=6", None),
        ("/api/spots/?bbox=-93.2768,45.0210,-93.2766,45.0212", None),
        ("/api/spots/?order=lon", None),
        ("/api/spots/?limit=1&offset=1", None),
    ],
    "api/spots/<uuid:key>/": lambda ids: [(f"/api/spots/{key}/", None) for key in (*ids["spots"], UNKNOWN)],
    "api/spots/<uuid:key>/history/": lambda ids: [
        (f"/api/spots/{key}/history/{query}", None)
        for key in (*ids["spots"], UNKNOWN)
        for query in ("", "?as_of=2026-07-01", "?as_of=nonsense")
    ],
    # Files in and out
    "import/": lambda ids: [("/import/", None)],
    "import/looks-template.csv": lambda ids: [("/import/looks-template.csv", None)],
    "export/spots.gpx": lambda ids: [
        ("/export/spots.gpx", None),
        (f"/export/spots.gpx?water={ids['water']}", None),
        *((f"/export/spots.gpx?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
    ],
    "export/looks.csv": lambda ids: [
        ("/export/looks.csv", None),
        *((f"/export/looks.csv?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
    ],
    # Looks and proofs over the API
    "api/confirmations/": lambda ids: [
        ("/api/confirmations/", None),
        *(
            ("/api/confirmations/", {"finding": key, "named_species": "largemouth-bass"})
            for key in (*ids["findings"], UNKNOWN)
        ),
    ],
    "api/findings/": lambda ids: [("/api/findings/", None)],
    "api/observations/": lambda ids: [
        ("/api/observations/", None),
        *((f"/api/observations/?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
    ],
    "api/observations/<uuid:key>/": lambda ids: [
        (f"/api/observations/{key}/", None) for key in (*ids["looks"], UNKNOWN)
    ],
    "api/observations/<uuid:key>/withdraw/": lambda ids: [(f"/api/observations/{UNKNOWN}/withdraw/", {})],
    "api/pictures/<uuid:key>/": lambda ids: [
        (f"/api/pictures/{key}/", None) for key in (ids["picture"], UNKNOWN)
    ],
    "api/reliability/": lambda ids: [("/api/reliability/", None)],
    "api/species/": lambda ids: [("/api/species/", None)],
    "api/trips/": lambda ids: [("/api/trips/", None)],
    # Events
    "events/": lambda ids: [("/events/", None)],
    "events/new/": lambda ids: [("/events/new/", None)],
    "events/<uuid:key>/": lambda ids: [(f"/events/{key}/", None) for key in (*ids["events"], UNKNOWN)],
    "events/<uuid:key>/edit/": lambda ids: [
        (f"/events/{key}/edit/", None) for key in (*ids["events"], UNKNOWN)
    ],
    "events/<uuid:key>/delete/": lambda ids: [(f"/events/{UNKNOWN}/delete/", {})],
    "events/<uuid:key>/enter/": lambda ids: [
        (f"/events/{key}/enter/", {"team": ""}) for key in (*ids["events"], UNKNOWN)
    ],
    "events/<uuid:key>/opening/": lambda ids: [
        (f"/events/{key}/opening/", {}) for key in (*ids["events"], UNKNOWN)
    ],
    "events/<uuid:key>/late/": lambda ids: [
        (f"/events/{key}/late/", None) for key in (*ids["events"], UNKNOWN)
    ],
    "events/<uuid:key>/entries/<uuid:entry_id>/withdraw/": lambda ids: [
        (f"/events/{ids['events'][0]}/entries/{UNKNOWN}/withdraw/", {})
    ],
    "events/<uuid:key>/entries/<uuid:entry_id>/accept/": lambda ids: [
        (f"/events/{ids['events'][0]}/entries/{UNKNOWN}/accept/", {})
    ],
    # The same place, kept by two owners
    "sharing/links/": lambda ids: [("/sharing/links/", None)],
    "sharing/links/new/": lambda ids: [
        ("/sharing/links/new/", None),
        *((f"/sharing/links/new/?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
        *(
            (f"/sharing/links/new/?spot={ids['spots'][1]}", {"other": key})
            for key in (*ids["spots"], UNKNOWN)
        ),
    ],
    "sharing/links/<uuid:key>/agree/": lambda ids: [(f"/sharing/links/{UNKNOWN}/agree/", {})],
    "sharing/links/<uuid:key>/end/": lambda ids: [(f"/sharing/links/{UNKNOWN}/end/", {})],
    # Asked with GET alone: a POST would turn the rest of the walk into the public's.
    "projector/": lambda ids: [("/projector/", None)],
    **{
        f"events/<uuid:key>/{after}": lambda ids, after=after: [
            (f"/events/{key}/{after}{query}", None)
            for key in (*ids["events"], UNKNOWN)
            for query in ("", "?team")
        ]
        for after in ("event.ics", "certificate/", "certificate.txt", "certificate.json")
    },
    "events/<uuid:key>/certificate/check/": lambda ids: [
        (f"/events/{key}/certificate/check/", body)
        for key in (*ids["events"], UNKNOWN)
        for body in (None, {"text": "Event id"})
    ],
    "api/events/": lambda ids: [("/api/events/", None), (f"/api/events/?water={ids['water']}", None)],
    "api/events/<uuid:key>/": lambda ids: [
        (f"/api/events/{key}/", None) for key in (*ids["events"], UNKNOWN)
    ],
    # Accounts
    "account/": lambda ids: [("/account/", None)],
    "account/password/": lambda ids: [("/account/password/", {})],
    "account/second-factor/": lambda ids: [
        ("/account/second-factor/", None),
        ("/account/second-factor/", {"what": "begin", "current": "wrong"}),
        ("/account/second-factor/", {"what": "confirm", "sealed": "x", "code": "000000"}),
        ("/account/second-factor/", {"what": "off", "code": "000000"}),
    ],
    "sign-in/code/": lambda ids: [("/sign-in/code/", None), ("/sign-in/code/", {"code": "000000"})],
    "account/sessions/": lambda ids: [("/account/sessions/", {})],
    "account/sessions/<uuid:session_id>/end/": lambda ids: [(f"/account/sessions/{UNKNOWN}/end/", {})],
    "club/members/<uuid:member_id>/sign-out/": lambda ids: [(f"/club/members/{UNKNOWN}/sign-out/", {})],
    "account/tokens/": lambda ids: [("/account/tokens/", {"label": "script"})],
    "account/tokens/<uuid:token_id>/revoke/": lambda ids: [(f"/account/tokens/{UNKNOWN}/revoke/", {})],
    "api/auth/token/": lambda ids: [("/api/auth/token/", {"username": "x", "password": "y"})],
    "account/leave/": lambda ids: [
        ("/account/leave/", None),
        ("/account/leave/", {"spots": "delete", "password": "wrong"}),
    ],
    "account/data/": lambda ids: [("/account/data/", None)],
    "hand-over/": lambda ids: [
        ("/hand-over/", None),
        ("/hand-over/", {"username": "member", "password": "tallow-member"}),
    ],
    "sharing/seen/": lambda ids: [
        ("/sharing/seen/", None),
        *((f"/sharing/seen/?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
    ],
    "club/": lambda ids: [("/club/", None)],
    "club/about/": lambda ids: [("/club/about/", None)],
    "club/invite/": lambda ids: [("/club/invite/", None)],
    "club/invite/<uuid:invitation_id>/withdraw/": lambda ids: [(f"/club/invite/{UNKNOWN}/withdraw/", {})],
    "club/members/<uuid:member_id>/": lambda ids: [
        (f"/club/members/{key}/", None) for key in (ids["member"], UNKNOWN)
    ],
    "club/members/<uuid:member_id>/reset/": lambda ids: [
        (f"/club/members/{key}/reset/", body)
        for key in (ids["member"], UNKNOWN)
        for body in (None, {"current": "wrong"}, {"current": "tallow-organiser"})
    ],
    "resets/<uuid:link_id>/close/": lambda ids: [(f"/resets/{UNKNOWN}/close/", {})],
    "reset/<str:token>/": lambda ids: [
        ("/reset/unknown/", None),
        ("/reset/unknown/", {"password": "x", "password_again": "x"}),
    ],
    "club/members/<uuid:member_id>/end/": lambda ids: [(f"/club/members/{UNKNOWN}/end/", {})],
    "club/members/<uuid:member_id>/take-back/": lambda ids: [(f"/club/members/{UNKNOWN}/take-back/", {})],
    "club/teams/": lambda ids: [("/club/teams/", None), ("/club/teams/", {"name": "Another"})],
    "club/teams/<uuid:team_id>/": lambda ids: [(f"/club/teams/{ids['team']}/", None)],
    "club/teams/<uuid:team_id>/<int:place_id>/captain/": lambda ids: [
        (f"/club/teams/{ids['team']}/0/captain/", {})
    ],
    "club/teams/<uuid:team_id>/<int:place_id>/out/": lambda ids: [(f"/club/teams/{ids['team']}/0/out/", {})],
    "invitation/<str:token>/": lambda ids: [
        ("/invitation/unknown/", None),
        ("/invitation/unknown/", {"name": "x"}),
    ],
    "setup/": lambda ids: [("/setup/", None), ("/setup/?key=unknown", None)],
    "sign-in/": lambda ids: [("/sign-in/", None), ("/sign-in/", {"username": "member", "password": "wrong"})],
    "sign-out/": lambda ids: [("/sign-out/", None)],
    # Lessons
    "lessons/": lambda ids: [("/lessons/", None), ("/lessons/?method=2d&species=bluegill", None)],
    "lessons/mine/": lambda ids: [("/lessons/mine/", None), ("/lessons/mine/", {"standing": "yes"})],
    "lessons/mine/<uuid:look_id>/": lambda ids: [
        (f"/lessons/mine/{key}/", {"share": "yes"}) for key in (*ids["looks"], UNKNOWN)
    ],
    # Looks and proofs
    "log/": lambda ids: [
        ("/log/", None),
        *((f"/log/?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
        *(
            (f"/log/?spot={key}", {"spot": key, "method": "2d", "band": "none"})
            for key in (*ids["spots"], UNKNOWN)
        ),
    ],
    "log/mine/": lambda ids: [("/log/mine/", None)],
    "log/spots/": lambda ids: [("/log/spots/", None), ("/log/spots/?q=Canary", None)],
    "log/<uuid:look_id>/": lambda ids: [(f"/log/{key}/", None) for key in (*ids["looks"], UNKNOWN)],
    "log/<uuid:look_id>/undo/": lambda ids: [(f"/log/{UNKNOWN}/undo/", {})],
    "log/<uuid:look_id>/withdraw/<uuid:group_id>/": lambda ids: [
        (f"/log/{key}/withdraw/{UNKNOWN}/", {}) for key in ids["looks"]
    ],
    "pictures/": lambda ids: [("/pictures/", None), ("/pictures/?page=2", None)],
    "api/pictures/": lambda ids: [("/api/pictures/", None), ("/api/pictures/?spot=x", None)],
    "pictures/offered/": lambda ids: [("/pictures/offered/", None)],
    "pictures/offered/<uuid:clearance_id>/": lambda ids: [
        (f"/pictures/offered/{UNKNOWN}/", {"answer": "clear", "looked": "yes"})
    ],
    "pictures/cleared/<uuid:cleared_id>/": lambda ids: [
        (f"/pictures/cleared/{key}/", None) for key in (ids["picture"], UNKNOWN)
    ],
    "pictures/cleared/<uuid:cleared_id>/small/": lambda ids: [
        (f"/pictures/cleared/{ids['picture']}/small/", None)
    ],
    "pictures/cleared/<uuid:cleared_id>/down/": lambda ids: [(f"/pictures/cleared/{UNKNOWN}/down/", {})],
    "pictures/<uuid:picture_id>/clear/": lambda ids: [
        (f"/pictures/{key}/clear/", None) for key in (ids["picture"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/clear/back/": lambda ids: [
        (f"/pictures/{key}/clear/back/", {}) for key in (ids["picture"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/": lambda ids: [
        (f"/pictures/{key}/", None) for key in (ids["picture"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/small/": lambda ids: [(f"/pictures/{ids['picture']}/small/", None)],
    "proofs/": lambda ids: [("/proofs/", None)],
    "proofs/<uuid:finding_id>/": lambda ids: [
        (f"/proofs/{key}/", None) for key in (*ids["findings"], UNKNOWN)
    ],
    "proofs/<uuid:finding_id>/name/": lambda ids: [
        (f"/proofs/{key}/name/", {"named": "largemouth-bass", "species": "largemouth-bass"})
        for key in (*ids["findings"], UNKNOWN)
    ],
    "proofs/<uuid:finding_id>/decide/": lambda ids: [
        (f"/proofs/{key}/decide/", {"decision": "rejected", "reason": "x"})
        for key in (*ids["findings"], UNKNOWN)
    ],
}


@pytest.fixture
def ids(cast: Cast, places: Places) -> Ids:
    """A club in which every kind of thing exists, so that every address has something to show."""
    now = timezone.now()
    owners = (
        ("organiser", places.club),
        ("member", places.shared),
        ("member", places.private),
        ("captain", places.team),
    )
    for persona, spot in owners:
        look(cast, persona, spot, "2d", now - timedelta(hours=5), groups=sonar("white-crappie", 0.7))
        look(
            cast, persona, spot, "camera", now - timedelta(hours=4), minutes=6, findings=found("bluegill", 2)
        )
    jobs.refit()
    finding = Finding.objects.filter(observer=cast.member, scope="club").get()
    data = io.BytesIO()
    Image.new("RGB", (640, 480), "navy").save(data, "PNG")
    data.seek(0)
    with see(cast, "member"):
        (picture,) = store([(clean_picture(data, "camera.png"), finding)], finding.look, cast.member, now)
    return {
        "spots": [places.club.pk, places.shared.pk, places.private.pk, places.team.pk],
        "water": places.club.water_id,
        "findings": list(Finding.objects.order_by("pk").values_list("pk", flat=True)),
        "looks": list(Observation.objects.order_by("pk").values_list("pk", flat=True)),
        "picture": picture.pk,
        "member": cast.member.pk,
        "team": cast.alder.pk,
        "events": _events(cast, places, now),
    }


def _events(cast: Cast, places: Places, now: datetime) -> list[uuid.UUID]:
    """One event that comes, and one past its cut-off, with an angler of each team entered.

    The second freezes a water of its own: on the canaries' it would hide them from half the personas, and
    the walk would find less (tests/spots/test_a_cut_off_freezes_a_water.py is about that).
    """
    made = []
    for days, water in ((5, places.club.water), (-1, Water.objects.create(name="Another water"))):
        event = make_event(
            water,
            fishing_from=(now + timedelta(days=8)).date(),
            fishing_until=(now + timedelta(days=9)).date(),
            cutoff_at=now + timedelta(days=days),
            ends_at=now + timedelta(days=10),
            deputy=cast.newcomer,
        )
        for person, team in ((cast.captain, cast.alder), (cast.rival, cast.bittern)):
            enter(event, person, team, entered_at=now - timedelta(days=2))
        made.append(event.pk)
    return made


def ask(client: Client, path: str, body: dict[str, Any] | None) -> bytes:
    """Return everything that comes back: status line, headers and body."""
    kind = {"content_type": "application/json"} if path.startswith("/api/") else {}
    response = client.get(path) if body is None else client.post(path, body, **kind)
    content = b"".join(response.streaming_content) if response.streaming else response.content
    head = "\n".join(f"{name}: {value}" for name, value in response.items())
    assert response.status_code < 500, path
    # The one thing made equal: Django masks its CSRF token anew in every answer.
    content = re.sub(rb'(name="csrfmiddlewaretoken" value=")[^"]+', rb"\1", content)
    return f"{response.status_code}\n{head}\n\n".encode() + content


def test_every_address_has_a_row() -> None:
    assert set(patterns()) - set(ROWS) == set()


@pytest.mark.parametrize("persona", PERSONAS)
def test_nothing_that_comes_back_holds_a_hidden_place(
    ids: Ids, persona: str, client_of: Callable[..., Client], quiet_queue: Any
) -> None:
    client = client_of(persona, raise_request_exception=False)
    hidden = {name: canary for name, canary in CANARIES.items() if name not in KNOWS[persona]}
    asked = 0
    leaks = []
    for route in sorted(set(patterns()) & set(ROWS)):
        for path, body in ROWS[route](ids):
            answer = ask(client, path, body)
            asked += 1
            # What the caller typed may be echoed back to them, in the address of the sign-in page for one.
            for name, canary in hidden.items():
                if (notation := finds(answer, canary)) and not path.startswith("/api/spots/?bbox"):
                    leaks.append(f"{path} gives {persona} the {name} spot in {notation}")
    assert not leaks, "\n".join(leaks)
    assert asked > 40


@pytest.mark.parametrize("persona", ["member", "captain"])
def test_the_same_addresses_do_show_a_place_to_those_who_may_see_it(
    ids: Ids, persona: str, client_of: Callable[..., Client], quiet_queue: Any
) -> None:
    """The other half of the check: with the same club and the same detector, the owner's places are found."""
    client = client_of(persona)
    body = ask(client, "/api/spots/", None)
    for name in KNOWS[persona]:
        assert finds(body, CANARIES[name]), name


@pytest.mark.parametrize("persona", ["rival", "newcomer", "guest", "nobody"])
def test_a_hidden_spot_answers_byte_for_byte_like_one_that_never_was(
    ids: Ids, places: Places, persona: str, client_of: Callable[..., Client]
) -> None:
    client = client_of(persona)
    for path in (
        "/spots/{}/",
        "/spots/{}/panel/",
        "/spots/{}/edit/",
        "/api/spots/{}/",
        "/api/spots/{}/history/",
    ):
        hidden = ask(client, path.format(places.private.pk), None)
        never = ask(client, path.format(UNKNOWN), None)
        assert hidden.replace(str(places.private.pk).encode(), b"") == never.replace(
            str(UNKNOWN).encode(), b""
        ), path


@pytest.mark.parametrize("persona", ["newcomer", "nobody"])
def test_a_bounding_box_cannot_bisect_a_zone(
    ids: Ids, places: Places, persona: str, client_of: Callable[..., Client]
) -> None:
    """A box anywhere in the zone finds the spot, whether or not the spot lies in it."""
    client = client_of(persona)
    features = {f["id"]: f for f in client.get("/api/spots/").json()["features"]}
    zone = features[str(places.club.pk)]["geometry"]["coordinates"]
    answers = set()
    for polygon in zone:
        for lon, lat in polygon[0]:
            box = f"{lon - 0.0001},{lat - 0.0001},{lon + 0.0001},{lat + 0.0001}"
            found_ids = {f["id"] for f in client.get(f"/api/spots/?bbox={box}").json()["features"]}
            answers.add(str(places.club.pk) in found_ids)
    assert answers == {True}
