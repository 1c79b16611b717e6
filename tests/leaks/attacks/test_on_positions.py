"""Attacks on a position that is shown as an area: rows 1-13 of the attack catalogue, as a member would try them.

Rows that do not apply: 8 (nothing is clustered), 9 (there are no tiles). Rows 10 and 14 are read by the leak suite.
"""

import io
import json
import re
from collections.abc import Callable
from datetime import timedelta
from math import cos, radians
from random import Random
from typing import Any

import pytest
import time_machine
from django.contrib.gis.geos import Point
from django.test import Client
from django.utils import timezone
from PIL import Image
from PIL.ExifTags import GPS, IFD
from shapely.geometry import box, shape

from observations import jobs
from observations.models import Finding
from observations.pictures import clean_picture, store
from spots.models import Position, Sheet
from spots.services import SpotDraft, create_spot, update_spot
from tests.conftest import Cast, Places, found, look, see
from tests.leaks.canaries import CANARIES
from tests.leaks.positions import finds
from tests.leaks.worlds import BEFORE, HOUR, Ids, World

ClientOf = Callable[..., Client]
BELOW_EXACT = ("newcomer", "rival", "guest", "nobody")
HIDDEN = CANARIES["club"]


def features(client: Client, query: str = "") -> dict[str, Any]:
    answer = client.get(f"/api/spots/{query}")
    assert answer.status_code == 200, answer.content[:200]
    return {feature["id"]: feature for feature in answer.json()["features"]}


@pytest.mark.parametrize("persona", ["newcomer", "nobody"])
def test_1_averaging_two_hundred_fetches_gives_one_geometry(
    places: Places, persona: str, client_of: ClientOf
) -> None:
    """Over sessions, boxes, pages and kinds of answer."""
    key, chance, seen = str(places.club.pk), Random(1), set()  # noqa: S311
    for number in range(200):
        client = client_of(persona)
        if number % 2:
            seen.add(json.dumps(client.get(f"/api/spots/{key}/").json()["geometry"]))
        else:
            half = 10 ** chance.uniform(-4, 0)
            west, south = HIDDEN.lon - half, HIDDEN.lat - half
            query = f"?bbox={west},{south},{west + 2 * half},{south + 2 * half}&limit={chance.randint(4, 50)}"
            seen.add(json.dumps(features(client, query)[key]["geometry"]))
    assert len(seen) == 1


@pytest.mark.parametrize("persona", ["newcomer", "nobody"])
def test_2_the_order_is_by_name_whatever_is_asked(persona: str, client_of: ClientOf) -> None:
    client = client_of(persona)
    names = [f["properties"]["name"] for f in client.get("/api/spots/").json()["features"]]
    assert names == sorted(names) and len(names) > 1
    for query in ("order=distance", "ordering=position__point", "near=-93.27,45.02", "sort=lon", "radius=50"):
        assert client.get(f"/api/spots/?{query}").status_code == 400


@pytest.mark.parametrize("persona", BELOW_EXACT)
def test_3_a_box_finds_the_zone_and_never_the_point(
    places: Places, persona: str, client_of: ClientOf
) -> None:
    """In for every box that touches the zone, out for every other, wherever in it the spot lies."""
    client, key, chance = client_of(persona), str(places.club.pk), Random(3)  # noqa: S311
    zone = shape(features(client)[key]["geometry"])
    for _ in range(60):
        size = 10 ** chance.uniform(-5, -2)
        lon, lat = chance.uniform(-93.31, -93.23), chance.uniform(44.99, 45.07)
        tried = box(lon, lat, lon + size, lat + size)
        if tried.distance(zone.boundary) < 1e-9:
            continue
        asked = features(client, f"?bbox={','.join(f'{v:.8f}' for v in tried.bounds)}")
        assert (key in asked) == tried.intersects(zone)
    around = f"?bbox={HIDDEN.lon - 1e-5},{HIDDEN.lat - 1e-5},{HIDDEN.lon + 1e-5},{HIDDEN.lat + 1e-5}"
    assert key in features(client, around)


@pytest.mark.parametrize("persona", BELOW_EXACT)
def test_4_a_hidden_spot_changes_no_count_page_or_cursor(
    cast: Cast, places: Places, persona: str, client_of: ClientOf
) -> None:
    client = client_of(persona)

    def pages() -> list[bytes]:
        out, path = [], "/api/spots/?limit=1"
        while path:
            answer = client.get(path)
            out.append(answer.content)
            path = answer.json().get("next") or ""
        return out

    with time_machine.travel(timezone.now(), tick=False):
        before = [
            *pages(),
            client.get("/?view=list").content.count(b"/spots/"),
            client.get("/api/waters/").content,
        ]
        with see(cast, "member"):
            scope = f"member:{cast.member.pk}"
            draft = SpotDraft(
                places.club.water, "Aaa first of all", scope=scope, point=Point(-93.27, 45.02, srid=4326)
            )
            create_spot(draft, cast.viewer("member"), timezone.now())
        after = [
            *pages(),
            client.get("/?view=list").content.count(b"/spots/"),
            client.get("/api/waters/").content,
        ]
    assert before == after and len(before) > 3  # fmt: skip


@pytest.mark.parametrize("persona", BELOW_EXACT)
def test_5_and_6_sixty_readings_of_the_position_show_one_zone(
    cast: Cast, places: Places, persona: str, client_of: ClientOf
) -> None:
    """Each visit writes a new reading, 5 m off, and some of them 50 m; what others read stays as it was."""
    client, chance, seen = client_of(persona), Random(6), set()  # noqa: S311
    sheet = Sheet.objects.get(spot=places.club)
    for number in range(60):
        metres = 5 if number % 4 else 50
        north, east = chance.gauss(0, metres), chance.gauss(0, metres)
        lon = HIDDEN.lon + east / 111_320 / cos(radians(HIDDEN.lat))
        draft = SpotDraft(
            water=places.club.water,
            name=sheet.name,
            scope="club",
            point=Point(lon, HIDDEN.lat + north / 110_574, srid=4326),
            cover=sheet.cover,
            depth_min_m=sheet.depth_min_m,
        )
        with see(cast, "organiser"):
            update_spot(places.club, draft, timezone.now(), cast.viewer("organiser"))
        if number % 6 == 0:
            seen.add(client.get(f"/api/spots/{places.club.pk}/").content)
    assert Position.objects.get(spot=places.club).point.x != HIDDEN.lon
    assert len(seen) == 1


def test_7_two_audiences_views_intersect_to_no_less_than_the_finer(
    places: Places, client_of: ClientOf
) -> None:
    """A member signs out and lays the public's zone over their own."""
    mine = shape(features(client_of("newcomer"))[str(places.club.pk)]["geometry"])
    publics = shape(features(client_of("nobody"))[str(places.club.pk)]["geometry"])
    assert publics.buffer(1e-9).contains(mine)


def test_11_a_located_picture_is_stored_without_its_place(cast: Cast, ids: Ids, client_of: ClientOf) -> None:
    exif, out = Image.Exif(), io.BytesIO()
    gps = exif.get_ifd(IFD.GPSInfo)
    gps[GPS.GPSLatitude], gps[GPS.GPSLongitude] = (45.0, 1.0, 16.0932), (93.0, 16.0, 36.1668)
    gps[GPS.GPSLatitudeRef], gps[GPS.GPSLongitudeRef] = "N", "W"
    Image.new("RGB", (640, 480), "navy").save(out, "JPEG", exif=exif)
    assert finds(out.getvalue(), HIDDEN)
    finding = Finding.objects.filter(observer=cast.member, scope="club").first()
    assert finding
    with see(cast, "member"):
        clean = clean_picture(io.BytesIO(out.getvalue()), "45.021137_-93.276713.jpg")
        (picture,) = store([(clean, finding)], finding.look, cast.member, timezone.now())
    for path in (
        f"/pictures/{picture.pk}/",
        f"/pictures/{picture.pk}/small/",
        f"/api/pictures/{picture.pk}/",
    ):
        answer = client_of("member").get(path)
        content = b"".join(answer.streaming_content) if answer.streaming else answer.content
        assert answer.status_code == 200
        assert not finds(str(answer.headers).encode() + content, HIDDEN), path


@pytest.mark.parametrize("persona", BELOW_EXACT)
def test_12_below_exact_no_day_is_told(
    places: Places, world: World, persona: str, client_of: ClientOf
) -> None:
    answer = client_of(persona).get(f"/api/spots/{places.club.pk}/history/").json()
    asked = answer.pop("as_of")
    assert asked and answer["species"]
    assert not re.search(r"\d{4}-\d{2}-\d{2}", json.dumps(answer))
    sheet = client_of(persona).get(f"/spots/{places.club.pk}/").content.decode()
    for hours in range(-12, 24):
        day = world.moment - BEFORE + hours * HOUR
        assert f"{day.day} {day:%b}" not in sheet and f"{day.day} {day:%B}" not in sheet


@pytest.mark.parametrize("persona", ["rival", "nobody"])
def test_a_history_is_the_same_before_and_after_a_private_proof(
    cast: Cast, places: Places, persona: str, client_of: ClientOf
) -> None:
    """The live one, one of a day gone by, and the one that is published, after the worker has run."""
    client = client_of(persona)

    def read() -> list[bytes]:
        week = (timezone.now() - timedelta(days=7)).date()
        paths = ("history/", f"history/?as_of={week}", f"history/?as_of={timezone.now().date()}")
        return [
            client.get(f"/api/spots/{spot.pk}/{path}").content
            for spot in (places.shared, places.club)
            for path in paths
        ]

    with time_machine.travel(timezone.now(), tick=False):
        before = read()
        for spot, who in ((places.shared, "captain"), (places.shared, "member")):
            scope = f"team:{cast.alder.pk}" if who == "captain" else f"member:{cast.member.pk}"
            for days in (1, 9, 200):  # the older are posted late
                look(
                    cast, who, spot, "camera", timezone.now() - timedelta(days=days), minutes=12, secchi_m=3.0,
                    scope=scope, findings=found("walleye", 5),
                )  # fmt: skip
        assert jobs.refresh_due() >= 1
        assert read() == before
