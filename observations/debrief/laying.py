"""Pictures of a day: read for their time, written clean, and laid to the stop that they were taken at."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError

from club.models import Member
from observations.debrief.drafting import Drafted, is_around, zone_of
from observations.debrief.packing import unpack
from observations.debrief.uploads import Upload, read_picture
from observations.debrief_models import DebriefDraft, DebriefPicture, Track
from observations.files.track import Track as Fixes
from observations.files.track import metres
from observations.models import Picture, Trip
from observations.picture_times import Told
from observations.pictures import clean_picture, discard, write
from spots.files.report import FileError, Remark, refused

# A screenshot of what was seen while coming in or leaving.
EDGE = timedelta(minutes=1)
# The phone's place and the boat's, and how far a picture's own place may be from the stop that it shows.
APART_M, BESIDE_M = 300.0, 60.0


def away(lat: float, lon: float, other: Point) -> float:
    """Return the distance from a place to a point, in metres."""
    one = (np.array([value]) for value in (lat, lon, other.y, other.x))
    return float(metres(*one)[0])


def choose_stop(told: Told, stops: Sequence[DebriefDraft]) -> DebriefDraft | None:
    """Return the stop that a picture belongs to: by its time unless its place contradicts, else by its place."""
    if told.at:
        at = told.at
        during = [
            (max(one.started_at - at, at - one.ended_at, timedelta(0)), n)
            for n, one in enumerate(stops)
            if one.started_at and one.ended_at and one.started_at - EDGE <= at <= one.ended_at + EDGE
        ]
        if during:
            stop = stops[min(during)[1]]
            if told.place is None or away(*told.place, stop.place) <= APART_M:
                return stop
    if told.place and stops:
        distances = [away(*told.place, one.place) for one in stops]
        best = int(np.argmin(distances))
        # A place says where; with a time of another part of the day it says nothing.
        if distances[best] <= BESIDE_M and told.at is None:
            return stops[best]
    return None


def likely_shift(times: Sequence[datetime], stops: Sequence[DebriefDraft]) -> tuple[int, int] | None:
    """Return by how many minutes a clock most likely ran ahead, and how many pictures lie at stops without that.

    Whole half hours up to fourteen hours, as wrong time zones are. None where fewer than two would, or no more
    than half of them.
    """
    laid = {
        minutes: sum(choose_stop(Told(at - timedelta(minutes=minutes)), stops) is not None for at in times)
        for minutes in range(-840, 841, 30)
        if minutes
    }
    best = max(laid, key=lambda minutes: (laid[minutes], -abs(minutes), minutes))
    return (best, laid[best]) if laid[best] >= 2 and 2 * laid[best] > len(times) else None


class _Day:
    def __init__(self, trip: Trip, fixes: Fixes | None) -> None:
        self.trip = trip
        self.fixes = fixes
        self.stops = list(
            DebriefDraft.objects.filter(trip=trip, kind=DebriefDraft.Kind.STOP).order_by("started_at")
        )


def _days(drafted: Drafted, member: Member) -> list[_Day]:
    trips = drafted.trips or list(
        Trip.objects.filter(member=member, drafts__isnull=False).distinct().order_by("-started_at", "id")[:20]
    )
    days = []
    for trip in trips:
        fixes = drafted.tracks.get(trip.pk)
        if fixes is None and (row := Track.objects.filter(trip=trip).first()):
            fixes = unpack(row.packed)
        days.append(_Day(trip, fixes))
    return days


def lay(files: Sequence[Upload], drafted: Drafted, member: Member, moment: datetime) -> int:
    """Write the pictures and lay each to its trip and stop; return how many. All of them, or none.

    Without a track in the same upload, a picture goes to an earlier debrief of its time. Raises FileError with
    a remark for each file that is refused.
    """
    if not files:
        return 0
    days, zone = _days(drafted, member), zone_of(drafted.trips, member)
    if not days:
        raise refused(
            "Pictures alone do not say where they belong: send the day's track or waypoints with them."
        )
    had = set(DebriefPicture.objects.filter(member=member).values_list("digest", flat=True))
    rows: list[DebriefPicture] = []
    problems: list[Remark] = []
    try:
        for file in files:
            sent = read_picture(file, zone)
            if sent.digest in had:
                drafted.left_out["picture that was sent before"] += 1
                continue
            had.add(sent.digest)
            day = next((one for one in days if sent.told.at and is_around(one.trip, sent.told.at)), None)
            if day is None and (sent.told.at is None or drafted.trips) and len(days) == 1:
                day = days[0]
            if day is None:
                rule = "It has no time that any of these days holds."
                problems.append(Remark(0, sent.name[-80:], "", rule))
                continue
            try:
                clean = clean_picture(_Held(sent.raw), sent.name)
            except ValidationError as error:
                problems += [Remark(0, "picture", "", message) for message in error.messages]
                continue
            row = _row(day, sent.told, sent.digest, clean.width, clean.height, moment)
            rows.append(row)
            write(row.stored(), clean)
            drafted.add(day.trip)
        if problems:
            raise FileError(*problems)
        DebriefPicture.objects.bulk_create(rows)
    except BaseException:
        discard([row.stored() for row in rows])
        raise
    return len(rows)


class _Held:
    """Bytes that are read once, as an upload is."""

    def __init__(self, raw: bytes) -> None:
        self.raw = raw

    def read(self, size: int, /) -> bytes:
        return self.raw[:size]


def _row(day: _Day, told: Told, digest: str, width: int, height: int, moment: datetime) -> DebriefPicture:
    stop = choose_stop(told, day.stops)
    where = told.place or (day.fixes.at(told.at.timestamp()) if day.fixes and told.at else None)
    return DebriefPicture(
        trip=day.trip,
        member=day.trip.member,
        draft=stop,
        taken_at=told.at,
        place=Point(where[1], where[0], srid=4326) if where else None,
        width=width,
        height=height,
        digest=digest,
        created_at=moment,
    )


def attach(pictures: Sequence[DebriefPicture], look_id: object, moment: datetime) -> None:
    """Make pictures of a debrief pictures of a look, under the same id: their files stay as they are."""
    rows = [one.stored() for one in pictures]
    for row in rows:
        row.look_id = look_id  # type: ignore[assignment]
        row.created_at = moment
    Picture.objects.bulk_create(rows)
    DebriefPicture.objects.filter(pk__in=[one.pk for one in pictures]).update(used_at=moment)
