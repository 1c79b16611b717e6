"""Marks on pictures: who draws and who sees them, what goes in and out as a Web Annotation, what is refused."""

import io
import json
import re
import uuid
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.utils import timezone
from PIL import Image

from observations.clearing_models import ClearedPicture
from observations.marking_models import Mark
from observations.marking_policies import MOST_MARKS
from observations.models import Finding, Observation, Picture
from observations.pictures import clean_picture, store
from observations.withdrawing import withdraw_look
from spots.models import Spot
from tests.conftest import DAY, Cast, Places, found, look, see, sonar

pytestmark = pytest.mark.usefixtures("quiet_queue")

ClientOf = Callable[..., Client]
LD = "application/ld+json"


def picture_at(cast: Cast, spot: Spot, method: str = "2d", persona: str = "member", **more: Any) -> Picture:
    """A look of somebody's with one picture, 800 by 600."""
    at = timezone.now() - DAY
    if method == "camera":
        more.setdefault("findings", found("bluegill", 1))
        more.setdefault("minutes", 5)
    elif "groups" not in more:
        more["groups"] = sonar("bait", 0.7)
    made = look(cast, persona, spot, method, at, **more)
    file = io.BytesIO()
    Image.new("RGB", (800, 600), "navy").save(file, "PNG")
    file.seek(0)
    finding = Finding.objects.filter(look=made).first()
    with see(cast, persona):
        (picture,) = store([(clean_picture(file, "x.png"), finding)], made, getattr(cast, persona), at)
    return picture


def annotation(value: str = "fish", region: str = "xywh=pixel:100,80,60,40", **more: Any) -> dict[str, Any]:
    selector = {"type": "FragmentSelector", "value": region}
    if region.startswith("<"):
        selector = {"type": "SvgSelector", "value": region}
    return {
        "@context": "http://www.w3.org/ns/anno.jsonld",
        "type": "Annotation",
        "body": {"type": "TextualBody", "purpose": "tagging", "value": value},
        "target": {"source": "https://club.example/p", "selector": selector},
        **more,
    }


def url(picture: Picture) -> str:
    return f"/api/pictures/{picture.pk}/annotations/"


def draw(client: Client, picture: Picture, **more: Any) -> Any:
    return client.post(url(picture), json.dumps(annotation(**more)), content_type=LD)


LINE = '<svg xmlns="http://www.w3.org/2000/svg"><polyline points="0,500 400,480 800,510.4"/></svg>'
OUTLINE = "<svg xmlns='http://www.w3.org/2000/svg'><polygon points='10,10 60,10 30,50'></polygon></svg>"


def test_what_is_drawn_comes_back_as_a_web_annotation(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    picture = picture_at(cast, places.shared)
    client = client_of("member")
    for mark in ({}, {"value": "bottom", "region": LINE}, {"value": "cover", "region": OUTLINE}):
        assert draw(client, picture, **mark).status_code == 201
    answer = client_of("newcomer").get(url(picture))
    assert answer.status_code == 200 and answer.headers["Content-Type"].startswith(LD)
    page = answer.json()
    # Web Annotation Data Model (W3C Recommendation 23 February 2017), 3.1 Annotations, 4.2.1 Fragment and 4.2.7 SVG
    # Selector, 5.2 Annotation Page.
    assert page["@context"] == "http://www.w3.org/ns/anno.jsonld" and page["type"] == "AnnotationPage"
    box, line, outline = page["items"]
    assert (
        box["type"] == "Annotation" and box["id"].startswith("urn:uuid:") and box["motivation"] == "tagging"
    )
    assert box["body"] == [
        {
            "type": "TextualBody",
            "purpose": "tagging",
            "value": "fish",
            "format": "text/plain",
            "language": "en",
        }
    ]
    assert box["target"] == {
        "source": f"http://testserver/pictures/{picture.pk}/",
        "selector": {
            "type": "FragmentSelector",
            "conformsTo": "http://www.w3.org/TR/media-frags/",
            "value": "xywh=pixel:100,80,60,40",
        },
    }
    assert line["target"]["selector"] == {
        "type": "SvgSelector",
        "value": '<svg xmlns="http://www.w3.org/2000/svg"><polyline points="0,500 400,480 800,510"/></svg>',
    }
    assert 'polygon points="10,10 60,10 30,50"' in outline["target"]["selector"]["value"]
    # What went out comes in again.
    again = {key: value for key, value in outline.items() if key != "id"}
    assert client.post(url(picture), json.dumps(again), content_type=LD).status_code == 201


def test_a_mark_sent_twice_is_drawn_once(cast: Cast, places: Places, client_of: ClientOf) -> None:
    picture, client = picture_at(cast, places.shared), client_of("member")
    key = f"urn:uuid:{uuid.uuid4()}"
    first, second = (draw(client, picture, id=key) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 201) and first.json() == second.json()
    other = draw(client, picture, id=key, region="xywh=1,2,3,4")
    assert other.status_code == 409 and "id" in other.json()["detail"]
    elsewhere = draw(client, picture_at(cast, places.shared), id=key)
    assert elsewhere.status_code == 409
    assert Mark.objects.count() == 1
    by_key = [
        client.post(url(picture), json.dumps(annotation("cover")), content_type=LD, HTTP_IDEMPOTENCY_KEY="k1")
        for _ in range(2)
    ]
    assert by_key[0].json() == by_key[1].json() and Mark.objects.count() == 2
    gone = f"{url(picture)}{key.removeprefix('urn:uuid:')}/"
    assert [client.delete(gone).status_code for _ in range(2)] == [204, 204]
    assert Mark.objects.count() == 1


REFUSED: list[tuple[dict[str, Any], str]] = [
        ({"value": "carp"}, "not one of fish, cover, bottom, thermocline, bait"),
        ({"value": "length"}, "not one of"),
        ({"region": "xywh=pixel:790,80,60,40"}, "is not on the picture, which is 800 × 600"),
        ({"region": "xywh=pixel:-5,80,60,40"}, "is not a region like"),
        ({"region": "xywh=pixel:NaN,80,60,40"}, "is not a region like"),
        ({"region": "xywh=pixel:1e9,80,60,40"}, "is not a region like"),
        ({"region": "xywh=percent:10,10,20,20"}, "is not a region like"),
        ({"region": "xywh=pixel:10,80,0,40"}, "The box is empty"),
        ({"region": "xywh=pixel:999999,999999,999999,999999"}, "is not on the picture"),
        ({"region": LINE.replace("polyline", "script")}, "one polyline or one polygon"),
        ({"region": LINE.replace("/>", ' onload="alert(1)"/>')}, "one polyline or one polygon"),
        ({"region": LINE.replace("</svg>", "<script>alert(1)</script></svg>")}, "one polyline or one polygon"),
        ({"region": '<!DOCTYPE svg [<!ENTITY a "1">]>' + LINE}, "one polyline or one polygon"),
        ({"region": LINE.replace("0,500", "NaN,500")}, "one polyline or one polygon"),
        ({"region": LINE.replace("0,500", "-1,500")}, "numbers of pixels, 0 or more"),
        ({"region": LINE.replace("0,500 ", "0 ")}, "2 to 200 points"),
        ({"region": LINE.replace("0,500", "1 " * 2900)}, "numbers|points|polyline"),
        ({"region": LINE.replace("800,510.4", "900,510")}, "900, 510 is not on the picture"),
        ({"region": "<svg><polyline points='5,5 5,5'/></svg>"}, "points are all the same"),
        ({"id": "1 OR 1=1"}, "is not a number like urn:uuid"),
        ({"body": []}, "Give one TextualBody"),
        ({"body": "fish"}, "Give one TextualBody"),
        ({"target": "https://club.example/p#xywh=1,2,3,4"}, "one selector"),
        ({"creator": "somebody"}, "This field is unknown"),
        ({"type": "Note"}, "is not a valid choice"),
    ]  # fmt: skip


def test_what_cannot_be_drawn_is_refused_by_name(cast: Cast, places: Places, client_of: ClientOf) -> None:
    picture, client = picture_at(cast, places.shared), client_of("member")
    for bad, told in REFUSED:
        answer = draw(client, picture, **bad)
        assert answer.status_code == 400, bad
        assert re.search(told, json.dumps(answer.json(), ensure_ascii=False)), (bad, answer.json())
    assert not Mark.objects.exists()


def test_the_database_refuses_what_no_page_sends(cast: Cast, places: Places) -> None:
    picture = picture_at(cast, places.shared)
    drawn = {"picture": picture, "kind": "fish", "shape": "box"}
    for bad in (
        {**drawn, "points": [0, 0, 801, 10]},
        {**drawn, "points": [0, 0, 10]},
        {**drawn, "points": []},
        {**drawn, "points": [-1, 0, 10, 10]},
        {**drawn, "shape": "line", "points": [0, 0, 10, 601]},
        {**drawn, "shape": "outline", "points": [0, 0, 10, 10]},
        {**drawn, "kind": "carp", "points": [0, 0, 10, 10]},
        {**drawn, "points": [0, 0, 10, 10], "value": 3.0, "low": 2.0, "high": 4.0},
        {**drawn, "kind": "length", "points": [0, 0, 10, 10]},
        {
            **drawn,
            "kind": "length",
            "points": [0, 0, 10, 10],
            "value": float("nan"),
            "low": 1.0,
            "high": float("inf"),
        },
    ):
        with pytest.raises(DatabaseError), see(cast, "member"), transaction.atomic():
            Mark.objects.create(**bad)
    with see(cast, "member"), transaction.atomic():
        for _ in range(MOST_MARKS):
            Mark.objects.create(**drawn, points=[0, 0, 10, 10])
        with pytest.raises(DatabaseError, match="at most"), transaction.atomic():
            Mark.objects.create(**drawn, points=[0, 0, 10, 10])


def test_a_look_s_marks_are_seen_by_whoever_sees_the_look(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    scope = f"member:{cast.member.pk}"
    private = picture_at(cast, places.shared, scope=scope)
    team = picture_at(cast, places.team, persona="captain")
    area = picture_at(cast, places.club, persona="organiser")
    shared = picture_at(cast, places.shared)
    who = {
        "private": (private, "member", {"member"}),
        "team": (team, "captain", {"captain", "teammate"}),
        "area": (area, "organiser", {"organiser"}),
        "shared": (
            shared,
            "member",
            {"organiser", "checker", "member", "teammate", "captain", "rival", "newcomer"},
        ),
    }
    for name, (picture, owner, readers) in who.items():
        assert draw(client_of(owner), picture).status_code == 201
        for persona in (
            "organiser",
            "checker",
            "member",
            "teammate",
            "captain",
            "rival",
            "newcomer",
            "guest",
        ):
            may = persona in readers
            assert client_of(persona).get(url(picture)).status_code == (200 if may else 404) or (
                persona == "guest" and client_of(persona).get(url(picture)).status_code == 403
            ), (name, persona)
            with see(cast, persona):
                assert Mark.objects.filter(picture_id=picture.pk).exists() is may, (name, persona)
        with see(cast, "nobody"):
            assert not Mark.objects.exists()
        assert Client().get(url(picture)).status_code in (401, 403)


def test_only_whose_look_it_is_draws_and_removes(cast: Cast, places: Places, client_of: ClientOf) -> None:
    picture = picture_at(cast, places.shared)
    made = draw(client_of("member"), picture).json()
    key = made["id"].removeprefix("urn:uuid:")
    unknown = url(picture).replace(str(picture.pk), str(uuid.uuid4()))
    for persona in ("organiser", "checker", "rival"):
        client = client_of(persona)
        refused = draw(client, picture)
        never_was = client.post(unknown, json.dumps(annotation()), content_type=LD)
        assert refused.status_code == never_was.status_code == 404
        assert refused.content == never_was.content
        assert client.delete(f"{url(picture)}{key}/").status_code == 404
        with pytest.raises(DatabaseError), see(cast, persona), transaction.atomic():
            Mark.objects.create(picture=picture, kind="fish", shape="box", points=[0, 0, 9, 9])
        with see(cast, persona):
            assert Mark.objects.filter(pk=key).delete()[0] == 0
    with (
        connection.cursor() as cursor,
        see(cast, "member"),
        pytest.raises(DatabaseError),
        transaction.atomic(),
    ):
        cursor.execute("UPDATE observations_mark SET kind = 'bait'")
    with see(cast, "member"):
        withdraw_look(picture.look, timezone.now())
    assert draw(client_of("member"), picture).status_code == 404, "a look taken back is not drawn on"
    assert client_of("member").get(url(picture)).status_code == 200
    assert client_of("rival").get(url(picture)).status_code == 404


def test_a_checker_and_a_blind_caller_get_the_picture_without_its_marks(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    # At a spot that the checker sees only as an area: the finding is theirs to check, the look is not theirs to see.
    picture = picture_at(cast, places.club, "camera", persona="organiser")
    assert draw(client_of("organiser"), picture, value="bait").status_code == 201
    checker = client_of("checker")
    queue = checker.get("/proofs/").content.decode()
    assert str(picture.pk) in queue and "bait" not in queue.split("What is this?")[1].split("<form")[0]
    assert checker.get(f"/pictures/{picture.pk}/").status_code == 200
    assert checker.get(url(picture)).status_code == 404
    with see(cast, "checker"):
        assert Picture.objects.filter(pk=picture.pk).exists() and not Mark.objects.exists()
    # Offered to be cleared, and cleared: still nothing, for nobody.
    organiser = client_of("organiser")
    organiser.post(f"/pictures/{picture.pk}/clear/", {"looked": "yes"})
    with see(cast, "checker"):
        assert not Mark.objects.exists()
    clearance = picture.clearances.get()
    assert checker.post(
        f"/pictures/offered/{clearance.pk}/", {"answer": "clear", "looked": "yes"}
    ).status_code in (200, 302)
    cleared = ClearedPicture.objects.get()
    for client in (checker, client_of("newcomer"), Client()):
        assert client.get(f"/api/pictures/{cleared.pk}/annotations/").status_code in (401, 403, 404)
    with see(cast, "newcomer"):
        assert not Mark.objects.exists()


def test_a_mark_drawn_after_the_cut_off_is_not_known_to_who_is_frozen(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    from tests.spots.event_kit import enter, make_event, make_older

    picture = picture_at(cast, places.shared)
    client = client_of("member")
    draw(client, picture)
    before = Mark.objects.get()
    now = timezone.now()
    past = now - timedelta(hours=3)
    make_older(past)
    Picture.objects.update(created_at=past)
    Observation.objects.update(received_at=past)
    Mark.objects.update(created_at=past)
    times = {"cutoff_at": now - timedelta(hours=1), "ends_at": now + DAY, "created_at": past}
    event = make_event(places.shared.water, **times)
    enter(event, cast.rival, entered_at=past)
    draw(client, picture, value="cover")
    assert [item["body"][0]["value"] for item in client.get(url(picture)).json()["items"]] == [
        "fish",
        "cover",
    ]
    frozen = client_of("rival").get(url(picture)).json()["items"]
    assert [item["id"] for item in frozen] == [f"urn:uuid:{before.pk}"]
