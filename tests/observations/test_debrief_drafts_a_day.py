"""A day's log becomes drafts at the right spots; of spots that the member does not see exactly nothing is known."""

import io
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from django.db import IntegrityError, ProgrammingError, connection, transaction
from PIL import Image

from club.models import Level
from observations.debrief.drafting import Drafted, draft
from observations.debrief.laying import lay
from observations.debrief.packing import pack, unpack
from observations.debrief.uploads import sort
from observations.debrief_models import DebriefDraft, DebriefPicture, Pass, Track
from observations.files.track import Track as Fixes
from observations.models import Observation, Trip
from observations.picture_times import told_by
from spots.disclosure_models import Disclosure
from spots.files.report import FileError
from spots.models import Grant, Spot
from tests.conftest import PERSONAS, Cast, Places, look, see, sonar
from tests.observations.debrief_kit import (
    BEGAN,
    M_EAST,
    M_NORTH,
    Day,
    gpx,
    make_day,
    nmea,
    screenshot,
    upload,
)
from tests.observations.test_pictures import SVG, located_exif, picture
from tests.spots.event_kit import make_event

# Where tests/conftest.py places the spots.
PRIVATE, SHARED, CLUB = (45.032717, -93.287531), (45.044379, -93.265951), (45.021137, -93.276713)
NOWHERE = (45.03, -93.27)
AFTER = BEGAN + timedelta(hours=12)


@pytest.fixture
def day() -> Day:
    return make_day([PRIVATE, SHARED, CLUB, NOWHERE], stay_s=200, between_s=400)


def debrief(cast: Cast, persona: str, *files: Any, moment: datetime = AFTER) -> Drafted:
    with see(cast, persona, moment):
        sent = sort(files)
        out = draft(sent, getattr(cast, persona), moment)
        lay(sent.pictures, out, getattr(cast, persona), moment)
        return out


def laid(cast: Cast, persona: str) -> list[Any]:
    with see(cast, persona, AFTER):
        rows = DebriefDraft.objects.filter(kind="stop").order_by("started_at")
        return [row.spot_id for row in rows]


def test_stops_become_drafts_at_the_spots_that_their_member_sees_exactly(
    cast: Cast, places: Places, day: Day
) -> None:
    debrief(cast, "member", upload(nmea(day), "day.nmea"))
    assert laid(cast, "member") == [places.private.pk, places.shared.pk, None, None]
    with see(cast, "member", AFTER):
        drafts = list(DebriefDraft.objects.filter(kind="stop").order_by("started_at"))
        for (start, end), one in zip(day.stops, drafts, strict=True):
            assert one.started_at and one.ended_at
            assert abs((one.started_at - BEGAN).total_seconds() - start) < 30
            assert abs((one.ended_at - BEGAN).total_seconds() - end) < 30
        assert (drafts[0].depth_m, drafts[0].water_temp_c) == (pytest.approx(5.2), pytest.approx(21.5))
        assert drafts[0].away_m is not None and drafts[0].away_m < 20
        track = Track.objects.get()
        assert track.stopped_s == pytest.approx(800, abs=60)
        assert track.searching_s == pytest.approx(800, abs=200)
        assert sum(
            (track.running_s, track.searching_s, track.fishing_s, track.stopped_s, track.gap_s)
        ) == pytest.approx(len(day) - 1)
        assert Pass.objects.exists()
    # A draft is no evidence.
    assert not Observation.objects.exists()


def test_a_spot_that_is_not_seen_exactly_leaves_no_trace_in_a_draft(
    cast: Cast, places: Places, day: Day
) -> None:
    """The rival's drafts are those of a club in which the member's spot was never placed."""

    def rows() -> list[Any]:
        with see(cast, "rival", AFTER):
            debrief(cast, "rival", upload(nmea(day), "day.nmea"))
            found = list(
                DebriefDraft.objects.order_by("started_at").values(
                    "kind",
                    "state",
                    "started_at",
                    "ended_at",
                    "place",
                    "spot_id",
                    "away_m",
                    "depth_m",
                    "name",
                    "notes",
                )
            )
            found += list(
                Pass.objects.order_by("started_at").values("started_at", "ended_at", "metres", "path")
            )
            Trip.objects.all().delete()
            return found

    with_it = rows()
    assert [row["spot_id"] for row in with_it if row.get("kind") == "stop"] == [
        None,
        places.shared.pk,
        None,
        None,
    ]
    Grant.objects.filter(spot=places.private).delete()
    Spot.objects.filter(pk=places.private.pk).delete()
    assert rows() == with_it
    # The one that was the answer is written down as shown; no other is.
    assert set(Disclosure.objects.values_list("spot_id", flat=True)) <= {places.shared.pk}


def test_the_daily_cap_holds_for_drafts(cast: Cast, places: Places, day: Day) -> None:
    Grant.objects.create(
        spot=places.private,
        audience=f"member:{cast.rival.pk}",
        level=Level.EXACT,
        owner=places.private.owner,
        water_id=places.private.water_id,
    )
    with connection.cursor() as cursor:
        cursor.execute("UPDATE club_club SET openings_per_day = 1")
    Disclosure.objects.create(
        viewer_id=cast.rival.pk,
        spot_id=places.club.pk,
        channel="page",
        day=AFTER.date(),
        at=AFTER,
        counts=True,
    )
    debrief(cast, "rival", upload(nmea(day), "day.nmea"))
    assert laid(cast, "rival")[0] is None
    next_day = AFTER + timedelta(days=1)
    with see(cast, "rival", AFTER):
        Trip.objects.all().delete()
    debrief(cast, "rival", upload(nmea(day), "day.nmea"), moment=next_day)
    assert laid(cast, "rival")[0] == places.private.pk
    assert Disclosure.objects.filter(
        viewer_id=cast.rival.pk, spot_id=places.private.pk, channel="import"
    ).exists()


def test_what_a_debrief_keeps_is_there_for_its_member_alone(cast: Cast, places: Places, day: Day) -> None:
    debrief(cast, "member", upload(nmea(day), "day.nmea"), screenshot(day.stops[0][0] + 20))
    for persona in PERSONAS:
        with see(cast, persona, AFTER):
            seen = [model.objects.count() for model in (Trip, Track, DebriefDraft, Pass, DebriefPicture)]
            assert all(seen) if persona == "member" else not any(seen), persona
    trip = Trip.objects.get()
    with (
        pytest.raises(Exception, match="row-level security"),
        transaction.atomic(),
        see(cast, "rival", AFTER),
    ):
        Track.objects.create(
            trip=trip, member=cast.rival, started_at=BEGAN, ended_at=AFTER, fixes=2, packed=b"1"
        )


def test_the_same_day_sent_twice_is_there_once(cast: Cast, places: Places, day: Day) -> None:
    files = lambda: (upload(nmea(day), "day.nmea"), screenshot(day.stops[0][0] + 20))  # noqa: E731
    debrief(cast, "member", *files())
    again = debrief(cast, "member", *files())
    assert (again.known_already, again.left_out["picture that was sent before"]) == (1, 1)
    with see(cast, "member", AFTER):
        assert [model.objects.count() for model in (Trip, Track, DebriefPicture)] == [1, 1, 1]
        assert DebriefDraft.objects.count() == 4


def test_pictures_go_to_the_stop_of_their_time_and_later_ones_to_the_same_day(
    cast: Cast, places: Places, day: Day, settings: Any
) -> None:
    start, end = day.stops[1]
    debrief(
        cast,
        "member",
        upload(nmea(day), "d.nmea"),
        screenshot(start + 30, 1),
        screenshot(end + 130, 2),
        screenshot(start + 40, 3),
    )
    debrief(cast, "member", screenshot(day.stops[0][0] + 60, 4))
    with see(cast, "member", AFTER):
        rows = list(DebriefPicture.objects.order_by("taken_at"))
        assert [row.draft.spot_id if row.draft else None for row in rows] == [
            places.private.pk, places.shared.pk, places.shared.pk, None,
        ]  # fmt: skip
        # Between stops it still has its place on the track.
        assert rows[-1].place.y == pytest.approx(day.lat[end + 130], abs=1e-5)
        for row in rows:
            assert (settings.MEDIA_ROOT / row.stored().stored_name).exists()
    with pytest.raises(FileError, match="no time that any of these days holds"):
        debrief(cast, "member", screenshot(-90_000, 5))


def test_a_refused_picture_refuses_all_and_leaves_no_file(
    cast: Cast, places: Places, day: Day, settings: Any
) -> None:
    with pytest.raises(FileError, match="SVG"):
        debrief(
            cast,
            "member",
            upload(nmea(day), "d.nmea"),
            screenshot(day.stops[0][0] + 20),
            upload(SVG, "bad.png"),
        )
    with see(cast, "member", AFTER):
        assert not Trip.objects.exists()
    assert not list(settings.MEDIA_ROOT.iterdir())


def test_what_a_picture_tells_is_read_before_its_metadata_goes() -> None:
    zone = __import__("zoneinfo").ZoneInfo("America/Chicago")
    image = Image.new("RGB", (60, 40))
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:06:15 07:30:00"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    # Exif without an offset is the clock of the water; with one it is that one's.
    assert told_by(out.getvalue(), "a.jpg", zone).at == datetime(2026, 6, 15, 12, 30, tzinfo=UTC)
    exif.get_ifd(0x8769)[0x9011] = "+02:00"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    assert told_by(out.getvalue(), "a.jpg", zone).at == datetime(2026, 6, 15, 5, 30, tzinfo=UTC)
    named = told_by(picture(), "Screenshot_2026-06-15 at 07.30.00.png", zone)
    assert named.at == datetime(2026, 6, 15, 12, 30, tzinfo=UTC)
    assert told_by(picture(), "scan 1234567890.png", zone).at is None
    assert told_by(b"\xff\xd8\xff broken", "x.jpg", zone).place is None
    place = told_by(picture(exif=located_exif()), "x.jpg", zone).place
    assert place is not None


def test_new_waypoints_go_to_the_inbox_and_known_ones_do_not(cast: Cast, places: Places, day: Day) -> None:
    beside = (PRIVATE[0] + 30 * M_NORTH, PRIVATE[1])
    marks = [
        ((SHARED[0], SHARED[1] + 5 * M_EAST), "WP1", 100),  # on a spot that is there
        (beside, "canary  private laydown", 200),  # its name, and near it
        (beside, "fish here", 300),
        (NOWHERE, "Pile &amp; log", 400),
        (NOWHERE, "Pile &amp; log", 400),  # twice in the file
        ((44.0, -90.0), "another lake", 500),
        (CLUB, "hidden to me", None),
        ((45.01, -93.28), "last year", -40_000_000),
    ]
    out = debrief(cast, "member", upload(gpx(day, marks), "card.gpx"))
    assert out.left_out == {
        "waypoint that is a spot already": 2,
        "waypoint that an inbox had before": 1,
        "waypoint on no water of the club": 1,
        "waypoint of another day": 1,
    }
    with see(cast, "member", AFTER):
        rows = {row.name: row for row in DebriefDraft.objects.filter(kind="waypoint")}
        assert {name: row.spot_id for name, row in rows.items()} == {
            "fish here": places.private.pk, "Pile & log": None, "hidden to me": None,
        }  # fmt: skip


def test_a_look_logged_on_the_water_is_that_stop_and_takes_what_it_left_empty(
    cast: Cast, places: Places, day: Day
) -> None:
    at = BEGAN + timedelta(seconds=day.stops[1][0] + 60)
    logged = look(cast, "member", places.shared, "forward", at, groups=sonar("crappie"))
    measured = look(
        cast, "member", places.private, "2d", at - timedelta(seconds=600), groups=sonar(), water_temp_c=19.0
    )
    debrief(cast, "member", upload(nmea(day), "d.nmea"))
    with see(cast, "member", AFTER):
        state = dict(DebriefDraft.objects.exclude(spot=None).values_list("spot_id", "state"))
    assert state == {places.shared.pk: "confirmed", places.private.pk: "confirmed"}
    logged.refresh_from_db()
    measured.refresh_from_db()
    assert (logged.water_temp_c, measured.water_temp_c) == (21.5, 19.0)
    assert logged.trip_id == measured.trip_id == Trip.objects.get().pk
    # What it looked with stays sealed; the temperature its member may put right (test_edits_from_two_devices_meet).
    denied = pytest.raises(ProgrammingError, match="permission denied")
    with denied, transaction.atomic(), see(cast, "member", AFTER):
        Observation.objects.filter(pk=logged.pk).update(method="2d")


def test_a_look_on_the_way_takes_the_temperature_of_its_time_and_none_while_a_cut_off_is_on(
    cast: Cast, places: Places, day: Day
) -> None:
    passing = look(cast, "member", places.shared, "2d", BEGAN + timedelta(seconds=40), groups=sonar())
    event = make_event(
        places.shared.water,
        fishing_from=AFTER.date() + timedelta(days=2),
        fishing_until=AFTER.date() + timedelta(days=2),
        cutoff_at=AFTER - timedelta(days=1),
        ends_at=AFTER + timedelta(days=3),
    )
    debrief(cast, "member", upload(nmea(day), "d.nmea"))
    passing.refresh_from_db()
    assert (passing.water_temp_c, passing.trip_id) == (None, Trip.objects.get().pk)
    with pytest.raises(IntegrityError, match="cut-off"), transaction.atomic(), see(cast, "member", AFTER):
        Observation.objects.filter(pk=passing.pk).update(water_temp_c=21.5)
    type(event).objects.all().delete()
    with see(cast, "member", AFTER):
        Observation.objects.update(trip=None)
        Trip.objects.all().delete()
    debrief(cast, "member", upload(nmea(day), "d.nmea"))
    passing.refresh_from_db()
    assert passing.water_temp_c == 21.5


def test_what_cannot_be_drafted_is_said(cast: Cast, places: Places, day: Day) -> None:
    with pytest.raises(FileError, match="future"):
        debrief(cast, "member", upload(nmea(day), "d.nmea"), moment=BEGAN - timedelta(days=1))
    far = make_day([(10.0, 10.0)], 200, 300)
    with pytest.raises(FileError, match="no water of the club"):
        debrief(cast, "member", upload(gpx(far), "d.gpx"))
    with pytest.raises(FileError, match="say where they belong"):
        debrief(cast, "member", screenshot(10))
    with pytest.raises(FileError, match=r"notes.txt: No valid NMEA"):
        debrief(cast, "member", upload(b"just words\n", "notes.txt"))
    with see(cast, "member", AFTER):
        assert not Trip.objects.exists()


def test_a_packed_track_comes_back_as_it_was() -> None:
    rng = np.random.default_rng(8)
    time = 1.78e9 + np.cumsum(rng.integers(1, 500, 1000)) / 100
    lat, lon = rng.uniform(-90, 90, 1000), rng.uniform(-180, 180, 1000)
    depth = np.where(rng.random(1000) < 0.5, np.nan, rng.uniform(0, 90, 1000))
    before = Fixes(time, lat, lon, np.full(1000, np.nan), depth, rng.uniform(-2, 45, 1000))
    after = unpack(pack(before))
    assert np.abs(after.time - time).max() < 0.006
    assert max(np.abs(after.lat - lat).max(), np.abs(after.lon - lon).max()) < 6e-8
    assert np.nanmax(np.abs(after.depth - depth)) < 0.006
    assert (np.isnan(after.depth) == np.isnan(depth)).all()
    assert np.isnan(after.speed).all()
