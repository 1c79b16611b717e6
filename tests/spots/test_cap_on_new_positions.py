"""Nobody empties the map: only so many exact positions that are new to a viewer open in one day."""

import threading
import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.gis.geos import Point
from django.db import connection
from django.test import Client
from django.utils import timezone

from club.models import Club
from spots.disclosure_models import CapReached, Channel, Disclosure
from spots.models import Spot, Water
from spots.precision import released_spots
from spots.services import SpotDraft, create_spot
from tests.conftest import Cast, see

CAP = 3
NOON = timezone.now().replace(hour=12, minute=0)


@pytest.fixture
def piles(cast: Cast, water: Water) -> list[Spot]:
    """Eight brush piles of one member's, exact to all members, in zones apart; the cap is three a day."""
    Club.objects.update(openings_per_day=CAP)
    made = []
    for n in range(8):
        draft = SpotDraft(
            water=water,
            name=f"Pile {n} off the point",
            scope=f"member:{cast.member.pk}",
            point=Point(-93.297 + 0.0072 * n, 45.003 + 0.0071 * n, srid=4326),
            grants=(("members", 3),),
            notes="Line up the silo.",
        )
        with see(cast, "member"):
            made.append(create_spot(draft, cast.viewer("member"), timezone.now())[0])
    return sorted(made, key=lambda spot: spot.pk)


def exact(features: list[dict[str, Any]]) -> set[str]:
    return {f["id"] for f in features if f["geometry"] and f["geometry"]["type"] == "Point"}


def opened(cast: Cast, persona: str = "newcomer") -> set[uuid.UUID]:
    rows = Disclosure.objects.filter(viewer_id=getattr(cast, persona).pk)
    return set(rows.values_list("spot_id", flat=True))


def test_the_first_of_the_day_open_and_the_others_are_their_zones(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    client = client_of("newcomer")
    first = client.get("/api/spots/").json()
    assert exact(first["features"]) == {str(spot.pk) for spot in piles[:CAP]}
    held = [f for f in first["features"] if f["properties"]["held_back"]]
    assert len(held) == len(piles) - CAP == first["held_back"]
    for feature in held:
        assert feature["geometry"]["type"] == "MultiPolygon"
        assert feature["properties"]["precision"] == "area"
        assert feature["properties"]["zone_ha"] >= 50  # the members' minimum
        assert feature["properties"]["name"].startswith("Spot ")
    for address in (
        "/api/spots/",
        "/api/spots/?view=chart",
        "/export/spots.gpx",
        "/?view=list",
        "/api/spots/",
    ):
        answer = client.get(address)
    assert answer.content == client.get("/api/spots/").content
    assert exact(answer.json()["features"]) == exact(first["features"])
    assert opened(cast) == {spot.pk for spot in piles[:CAP]}


def test_a_spot_held_back_tells_nothing_more_on_any_page(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    client = client_of("newcomer")
    client.get("/api/spots/")
    held = piles[-1]
    name = held.sheet.name
    lat = f"{held.position.point.y:.4f}"
    for address in (
        f"/spots/{held.pk}/",
        f"/spots/{held.pk}/panel/",
        f"/api/spots/{held.pk}/",
        "/api/spots/?view=chart",
        "/?view=list",
        "/export/spots.gpx",
        "/export/looks.csv",
        f"/export/spots.gpx?spot={held.pk}",
    ):
        text = client.get(address).content.decode()
        assert lat not in text, address
        assert name not in text, address
        assert "silo" not in text, address
    assert client.get(f"/log/?spot={held.pk}").status_code == 404


def test_what_was_opened_stays_open_and_the_next_day_opens_more(cast: Cast, piles: list[Spot]) -> None:
    seen = []
    for day in range(4):
        with see(cast, "newcomer", NOON + timedelta(days=day)):
            seen.append(
                {spot.id for spot in released_spots(channel=Channel.CHART) if spot.precision == "exact"}
            )
    assert [len(spots) for spots in seen] == [3, 6, 8, 8]
    assert seen[0] < seen[1] < seen[2]


def test_the_viewer_chooses_what_to_open(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    client = client_of("newcomer")
    for spot in reversed(piles):
        client.get(f"/spots/{spot.pk}/")
    assert opened(cast) == {spot.pk for spot in piles[-CAP:]}


def test_own_spots_and_those_the_club_shows_to_all_do_not_count(
    cast: Cast, piles: list[Spot], water: Water, client_of: Callable[..., Client]
) -> None:
    for n in range(5):
        draft = SpotDraft(
            water=water,
            name=f"Attractor {n}",
            scope="club",
            point=Point(-93.29 + 0.009 * n, 45.05, srid=4326),
            grants=(("members", 3),),
        )
        with see(cast, "organiser"):
            create_spot(draft, cast.viewer("organiser"), timezone.now())
    names = [f["properties"]["name"] for f in client_of("newcomer").get("/api/spots/").json()["features"]]
    assert sum(name.startswith("Attractor") for name in names) == 5
    assert sum(name.startswith("Pile") for name in names) == CAP
    assert len(opened(cast)) == 5 + CAP
    assert Disclosure.objects.filter(counts=True).count() == CAP
    own = client_of("member").get("/api/spots/").json()
    assert (len(exact(own["features"])), own["held_back"]) == (13, 0)


def test_a_box_is_answered_by_what_is_shown(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    """With nothing left to open, a box finds a spot wherever it touches the zone: it cannot be bisected."""
    client = client_of("newcomer")
    features = {f["id"]: f for f in client.get("/api/spots/").json()["features"]}
    held = features[str(piles[-1].pk)]
    assert held["geometry"]["type"] == "MultiPolygon"
    for polygon in held["geometry"]["coordinates"]:
        for lon, lat in polygon[0]:
            box = f"{lon - 0.0001},{lat - 0.0001},{lon + 0.0001},{lat + 0.0001}"
            found = client.get(f"/api/spots/?bbox={box}").json()["features"]
            assert held["id"] in {f["id"] for f in found}
    assert len(opened(cast)) == CAP


def test_a_box_opens_only_what_lies_in_zones_that_it_touches(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    at = piles[-1].position.point
    box = f"{at.x - 0.0005},{at.y - 0.0005},{at.x + 0.0005},{at.y + 0.0005}"
    answer = client_of("newcomer").get(f"/api/spots/?bbox={box}").json()
    assert str(piles[-1].pk) in exact(answer["features"])
    assert opened(cast) == {uuid.UUID(key) for key in exact(answer["features"])}


def test_pages_of_a_list_open_no_more_than_the_list(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    client = client_of("newcomer")
    seen: set[str] = set()
    for offset in range(8):
        seen |= exact(client.get(f"/api/spots/?limit=1&offset={offset}").json()["features"])
    assert len(seen) == CAP == len(opened(cast))


def test_reaching_the_cap_tells_the_owner_and_the_organisers(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    client = client_of("newcomer")
    for spot in piles[: CAP - 1]:
        client.get(f"/spots/{spot.pk}/")
    assert CapReached.objects.count() == 0
    client.get("/api/spots/")
    client.get("/api/spots/")
    alert = CapReached.objects.get()
    assert (alert.viewer_id, alert.opened) == (cast.newcomer.pk, CAP)
    told = {}
    for persona in ("organiser", "member", "newcomer", "rival", "nobody"):
        with see(cast, persona):
            told[persona] = CapReached.objects.count()
    assert told == {"organiser": 1, "member": 1, "newcomer": 0, "rival": 0, "nobody": 0}


WORDS = "5 positions are held back until tomorrow"


@pytest.mark.parametrize(
    ("address", "number"),
    [("/api/spots/", "5"), ("/export/spots.gpx", "5"), ("/export/looks.csv", "5"), ("/api/spots/{}/", "1")],
)
def test_an_answer_to_a_script_says_how_many_are_held_back(
    piles: list[Spot], client_of: Callable[..., Client], address: str, number: str
) -> None:
    client = client_of("newcomer")
    client.get("/api/spots/")
    answer = client.get(address.format(piles[-1].pk))
    assert answer.headers["Tallow-Held-Back"] == number
    owner = client_of("member").get(address.format(piles[-1].pk))
    assert "Tallow-Held-Back" not in owner.headers


@pytest.mark.parametrize("address", ["/?view=list", "/import/", "/export/spots.gpx"])
def test_a_page_and_a_file_say_plainly_what_is_held_back_and_whom_to_ask(
    piles: list[Spot], client_of: Callable[..., Client], address: str
) -> None:
    client = client_of("newcomer")
    client.get("/api/spots/")
    text = client.get(address).content.decode()
    assert WORDS in text
    assert "You have opened 3 new positions today" in text
    assert "an organiser: Organiser." in text
    assert "held back" not in client_of("member").get("/import/").content.decode()


@pytest.mark.parametrize("address", ["/spots/{}/", "/spots/{}/panel/"])
def test_a_sheet_says_so_of_its_own_spot(
    piles: list[Spot], client_of: Callable[..., Client], address: str
) -> None:
    client = client_of("newcomer")
    client.get("/api/spots/")
    assert "1 position is held back" in client.get(address.format(piles[-1].pk)).content.decode()
    assert "held back" not in client.get(address.format(piles[0].pk)).content.decode()


def test_the_alert_stands_on_the_organisers_and_on_the_owners_page(
    piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    client_of("newcomer").get("/api/spots/")
    words = "<b>Newcomer</b> opened 3 new exact positions on"
    assert words in client_of("organiser").get("/club/").content.decode()
    assert words in client_of("member").get("/sharing/seen/").content.decode()
    for persona, page in (("member", "/club/"), ("rival", "/club/"), ("rival", "/sharing/seen/")):
        assert words not in client_of(persona).get(page).content.decode()


def test_the_organiser_sets_the_cap(piles: list[Spot], client_of: Callable[..., Client]) -> None:
    form = {"name": "Test club", "openings_per_day": "5"}
    assert client_of("organiser").post("/club/about/", form).status_code == 302
    assert len(exact(client_of("newcomer").get("/api/spots/").json()["features"])) == 5
    refused = client_of("organiser").post("/club/about/", {**form, "openings_per_day": "0"})
    assert refused.status_code == 400
    assert Club.objects.get().openings_per_day == 5


@pytest.mark.django_db(transaction=True)
def test_twenty_requests_at_once_open_no_more_than_the_cap(
    cast: Cast, piles: list[Spot], client_of: Callable[..., Client]
) -> None:
    clients = [client_of("newcomer") for _ in range(20)]
    start = threading.Barrier(20)
    shown: list[set[str]] = []

    def ask(n: int) -> None:
        start.wait()
        try:
            if n % 2:
                answer = clients[n].get(f"/api/spots/{piles[n % 8].pk}/").json()
                shown.append(exact([answer]))
            else:
                shown.append(exact(clients[n].get("/api/spots/").json()["features"]))
        finally:
            connection.close()

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(shown) == 20
    assert len(set().union(*shown)) == CAP
    assert {str(key) for key in opened(cast)} == set().union(*shown)
    assert CapReached.objects.count() == 1
