"""Every address of the site, as every persona: nothing that comes back holds a place that is not theirs.

An address without a row in ROWS fails the suite: whoever adds one says here how to reach it.
"""

import uuid
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from tests.conftest import Places
from tests.leaks.canaries import CANARIES, EVERYBODY, KNOWS, hidden_from
from tests.leaks.positions import finds_any
from tests.leaks.reading import ask
from tests.leaks.worlds import Ids

UNKNOWN = uuid.UUID("00000000-0000-4000-8000-000000000000")

SIGHTS = {
    "form-TOTAL_FORMS": "1",
    "form-INITIAL_FORMS": "0",
    "form-0-audience": "public",
    "form-0-how": "3",
}


def patterns(resolver: URLResolver | None = None, prefix: str = "") -> Iterator[str]:
    """Give every route of the URLconf."""
    for item in (resolver or get_resolver()).url_patterns:
        if isinstance(item, URLResolver):
            yield from patterns(item, prefix + str(item.pattern))
        elif isinstance(item, URLPattern):
            yield prefix + str(item.pattern)


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
    "spots/<uuid:key>/side-by-side/": lambda ids: [
        *spots(ids, "side-by-side/"),
        *spots(ids, f"side-by-side/?visit={UNKNOWN}"),
        *[(f"/spots/{ids['spots'][0]}/side-by-side/?spot={key}", None) for key in ids["spots"]],
    ],
    "spots/<uuid:key>/tried/": lambda ids: spots(ids, "tried/"),
    "waters/<uuid:key>/tried/": lambda ids: [
        (f"/waters/{key}/tried/", None) for key in (ids["water"], UNKNOWN)
    ],
    "spots/<uuid:key>/rest/": lambda ids: [
        *spots(ids, "rest/"),
        *[
            (f"/spots/{key}/rest/", {"until": "2035-06-07", "wind": "north"})
            for key in (*ids["spots"], UNKNOWN)
        ],
    ],
    # Nothing of anybody's: reckons with what is typed.
    "measures/": lambda ids: [("/measures/", None), ("/measures/?what=cone&depth=5&angle=20", None)],
    "calls/": lambda ids: [
        ("/calls/", None),
        ("/calls/?who=me&part=drawn", None),
        ("/calls/?method=2d", None),
    ],
    "calls/guide/": lambda ids: [("/calls/guide/", None)],
    "calls/guide/<slug:code>/": lambda ids: [
        (f"/calls/guide/{code}/", None) for code in ("bluegill", "channel-catfish", "nothing")
    ],
    "calls/sharing/": lambda ids: [("/calls/sharing/", {"share": "no"})],
    "proofs/decided/": lambda ids: [("/proofs/decided/", None)],
    "proofs/decided/<uuid:confirmation_id>/undo/": lambda ids: [
        (f"/proofs/decided/{key}/undo/", {}) for key in (ids["confirmation"], UNKNOWN)
    ],
    "proofs/<uuid:finding_id>/dispute/": lambda ids: [
        (f"/proofs/{key}/dispute/", body) for key in (*ids["findings"], UNKNOWN) for body in (None, {})
    ],
    "season/": lambda ids: [
        ("/season/", None),
        ("/season/?species=bluegill&month=6&all", None),
        (f"/season/?water={ids['water']}&species=nonsense&month=13", None),
    ],
    "calls/blind/": lambda ids: [
        ("/calls/blind/", None),
        *(
            ("/calls/blind/", {"picture": key, "species": "walleye", "sure": "80"})
            for key in (ids["cleared"], ids["original"], UNKNOWN)
        ),
    ],
    "calls/blind/<uuid:key>/": lambda ids: [(f"/calls/blind/{UNKNOWN}/", None)],
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
    # The day's own log, drafts and pictures: nobody's but the member's who sent them
    "debrief/": lambda ids: [("/debrief/", None), ("/debrief/", {})],
    "debrief/<uuid:trip_id>/": lambda ids: [
        (f"/debrief/{key}/", body) for key in (ids["debrief"], UNKNOWN) for body in (None, {})
    ],
    "debrief/<uuid:trip_id>/done/": lambda ids: [
        (f"/debrief/{key}/done/", None) for key in (ids["debrief"], UNKNOWN)
    ],
    "debrief/<uuid:trip_id>/track.gpx": lambda ids: [
        (f"/debrief/{key}/track.gpx", None) for key in (ids["debrief"], UNKNOWN)
    ],
    "debrief/<uuid:trip_id>/again/": lambda ids: [(f"/debrief/{UNKNOWN}/again/", {})],
    "debrief/<uuid:trip_id>/remove/": lambda ids: [(f"/debrief/{UNKNOWN}/remove/", {})],
    "debrief/pictures/<uuid:picture_id>/": lambda ids: [
        (f"/debrief/pictures/{key}/", None) for key in (ids["debrief picture"], UNKNOWN)
    ],
    "debrief/pictures/<uuid:picture_id>/small/": lambda ids: [
        (f"/debrief/pictures/{key}/small/", None) for key in (ids["debrief picture"], UNKNOWN)
    ],
    # Files in and out
    "import/": lambda ids: [("/import/", None)],
    "import/<uuid:key>/": lambda ids: [(f"/import/{UNKNOWN}/", None), (f"/import/{UNKNOWN}/", {})],
    "import/looks-template.csv": lambda ids: [("/import/looks-template.csv", None)],
    "export/spots.gpx": lambda ids: [
        ("/export/spots.gpx", None),
        (f"/export/spots.gpx?water={ids['water']}", None),
        *((f"/export/spots.gpx?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
    ],
    "export/": lambda ids: [("/export/", None)],
    **{
        f"export/spots.{kind}": lambda ids, kind=kind: [
            (f"/export/spots.{kind}", None),
            (f"/export/spots.{kind}?water={ids['water']}", None),
            *((f"/export/spots.{kind}?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
        ]
        for kind in ("geojson", "kml", "csv")
    },
    "export/levels.csv": lambda ids: [
        ("/export/levels.csv", None),
        (f"/export/levels.csv?water={ids['water']}", None),
    ],
    "export/occurrences.csv": lambda ids: [
        (f"/export/occurrences.csv{query}", None)
        for query in ("", "?of=self", "?of=club", f"?of=team:{UNKNOWN}")
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
    "api/confirmations/<uuid:key>/undo/": lambda ids: [
        (f"/api/confirmations/{key}/undo/", {}) for key in (ids["confirmation"], UNKNOWN)
    ],
    "api/findings/": lambda ids: [("/api/findings/", None)],
    "api/findings/<uuid:key>/dispute/": lambda ids: [
        (f"/api/findings/{key}/dispute/", {"reason": "six spines"}) for key in (ids["findings"][0], UNKNOWN)
    ],
    "api/observations/": lambda ids: [
        ("/api/observations/", None),
        *((f"/api/observations/?spot={key}", None) for key in (*ids["spots"], UNKNOWN)),
    ],
    "api/observations/<uuid:key>/": lambda ids: [
        (f"/api/observations/{key}/", None) for key in (*ids["looks"], UNKNOWN)
    ],
    "api/observations/<uuid:key>/withdraw/": lambda ids: [(f"/api/observations/{UNKNOWN}/withdraw/", {})],
    "api/pictures/<uuid:key>/": lambda ids: [
        (f"/api/pictures/{key}/", None) for key in (ids["picture"], ids["private picture"], UNKNOWN)
    ],
    "api/pictures/<uuid:key>/annotations/": lambda ids: [
        (f"/api/pictures/{key}/annotations/", None)
        for key in (ids["picture"], ids["private picture"], UNKNOWN)
    ],
    "api/pictures/<uuid:key>/annotations/<uuid:mark>/": lambda ids: [
        (f"/api/pictures/{key}/annotations/{UNKNOWN}/", {}) for key in (ids["private picture"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/marks/": lambda ids: [
        (f"/pictures/{key}/marks/", None) for key in (ids["picture"], ids["private picture"], UNKNOWN)
    ],
    **{
        f"pictures/<uuid:picture_id>/marks/{after}": lambda ids, after=after: [
            (f"/pictures/{key}/marks/{after.replace('<uuid:mark_id>', str(UNKNOWN))}", {})
            for key in (ids["private picture"], UNKNOWN)
        ]
        for after in ("draw/", "measure/", "black/", "<uuid:mark_id>/remove/")
    },
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
    "club/refits/": lambda ids: [("/club/refits/", None)],
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
    "log/here/": lambda ids: [
        ("/log/here/", None),
        ("/log/here/?how=bearing", None),
        *(
            ("/log/here/", {"id": key, "how": "here", "position": "46.5, -94.5"})
            for key in (*ids["spots"], UNKNOWN)
        ),
    ],
    "log/mine/": lambda ids: [("/log/mine/", None)],
    # Without signal
    "sw.js": lambda ids: [("/sw.js", None)],
    "log/hello/": lambda ids: [("/log/hello/", None)],
    "log/offline/": lambda ids: [("/log/offline/", None)],
    "log/pack/": lambda ids: [("/log/pack/", None)],
    "log/carry/": lambda ids: [
        ("/log/carry/", {"water": ids["water"], "days": "1"}),
        ("/log/carry/", {"water": UNKNOWN, "days": "1"}),
    ],
    "log/<uuid:look_id>/pictures/<uuid:key>/": lambda ids: [
        (f"/log/{key}/pictures/{UNKNOWN}/", {}) for key in (*ids["looks"], UNKNOWN)
    ],
    "log/<uuid:look_id>/pictures/<uuid:key>/parts/": lambda ids: [
        request
        for key in (*ids["looks"], UNKNOWN)
        for request in (
            (f"/log/{key}/pictures/{UNKNOWN}/parts/", None),
            (f"/log/{key}/pictures/{UNKNOWN}/parts/?at=0&of=9", {}),
        )
    ],
    "log/spots/": lambda ids: [("/log/spots/", None), ("/log/spots/?q=Canary", None)],
    "log/<uuid:look_id>/": lambda ids: [(f"/log/{key}/", None) for key in (*ids["looks"], UNKNOWN)],
    "log/<uuid:look_id>/undo/": lambda ids: [(f"/log/{UNKNOWN}/undo/", {})],
    "log/<uuid:look_id>/edit/": lambda ids: [
        request
        for key in (*ids["looks"], UNKNOWN)
        for request in ((f"/log/{key}/edit/", None), (f"/log/{key}/edit/", {"version": "0", "note": "x"}))
    ],
    "log/<uuid:look_id>/check/": lambda ids: [
        (f"/log/{key}/check/", {"answer": "refused"}) for key in (*ids["looks"], UNKNOWN)
    ],
    "log/<uuid:look_id>/withdraw/<uuid:group_id>/": lambda ids: [
        (f"/log/{key}/withdraw/{UNKNOWN}/", {}) for key in ids["looks"]
    ],
    "pictures/": lambda ids: [("/pictures/", None), ("/pictures/?page=2", None)],
    "api/pictures/": lambda ids: [("/api/pictures/", None), ("/api/pictures/?spot=x", None)],
    "pictures/offered/": lambda ids: [("/pictures/offered/", None)],
    "pictures/offered/<uuid:clearance_id>/": lambda ids: [
        (f"/pictures/offered/{key}/", {"answer": "clear", "looked": looked})
        for key, looked in ((ids["offered"], ""), (UNKNOWN, "yes"))
    ],
    "pictures/cleared/<uuid:cleared_id>/": lambda ids: [
        (f"/pictures/cleared/{key}/", None)
        for key in (ids["picture"], ids["private picture"], ids["cleared"], UNKNOWN)
    ],
    "pictures/cleared/<uuid:cleared_id>/small/": lambda ids: [
        (f"/pictures/cleared/{key}/small/", None) for key in (ids["picture"], ids["cleared"])
    ],
    "pictures/cleared/<uuid:cleared_id>/down/": lambda ids: [(f"/pictures/cleared/{UNKNOWN}/down/", {})],
    "pictures/<uuid:picture_id>/clear/": lambda ids: [
        (f"/pictures/{key}/clear/", None) for key in (ids["picture"], ids["private picture"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/clear/back/": lambda ids: [
        (f"/pictures/{key}/clear/back/", {}) for key in (ids["picture"], ids["private picture"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/": lambda ids: [
        (f"/pictures/{key}/", None)
        for key in (ids["picture"], ids["private picture"], ids["original"], UNKNOWN)
    ],
    "pictures/<uuid:picture_id>/small/": lambda ids: [
        (f"/pictures/{key}/small/", None) for key in (ids["picture"], ids["original"])
    ],
    "proofs/": lambda ids: [
        ("/proofs/", None),
        ("/proofs/?order=matters", None),
        ("/proofs/?order=disputed", None),
    ],
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


METHODS = ("HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE")
# A wrong method is refused before anything is looked up: two sorts of caller stand for all.
BY_EVERY_METHOD = ("rival", "nobody")


def everything(ids: Ids, persona: str) -> Iterator[tuple[str, dict[str, Any] | None, str]]:
    """Give every address by its own way to ask; and once more by every other method, for one thing of a kind.

    A token makes the same viewer as a session, in the one place where viewers are made: who comes with one asks
    for all of the API, and for one thing of each kind elsewhere.
    """
    for route in sorted(set(patterns()) & set(ROWS)):
        ways = ROWS[route](ids)
        # The last but one of a row is the most private thing, where it lists all; the last was never issued.
        private = ways[-2:][0]
        briefly = "by token" in persona and not route.startswith("api/")
        # What was never issued is asked for by two; for the others where there is nothing else to ask for.
        issued = [way for way in ways if persona in BY_EVERY_METHOD or str(UNKNOWN) not in way[0]] or ways
        yield from ((path, body, "") for path, body in ([private] if briefly else issued))
        asked = {"GET" if body is None else "POST" for path, body in ways if path == private[0]}
        for method in METHODS if persona in BY_EVERY_METHOD else ():
            if method not in asked:
                yield private[0], {} if method == "POST" else None, method


def test_every_address_has_a_row() -> None:
    assert set(patterns()) - set(ROWS) == set()


@pytest.mark.parametrize("persona", EVERYBODY)
def test_nothing_that_comes_of_a_request_tells_of_a_hidden_place(
    ids: Ids, persona: str, client_of: Callable[..., Client]
) -> None:
    """The answer with its headers and cookies, and what is logged, queued and mailed on its way."""
    client = client_of(persona, raise_request_exception=False)
    hidden = hidden_from(persona)
    asked = 0
    leaks = []
    for path, body, method in everything(ids, persona):
        got = ask(client, path, body, method)
        asked += 1
        assert got.status < 500, (method, path)
        # What the caller typed may be echoed back to them, in the address of the sign-in page for one.
        typed = finds_any(f"{path} {body}".encode(), hidden)
        for channel, content in got.channels.items():
            for name, notation in finds_any(content, hidden).items():
                if name not in typed:
                    leaks.append(f"{method} {path} gives {persona} the {name} in {notation}: {channel}")
        assert not got.channels["mail"], "no mail is sent by this site"
    assert not leaks, "\n".join(leaks)
    assert asked > 150
    print(f"{persona}: {asked} requests")


@pytest.mark.parametrize("persona", ["organiser", "checker", "member", "captain", "rival"])
def test_the_same_addresses_do_show_a_place_to_those_who_may_see_it(
    ids: Ids, persona: str, client_of: Callable[..., Client]
) -> None:
    """The other half of the check: with the same club and the same detector, what is theirs is found."""
    client = client_of(persona)
    seen: dict[str, str] = {}
    mine = {name: CANARIES[name] for name in KNOWS[persona]}
    paths = [f"/api/observations/{key}/" for key in ids["looks"]]
    paths.append(f"/debrief/{ids['debrief']}/")
    for path in ["/api/spots/", *(f"/spots/{key}/" for key in ids["spots"]), *paths]:
        seen |= finds_any(ask(client, path).answer, mine)
    assert set(seen) == set(mine)


@pytest.mark.parametrize("persona", [name for name in EVERYBODY if "private" not in KNOWS[name]])
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
        hidden = ask(client, path.format(places.private.pk)).answer
        never = ask(client, path.format(UNKNOWN)).answer
        assert hidden.replace(str(places.private.pk).encode(), b"") == never.replace(
            str(UNKNOWN).encode(), b""
        ), path
