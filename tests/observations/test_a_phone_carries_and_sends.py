"""What a phone carries without signal, and what becomes of what it sends when there is one."""

import uuid
from collections.abc import Callable
from datetime import timedelta

from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone

from club.models import Club
from observations.models import Call, Finding, Observation, Picture
from spots.disclosure_models import Channel, Disclosure
from tests.conftest import Cast, Places, look
from tests.observations.log_page import CALLED, typed
from tests.observations.test_pictures import picture

ClientOf = Callable[..., Client]


def later(minutes: float, ahead: float = 0) -> dict[str, str]:
    """Return what a queued look is sent with: sealed that long ago, on a clock `ahead` minutes fast."""
    clock = timezone.now() + timedelta(minutes=ahead)
    return {"sealed_at": (clock - timedelta(minutes=minutes)).isoformat(), "sent_at": clock.isoformat()}


def send(client: Client, data: dict[str, str]) -> Observation:
    answer = client.post("/log/", data, headers={"accept": "application/json"})
    assert answer.status_code == 200, answer.content
    return Observation.objects.get(pk=data["look"])


def test_a_phone_carries_own_spots_only_until_its_member_says_more(
    places: Places, client_of: ClientOf
) -> None:
    client = client_of("member")
    carried = client.get("/log/pack/").json()
    assert [spot["id"] for spot in carried["spots"]] == [str(places.private.pk)]
    assert carried["spots"][0]["point"] is not None
    assert carried["waters"][0]["outline"]["type"] in ("Polygon", "MultiPolygon")
    assert not Disclosure.objects.exists()
    answer = client.post("/log/carry/", {"water": str(places.shared.water_id), "days": "3"}).json()
    assert {str(places.shared.pk), str(places.private.pk)} <= {spot["id"] for spot in answer["spots"]}
    logged = Disclosure.objects.filter(channel=Channel.CARRIED).values_list("spot_id", flat=True)
    assert places.shared.pk in logged
    assert places.private.pk not in logged, "reading one's own is no disclosure"


def test_carrying_shows_no_more_than_the_chart_and_stops_at_the_cap(
    places: Places, client_of: ClientOf
) -> None:
    rival = client_of("rival")
    assert rival.get("/log/pack/").json()["spots"] == []
    answer = rival.post("/log/carry/", {"water": str(places.shared.water_id), "days": "1"}).json()
    assert str(places.private.pk) not in str(answer)
    Disclosure.objects.all().delete()
    Club.objects.update(openings_per_day=1)
    client_of("rival").post("/log/carry/", {"water": str(places.team.water_id), "days": "1"})
    assert Disclosure.objects.filter(counts=True).count() <= 1
    wrong = rival.post("/log/carry/", {"water": str(places.shared.water_id), "days": "365"})
    assert (wrong.status_code, wrong.json()["errors"]["days"]) == (422, ['"365" is not 1, 3 or 7 days.'])


def test_the_kept_page_names_no_place(places: Places, client_of: ClientOf) -> None:
    page = client_of("member").get("/log/offline/").content.decode()
    assert "Canary" not in page
    assert str(places.private.pk) not in page


def test_who_is_signed_in_is_asked_before_sending(cast: Cast, client_of: ClientOf) -> None:
    assert Client().get("/log/hello/").json() == {"member": None}
    told = client_of("member").get("/log/hello/").json()
    assert told["member"] == str(cast.member.pk)
    assert len(told["csrf"]) > 30


def test_a_look_that_waited_is_sealed_on_the_device_at_its_own_time(
    places: Places, client_of: ClientOf
) -> None:
    one = send(client_of("member"), typed(places.shared, "forward", **CALLED) | later(300))
    assert abs(one.started_at - (timezone.now() - timedelta(minutes=300))) < timedelta(seconds=5)
    call = Call.objects.get()
    assert (call.seal, one.device_sealed_at) == ("device", call.sealed_at)
    assert abs(one.clock_offset_s or 0) < 5


def test_a_wrong_clock_is_put_right_and_kept(places: Places, client_of: ClientOf) -> None:
    data = typed(places.shared, "2d", g0__band="none") | later(300, ahead=-95)
    data["at"] = data["sealed_at"]
    one = send(client_of("member"), data)
    assert abs(one.started_at - (timezone.now() - timedelta(minutes=300))) < timedelta(seconds=5)
    assert one.clock_offset_s is not None
    assert abs(one.clock_offset_s + 95 * 60) < 5
    # A clock of tomorrow, too: the look is not refused as one of the future.
    ahead = send(client_of("member"), typed(places.shared, "2d", g0__band="none") | later(10, ahead=26 * 60))
    assert ahead.started_at < timezone.now()


def test_a_seal_older_than_a_fortnight_is_from_memory_and_an_impossible_one_is_none(
    places: Places, client_of: ClientOf
) -> None:
    send(client_of("member"), typed(places.shared, "forward", **CALLED) | later(15 * 24 * 60))
    assert Call.objects.get().seal == "memory"
    for sealed, sent in (
        ("0001-01-01T00:00:00+10:00", "2026-06-01T00:00:00Z"),
        ("0001-01-02T00:00:00Z", "9999-12-30T00:00:00Z"),
    ):
        data = typed(places.shared, "2d", g0__band="none") | {
            "sealed_at": sealed,
            "sent_at": sent,
            "at": sealed,
        }
        assert send(client_of("member"), data).device_sealed_at is None


def test_a_proof_finds_the_group_that_the_phone_named(places: Places, client_of: ClientOf) -> None:
    client, group = client_of("member"), str(uuid.uuid4())
    send(client, typed(places.shared, "forward", **CALLED, g0__id=group) | later(200))
    proof = typed(places.shared, "camera", found="fish", minutes="5", settles=group, f0__species="white-crappie",
                  f0__tie="same fish")  # fmt: skip
    send(client, proof | later(190))
    finding = Finding.objects.get()
    assert (str(finding.settles_id), finding.tie) == (group, "same fish")


def test_a_picture_sent_again_is_the_same_picture(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    one = send(client, typed(places.shared, "forward", **CALLED))
    address = f"/log/{one.pk}/pictures/{uuid.uuid4()}/"
    answers = [
        client.post(address, {"picture": SimpleUploadedFile("screen.jpg", picture())}) for _ in range(2)
    ]
    assert [answer.status_code for answer in answers] == [201, 200]
    assert answers[0].json() == answers[1].json()
    assert Picture.objects.get().look_id == one.pk


def test_a_picture_is_refused_by_name_and_added_to_own_looks_only(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    other = look(cast, "teammate", places.shared, "rod", timezone.now())
    client = client_of("member")
    theirs = client.post(
        f"/log/{other.pk}/pictures/{uuid.uuid4()}/", {"picture": SimpleUploadedFile("a.jpg", picture())}
    )
    assert theirs.status_code == 404
    own = send(client, typed(places.shared, "forward", **CALLED))
    bad = client.post(
        f"/log/{own.pk}/pictures/{uuid.uuid4()}/", {"picture": SimpleUploadedFile("a.svg", b"<svg/>")}
    )
    assert (bad.status_code, Picture.objects.count()) == (422, 0)
    assert bad.json()["errors"]["picture"]


def test_the_service_worker_keeps_every_file_of_the_page(cast: Cast) -> None:
    answer = Client().get("/sw.js")
    assert answer["Content-Type"].startswith("text/javascript")
    assert "no-cache" in answer["Cache-Control"]
    text = answer.content.decode()
    assert "/static/js/outbox.js" in text
    assert "importScripts" in text
