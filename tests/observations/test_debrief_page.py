"""The debrief's page: only what is confirmed becomes evidence, and then all of it, from memory, with its pictures."""

import io
import json
import re
import uuid
import zipfile
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.conf import settings as django_settings
from django.test import Client

from club.models import Level
from club.viewer import working
from observations import pictures
from observations.debrief import showing
from observations.debrief_models import DebriefDraft, DebriefPicture, Pass, Track
from observations.evidence import club_taxa, gather
from observations.files.gpx_track import read
from observations.models import Call, EchoGroup, Finding, Observation, Picture, Trip
from observations.services import GroupDraft
from spots.models import Feature, Grant, Sheet
from tests.conftest import Cast, Places, look, see
from tests.observations.debrief_kit import BEGAN, M_NORTH, Day, gpx, make_day, nmea, screenshot, upload
from tests.observations.test_debrief_drafts_a_day import AFTER, CLUB, NOWHERE, PRIVATE, SHARED, debrief

ClientOf = Callable[..., Client]
pytestmark = [pytest.mark.usefixtures("quiet_queue"), pytest.mark.usefixtures("evening")]


@pytest.fixture
def evening() -> Any:
    with time_machine.travel(AFTER, tick=False):
        yield


@pytest.fixture
def day() -> Day:
    return make_day([PRIVATE, SHARED, CLUB, NOWHERE], stay_s=200, between_s=400)


@pytest.fixture
def sent(cast: Cast, places: Places, day: Day, client_of: ClientOf) -> str:
    """The day, sent by `member`; the address that it led to."""
    start = day.stops[1][0]
    marks = [((NOWHERE[0] + 4 * M_NORTH, NOWHERE[1]), "New pile", day.stops[3][0] + 50)]
    files = [
        upload(nmea(day), "day.nmea"),
        upload(gpx(None, marks), "marks.gpx"),
        screenshot(start + 20, 1),
        screenshot(day.stops[1][1] + 150, 2),
    ]
    answer = client_of("member").post("/debrief/", {"files": files})
    assert answer.status_code == 302, answer.content[-3000:].decode()
    return str(answer["Location"])


def drafts(cast: Cast) -> list[DebriefDraft]:
    with see(cast, "member", AFTER):
        return list(DebriefDraft.objects.order_by("kind", "started_at"))


def test_nothing_is_a_look_in_one_answer_and_is_from_memory(
    cast: Cast, places: Places, sent: str, day: Day, client_of: ClientOf
) -> None:
    client, [private, shared, *_] = client_of("member"), drafts(cast)
    page = client.get(sent).content.decode()
    assert "Canary Private Laydown" in page
    assert "Canary Shared Pile" in page
    assert page.index("nothing</span>") < page.index("1–3</span>")
    assert client.post(sent, {f"{private.pk}-answer": "none", "method": "forward"}).status_code == 302
    look = Observation.objects.get()
    assert (look.spot_id, look.method, look.scope) == (places.private.pk, "forward", places.private.scope)
    assert (look.water_temp_c, look.settings) == (21.5, {"log_depth_m": 5.2})
    assert abs((look.started_at - BEGAN).total_seconds() - day.stops[0][0]) < 30
    assert (look.utc_offset_min, look.trip_id) == (-300, Trip.objects.get().pk)
    assert look.groups.get().band == "none"
    # The same press again saves nothing again; the other stop still waits.
    client.post(sent, {f"{private.pk}-answer": "none", "method": "forward"})
    assert Observation.objects.count() == 1
    assert f"{shared.pk}-answer" in client.get(sent).content.decode()


def test_a_confirmed_stop_becomes_a_look_with_its_call_proof_and_pictures(
    cast: Cast, places: Places, sent: str, client_of: ClientOf, settings: Any
) -> None:
    client, [_, shared, *_] = client_of("member"), drafts(cast)
    with see(cast, "member", AFTER):
        laid = DebriefPicture.objects.get(draft=shared)
    assert client.get(f"/debrief/pictures/{laid.pk}/small/").status_code == 200
    k = f"{shared.pk}-"
    said = {"answer": "4-8", "call": "crappie", "sure": "80", "placement": "over", "proof": "camera"}
    said |= {"species": "white-crappie", "count": "3", "minutes": "4", "tie": "same fish", "method": "2d"}
    answer = client.post(sent, {k + name: value for name, value in said.items()} | {"method": "side"})
    assert answer.status_code == 302
    sonar, camera = Observation.objects.order_by("started_at")
    assert (sonar.method, camera.method, camera.minutes, camera.rod_hours) == ("2d", "camera", 4.0, None)
    call = Call.objects.get()
    assert (call.species_id, call.probability, call.seal) == ("crappie", 0.8, Call.Seal.MEMORY)
    finding = Finding.objects.get()
    assert (finding.species_id, finding.count, finding.tie, finding.settles_id) == (
        "white-crappie", 3, "same fish", EchoGroup.objects.get().pk,
    )  # fmt: skip
    picture = Picture.objects.get()
    assert (picture.pk, picture.look_id) == (laid.pk, sonar.pk)
    assert client.get(f"/pictures/{picture.pk}/").status_code == 200
    assert (Path(settings.MEDIA_ROOT) / picture.stored_name).exists()
    assert "Depth by the day’s log" in client.get(f"/log/{sonar.pk}/").content.decode()


def test_what_comes_from_memory_feeds_no_reliability_not_even_a_blank_look(
    cast: Cast, places: Places, sent: str, client_of: ClientOf
) -> None:
    [private, shared, *_] = drafts(cast)
    at = BEGAN + timedelta(seconds=10)
    live = look(cast, "member", places.shared, "2d", at, groups=(GroupDraft(band="none"),))
    data = {f"{shared.pk}-answer": "none", f"{private.pk}-answer": "1-3", f"{private.pk}-call": "crappie"}
    client_of("member").post(sent, data)
    scopes = ("club", f"member:{cast.member.pk}")
    with working(AFTER):
        found = gather(club_taxa(), scopes, AFTER, [places.shared.pk, places.private.pk])
    sealed = dict(zip(found.look_ids, found.evidence.sealed.tolist(), strict=True))
    assert sealed == {live.pk: True, shared.pk: False, private.pk: False}


def test_a_teams_angler_keeps_the_days_looks_in_the_team(
    cast: Cast, places: Places, day: Day, client_of: ClientOf
) -> None:
    client = client_of("captain")
    address = client.post("/debrief/", {"files": [upload(nmea(day), "day.nmea")]})["Location"]
    with see(cast, "captain", AFTER):
        draft = DebriefDraft.objects.get(spot=places.shared)
    alder, bittern = f"team:{cast.alder.pk}", f"team:{cast.bittern.pk}"
    assert client.post(address, {f"{draft.pk}-answer": "none", "scope": bittern}).status_code == 422
    assert client.post(address, {f"{draft.pk}-answer": "none", "scope": alder}).status_code == 302
    assert Observation.objects.get().scope == alder


def test_more_stops_than_a_page_has_room_for_follow_one_another(
    cast: Cast, places: Places, sent: str, client_of: ClientOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(showing, "MOST_STOPS", 1)
    client, [private, shared, *_] = client_of("member"), drafts(cast)
    page = client.get(sent).content.decode()
    assert (f"{private.pk}-answer" in page, f"{shared.pk}-answer" in page) == (True, False)
    assert "1 more follow" in page
    client.post(sent, {f"{private.pk}-answer": "none"})
    assert f"{shared.pk}-answer" in client.get(sent).content.decode()
    # As many as there is room for, each with all its fields, stay below what a form may have.
    fields = len(set(re.findall(r'name="([^"]+)"', page)))
    assert fields < 40
    assert (
        10 * 70 + 4 * showing.MOST_PLACES + showing.MOST_LOOSE + 20
        < django_settings.DATA_UPLOAD_MAX_NUMBER_FIELDS
    )


def test_one_wrong_answer_saves_none_and_keeps_what_was_typed(
    cast: Cast, places: Places, sent: str, client_of: ClientOf
) -> None:
    client, [private, shared, *_] = client_of("member"), drafts(cast)
    data = {
        f"{private.pk}-answer": "none",
        f"{shared.pk}-answer": "1-3",
        f"{shared.pk}-call": "crappie",
        f"{shared.pk}-sure": "180",
    }
    page = client.post(sent, data)
    assert page.status_code == 422
    text = page.content.decode()
    assert "180 is not possible: it must lie between 1 and 100 %." in text
    assert 'value="180"' in text
    assert not Observation.objects.exists()
    for wrong, words in (
        ({"answer": "heaps"}, "heaps&quot; is not one of the choices"),
        ({"answer": "none", "call": "crappie"}, "no echoes to call"),
        ({"call": "crappie"}, "Say how many echoes there were"),
        ({"species": "bluegill"}, "camera or the rod"),
        ({"proof": "camera", "species": "bluegill", "count": "nan"}, "not a number"),
        ({"proof": "camera", "species": "black-bass"}, "is not one of the choices"),
        ({"proof": "camera", "minutes": "-3"}, "must lie between 0 and 1440"),
    ):
        answer = client.post(sent, {f"{private.pk}-{name}": value for name, value in wrong.items()})
        assert (answer.status_code, words in answer.content.decode()) == (422, True), (wrong, words)
    assert not Observation.objects.exists()


def test_a_waypoint_becomes_a_spot_of_ones_own_and_the_stop_beside_it_is_asked_about(
    cast: Cast, places: Places, sent: str, client_of: ClientOf
) -> None:
    client = client_of("member")
    [mark] = [one for one in drafts(cast) if one.kind == "waypoint"]
    k = f"{mark.pk}-"
    said = {"answer": "spot", "name": "Pile by the point", "cover": "brush pile", "structure": "point"}
    assert client.post(sent, {k + name: value for name, value in said.items()}).status_code == 302
    sheet = Sheet.objects.get(name="Pile by the point")
    assert (sheet.cover, sheet.structure, sheet.spot.scope) == (
        "brush pile",
        "point",
        f"member:{cast.member.pk}",
    )
    with see(cast, "member", AFTER):
        stop = DebriefDraft.objects.get(kind="stop", spot=sheet.spot)
    assert stop.away_m is not None and stop.away_m < 20
    client.post(sent, {f"{stop.pk}-answer": "more", "search": "down"})
    assert Observation.objects.get().spot_id == sheet.spot_id
    done = client.get(f"{sent}done/").content.decode()
    assert "Pile by the point" in done
    # 800 s of searching, one spot: 0.2 hours, by the method said and by its structure.
    with see(cast, "member", AFTER):
        track = Track.objects.get()
    assert (track.search_method, f"{track.searching_s / 3600:.1f}") == ("down", "0.2")
    assert "down-looking imaging sonar" in done
    assert "0.2" in done


def test_a_waypoint_near_a_spot_may_be_a_look_there(
    cast: Cast, places: Places, day: Day, client_of: ClientOf
) -> None:
    client = client_of("member")
    marks = [((PRIVATE[0] + 30 * M_NORTH, PRIVATE[1]), "fish", 70), (NOWHERE, "not near one", 90)]
    files = [upload(nmea(day), "day.nmea"), upload(gpx(None, marks), "marks.gpx")]
    address = client.post("/debrief/", {"files": files})["Location"]
    near, far = (next(one for one in drafts(cast) if one.name == name) for _, name, _ in marks)
    assert client.post(address, {f"{far.pk}-answer": "look"}).status_code == 422
    assert client.post(address, {f"{near.pk}-answer": "look"}).status_code == 302
    asked = next(one for one in drafts(cast) if one.name == "fish" and one.kind == "stop")
    assert client.post(address, {f"{asked.pk}-answer": "1-3"}).status_code == 302
    look = Observation.objects.get()
    assert (look.spot_id, look.started_at) == (places.private.pk, BEGAN + timedelta(seconds=70))


def test_only_an_organiser_makes_a_hazard_that_all_see(
    cast: Cast, places: Places, sent: str, client_of: ClientOf
) -> None:
    [mark] = [one for one in drafts(cast) if one.kind == "waypoint"]
    data = {f"{mark.pk}-answer": "hazard", f"{mark.pk}-name": "Stump, low water"}
    assert client_of("member").post(sent, data).status_code == 422
    out = debrief(cast, "organiser", upload(gpx(None, [(NOWHERE, "Stump", 60)]), "m.gpx"))
    with see(cast, "organiser", AFTER):
        own = DebriefDraft.objects.get()
    address = f"/debrief/{out.trips[0].pk}/"
    data = {f"{own.pk}-answer": "hazard", f"{own.pk}-name": "Stump, low water"}
    assert client_of("organiser").post(address, data).status_code == 302
    assert Feature.objects.get(kind="hazard").text == "Stump, low water"


def test_a_day_is_not_there_for_anybody_else(
    cast: Cast, places: Places, sent: str, client_of: ClientOf
) -> None:
    with see(cast, "member", AFTER):
        picture = DebriefPicture.objects.first()
    assert picture
    never = f"/debrief/{uuid.uuid4()}/"
    for persona in ("organiser", "rival", "teammate", "checker"):
        client = client_of(persona)
        for after in ("", "done/"):
            assert client.get(sent + after).status_code == 404
        unknown = client.post(never, {})
        for address in (sent, f"{sent}remove/"):
            assert client.post(address, {}).status_code == unknown.status_code == 404
        assert client.get(f"/debrief/pictures/{picture.pk}/").status_code == 404
        assert "Test water" not in client.get("/debrief/").content.decode()
    assert client_of("guest").get("/debrief/").status_code == 404
    assert client_of("nobody").get(sent).status_code == 302
    assert Trip.objects.exists()


def test_a_spot_that_goes_from_sight_takes_its_name_out_of_the_draft(
    cast: Cast, places: Places, day: Day, client_of: ClientOf
) -> None:
    grant = Grant.objects.create(
        spot=places.private,
        audience=f"member:{cast.rival.pk}",
        level=Level.EXACT,
        owner=places.private.owner,
        water_id=places.private.water_id,
    )
    client = client_of("rival")
    address = client.post("/debrief/", {"files": [upload(nmea(day), "day.nmea")]})["Location"]
    assert "Canary Private" in client.get(address).content.decode()
    grant.delete()
    page = client.get(address).content.decode()
    assert "Canary Private" not in page
    with see(cast, "rival", AFTER):
        draft = DebriefDraft.objects.get(spot=places.private)
    # Not asked, and an answer sent all the same makes no look.
    assert client.post(address, {f"{draft.pk}-answer": "none"}).status_code == 422
    assert not Observation.objects.exists()


def test_pictures_between_stops_are_laid_by_hand_or_discarded_and_a_day_can_go(
    cast: Cast, places: Places, sent: str, client_of: ClientOf, settings: Any
) -> None:
    client, [private, *_] = client_of("member"), drafts(cast)
    with see(cast, "member", AFTER):
        loose = DebriefPicture.objects.get(draft=None)
    wrong = client.post(sent, {f"{loose.pk}-stop": str(places.club.pk), "drop-loose": "1"})
    assert wrong.status_code == 422
    assert 'name="drop-loose" value="1" checked' in wrong.content.decode()
    data = {f"{private.pk}-answer": "heaps", f"{loose.pk}-stop": str(private.pk)}
    assert f'value="{private.pk}" selected' in client.post(sent, data).content.decode()
    data = {f"{private.pk}-answer": "none", f"{loose.pk}-stop": str(private.pk)}
    assert client.post(sent, data).status_code == 302
    assert Picture.objects.get().look_id == Observation.objects.get().pk
    with see(cast, "member", AFTER):
        passes = Pass.objects.count()
        dropped = Pass.objects.first()
    assert dropped
    client.post(sent, {"drop-pass": str(dropped.pk)})
    assert Pass.objects.count() == passes - 1
    assert client.post(f"{sent}remove/").status_code == 302
    assert [model.objects.count() for model in (Track, Pass, DebriefDraft, DebriefPicture)] == [0, 0, 0, 0]
    # The look stays, with its picture; the other picture's files are gone.
    assert (Observation.objects.count(), Picture.objects.count()) == (1, 1)


def test_pictures_of_a_clock_that_was_wrong_are_laid_by_their_shift(
    cast: Cast, places: Places, day: Day, client_of: ClientOf
) -> None:
    client, hours = client_of("member"), 5 * 3600
    shots = [screenshot(day.stops[n][0] + 60 + hours, n) for n in (0, 1)]
    address = client.post("/debrief/", {"files": [upload(nmea(day), "day.nmea"), *shots]})["Location"]
    page = client.get(address).content.decode()
    assert "With 300 minutes, 2 of them lie at a stop." in page
    for wrong in ("soon", "9999"):
        assert client.post(address, {"shift": wrong}).status_code == 422
    private = next(one for one in drafts(cast) if one.spot_id == places.private.pk)
    client.post(address, {f"{private.pk}-answer": "none", "shift": "300"})
    with see(cast, "member", AFTER):
        laid = list(DebriefPicture.objects.order_by("taken_at").values_list("draft__spot_id", "used_at"))
    # The first one's stop is a look by the same press, and the picture is that look's.
    assert laid == [(places.private.pk, AFTER), (places.shared.pk, None)]
    assert Picture.objects.get().look_id == Observation.objects.get().pk


def test_what_was_discarded_is_asked_about_again_and_the_track_goes_out(
    cast: Cast, places: Places, sent: str, day: Day, client_of: ClientOf
) -> None:
    client, [private, *_] = client_of("member"), drafts(cast)
    client.post(sent, {f"{private.pk}-answer": "discard"})
    assert f"{private.pk}-answer" not in client.get(sent).content.decode()
    assert "Ask again about it" in client.get(f"{sent}done/").content.decode()
    assert client_of("rival").post(f"{sent}again/").status_code == 404
    assert client.post(f"{sent}again/").status_code == 302
    assert f"{private.pk}-answer" in client.get(sent).content.decode()
    out = client.get(f"{sent}track.gpx")
    assert len(read(out.content).log.time) == len(day)
    assert client_of("rival").get(f"{sent}track.gpx").status_code == 404
    with zipfile.ZipFile(io.BytesIO(client.get("/account/data/").getvalue())) as archive:
        [name] = [name for name in archive.namelist() if name.startswith("tracks/")]
        assert archive.read(name) == out.content
    # A character that the database has no way to keep.
    mark = next(one for one in drafts(cast) if one.kind == "waypoint")
    answer = client.post(sent, {f"{mark.pk}-answer": "spot", f"{mark.pk}-name": "a\0b"})
    assert answer.status_code == 422


def test_what_is_refused_is_said_by_file_and_nothing_is_saved(
    cast: Cast, places: Places, day: Day, client_of: ClientOf, settings: Any
) -> None:
    client = client_of("member")
    assert client.post("/debrief/", {}).status_code == 422
    bomb = b"<!DOCTYPE x [<!ENTITY a 'a'>]><gpx>&a;</gpx>"
    answer = client.post("/debrief/", {"files": [upload(nmea(day), "day.nmea"), upload(bomb, "card.gpx")]})
    assert answer.status_code == 422
    text = answer.content.decode()
    assert "card.gpx" in text
    assert "document type or entities" in text
    assert not Trip.objects.exists()


def test_a_full_disk_keeps_nothing_of_the_upload_and_says_so(
    cast: Cast, places: Places, day: Day, client_of: ClientOf, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[int] = []

    def full(descriptor: int) -> None:
        written.append(descriptor)
        if len(written) == 2:  # the second picture
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(pictures.os, "fsync", full)
    files = [upload(nmea(day), "day.nmea"), *(screenshot(day.stops[0][0] + 20 + n, n) for n in range(3))]
    answer = client_of("member").post("/debrief/", {"files": files})
    assert (answer.status_code, "disk may be full" in answer.content.decode()) == (507, True)
    assert not Trip.objects.exists()
    assert not list(Path(settings.MEDIA_ROOT).iterdir())


def test_what_is_larger_than_any_page_takes_is_refused_unread(client_of: ClientOf, cast: Cast) -> None:
    class Unread:
        def read(self, *_: Any) -> bytes:
            raise AssertionError("it was read")

        readline = read

    answer = client_of("member").generic(
        "POST", "/debrief/", b"", content_type="multipart/form-data; boundary=x", CONTENT_LENGTH=str(1 << 30),
        **{"wsgi.input": Unread()},
    )  # fmt: skip
    assert (answer.status_code, b"1,024 MB were sent" in answer.content) == (413, True)


def test_the_api_still_tells_the_looks_of_a_debrief_and_what_the_trip_was_spent_on(
    cast: Cast, places: Places, sent: str, day: Day, client_of: ClientOf
) -> None:
    client, [private, *_] = client_of("member"), drafts(cast)
    client.post(sent, {f"{private.pk}-answer": "1-3"})
    [row] = json.loads(client.get("/api/observations/").content)["results"]
    assert row["settings"] == {"log_depth_m": 5.2}
    [trip] = json.loads(client.get("/api/trips/").content)["results"]
    spent = [trip["track"][f"{kind}_s"] for kind in ("running", "searching", "fishing", "stopped", "gap")]
    assert (trip["track"]["fixes"], round(sum(spent))) == (len(day), len(day) - 1)
    assert json.loads(client_of("rival").get("/api/trips/").content)["results"] == []
    assert row["started_at"][:10] == f"{BEGAN:%Y-%m-%d}"
