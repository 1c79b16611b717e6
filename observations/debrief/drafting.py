"""From what was sent to drafts: a trip for each outing, a question for each stop and waypoint. No evidence yet."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from django.contrib.gis.geos import LineString, Point
from django.db import connection

from club.models import Member
from observations.debrief.packing import pack
from observations.debrief.uploads import Sent
from observations.debrief_models import DebriefDraft, Pass, Track
from observations.files.gpx_track import Mark
from observations.files.track import Stop, Stretch, joined, outings, passes, simplified, stops, stretches
from observations.files.track import Track as Fixes
from observations.models import Observation, Trip
from observations.services import FUTURE_ALLOWED
from spots.disclosure_models import Channel
from spots.events import frozen_until
from spots.files.known import name_key
from spots.files.places import holding_waters
from spots.files.report import refused
from spots.models import Water
from spots.nearby import Near, nearest_spots
from spots.precision import released_spots

# Common practice, no source: how far from a spot a boat lies that looks at it; how near a waypoint is the spot.
LAID_M, SAME_M, SAME_NAME_M = 40.0, 15.0, 50.0
MOST_OUTINGS = 7
SHORTEST_OUTING_S = 60.0
# Before the log was on, and after.
AROUND = timedelta(minutes=30)
# How far a look that was logged may be from its stop, and a reading from a look, in time.
BESIDE, FILLED_S = timedelta(minutes=10), 120.0
_ASKED_PLACES = 25

_LOCK = "SELECT pg_advisory_xact_lock(hashtextextended('observations_debrief ' || %s::text, 0))"


@dataclass
class Drafted:
    """The trips that have something to decide, and what was left out, as words to number."""

    trips: list[Trip] = field(default_factory=list)
    tracks: dict[object, Fixes] = field(default_factory=dict)
    left_out: "Counter[str]" = field(default_factory=Counter)
    known_already: int = 0
    # Spots of these waters that the daily cap holds back from the member: none of them had a part.
    held: int = 0

    def add(self, trip: Trip) -> None:
        if trip.pk not in {one.pk for one in self.trips}:
            self.trips.append(trip)


def is_around(trip: Trip, at: datetime) -> bool:
    """Say whether a time belongs to a trip: the log is switched on late, and off early."""
    return trip.started_at - AROUND <= at <= (trip.ended_at or trip.started_at) + AROUND


def _aware(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def draft(sent: Sent, member: Member, moment: datetime) -> Drafted:
    """Save a trip with its track and drafts for each outing on a water of the club, and the waypoints' drafts.

    Only spots that the member sees exactly have a part in it. To be called inside `viewing` and a transaction.
    Raises FileError where nothing can be drafted.
    """
    with connection.cursor() as cursor:
        cursor.execute(_LOCK, [member.pk])
    out = Drafted()
    found = (
        [one for one in outings(joined(sent.logs)) if one.time[-1] - one.time[0] >= SHORTEST_OUTING_S]
        if sent.fixes
        else []
    )
    if found and found[-1].time[-1] > (moment + FUTURE_ALLOWED).timestamp():
        raise refused(f"The track ends in the future, at {_aware(found[-1].time[-1]):%d %b %Y %H:%M} UTC.")
    if len(found) > MOST_OUTINGS:
        out.left_out["older outing"] += len(found) - MOST_OUTINGS
    for fixes in found[-MOST_OUTINGS:]:
        _draft_outing(fixes, member, moment, out)
    _draft_marks(sent.marks, member, moment, out)
    if not out.trips and (sent.fixes or sent.marks) and not sent.pictures:
        why = ", ".join(f"{number} × {words}" for words, number in out.left_out.items())
        raise refused(f"Nothing to draft: {why or 'the track is shorter than a minute'}.")
    return out


def _water_of(fixes: Fixes) -> Water | None:
    """Return the water that most of the track lies on."""
    places = [Point(lon, lat, srid=4326) for lat, lon in simplified(fixes.lat, fixes.lon, _ASKED_PLACES)]
    found = Counter(water for water in holding_waters(places) if water)
    return found.most_common(1)[0][0] if found else None


def _draft_outing(fixes: Fixes, member: Member, moment: datetime, out: Drafted) -> None:
    began, ended = _aware(fixes.time[0]), _aware(fixes.time[-1])
    before = (
        Track.objects.filter(member=member, started_at__lt=ended, ended_at__gt=began)
        .select_related("trip")
        .first()
    )
    if before is not None:
        out.known_already += 1
        out.add(before.trip)
        return
    water = _water_of(fixes)
    if water is None:
        out.left_out["outing on no water of the club"] += 1
        return
    trip = _trip(member, water, began, ended)
    parts, halts = stretches(fixes.time, fixes.lat, fixes.lon), stops(fixes.time, fixes.lat, fixes.lon)
    _save_track(trip, fixes, parts, moment)
    near = nearest_spots([(stop.lat, stop.lon) for stop in halts], within_m=LAID_M, water_id=water.pk)
    _save_stops(trip, fixes, halts, near, moment)
    laid = [(stop.start, stop.end) for stop, spot in zip(halts, near, strict=True) if spot]
    _save_passes(trip, fixes, passes(fixes, parts, laid))
    out.held += sum(spot.held for spot in released_spots(water_id=water.pk, channel=Channel.UNSEEN))
    out.add(trip)
    out.tracks[trip.pk] = fixes


def _trip(member: Member, water: Water, began: datetime, ended: datetime) -> Trip:
    """Return the member's trip of that time without a track, or a new one."""
    own = Trip.objects.filter(
        member=member, water=water, track=None, started_at__lte=ended, ended_at__gte=began
    ).order_by("started_at", "id")
    return own.first() or Trip.objects.create(member=member, water=water, started_at=began, ended_at=ended)


def _save_track(trip: Trip, fixes: Fixes, parts: Sequence[Stretch], moment: datetime) -> None:
    spent: Counter[str] = Counter()
    for part in parts:
        spent[part.kind] += part.end - part.start  # type: ignore[assignment]
    Track.objects.create(
        trip=trip,
        member=trip.member,
        started_at=_aware(fixes.time[0]),
        ended_at=_aware(fixes.time[-1]),
        fixes=len(fixes),
        packed=pack(fixes),
        running_s=spent["running"],
        searching_s=spent["searching"],
        fishing_s=spent["fishing"],
        stopped_s=spent["stopped"],
        gap_s=spent["gap"],
        metres=sum(part.metres for part in parts if part.kind != "gap"),
        counts=dict(fixes.counts),
        created_at=moment,
    )


def _save_stops(
    trip: Trip, fixes: Fixes, halts: Sequence[Stop], near: Sequence[Near | None], moment: datetime
) -> None:
    drafts = [
        DebriefDraft(
            trip=trip,
            member=trip.member,
            kind=DebriefDraft.Kind.STOP,
            started_at=_aware(stop.start),
            ended_at=_aware(stop.end),
            place=Point(stop.lon, stop.lat, srid=4326),
            spot_id=spot.spot_id if spot else None,
            away_m=spot.metres if spot else None,
            depth_m=fixes.typical("depth", stop.start, stop.end),
            water_temp_c=fixes.typical("temperature", stop.start, stop.end),
        )
        for stop, spot in zip(halts, near, strict=True)
    ]
    _meet_looks(trip, fixes, drafts, moment)
    DebriefDraft.objects.bulk_create(drafts)


def _meet_looks(trip: Trip, fixes: Fixes, drafts: Sequence[DebriefDraft], moment: datetime) -> None:
    """Let a stop that the member logged then and there be that look; the day's looks take what they left empty.

    Not the temperature while a cut-off is on: whoever sees the water as it stood then would see it change.
    """
    looks = Observation.objects.filter(
        observer=trip.member,
        spot__water=trip.water_id,
        started_at__range=(_aware(fixes.time[0]) - AROUND, _aware(fixes.time[-1]) + AROUND),
        withdrawn_at=None,
    ).order_by("started_at", "id")
    frozen = frozen_until(trip.water_id, moment) is not None
    for look in looks:
        stop = next((one for one in drafts if _is_of(look, one)), None)
        if stop and stop.look_id is None:
            stop.look, stop.state, stop.decided_at = look, DebriefDraft.State.CONFIRMED, moment
        at = look.started_at.timestamp()
        read = stop.water_temp_c if stop else fixes.typical("temperature", at - FILLED_S, at + FILLED_S)
        changed = []
        if look.trip_id is None:
            look.trip = trip
            changed.append("trip")
        if look.water_temp_c is None and read is not None and not frozen:
            look.water_temp_c = round(read, 2)
            changed.append("water_temp_c")
        if changed:
            look.save(update_fields=changed)


def _is_of(look: Observation, stop: DebriefDraft) -> bool:
    """Say whether a look was made at a stop: at its spot, a few minutes before, during or after."""
    assert stop.started_at and stop.ended_at  # noqa: S101 - stops have times
    return (
        stop.spot_id == look.spot_id and stop.started_at - BESIDE <= look.started_at <= stop.ended_at + BESIDE
    )


def _save_passes(trip: Trip, fixes: Fixes, found: Sequence[Stretch]) -> None:
    rows = []
    for part in found:
        inside = (fixes.time >= part.start) & (fixes.time <= part.end)
        path = [(lon, lat) for lat, lon in simplified(fixes.lat[inside], fixes.lon[inside])]
        if len(path) > 1:
            rows.append(
                Pass(
                    trip=trip,
                    member=trip.member,
                    started_at=_aware(part.start),
                    ended_at=_aware(part.end),
                    metres=part.metres,
                    path=LineString(path, srid=4326),
                )
            )
    Pass.objects.bulk_create(rows)


def _draft_marks(marks: Sequence[Mark], member: Member, moment: datetime, out: Drafted) -> None:
    """Put new waypoints into the inbox of the trip that they were made on."""
    waters = holding_waters([Point(mark.lon, mark.lat, srid=4326) for mark in marks])
    had = {
        (name, round(place.x, 6), round(place.y, 6))
        for name, place in DebriefDraft.objects.filter(
            member=member, kind=DebriefDraft.Kind.WAYPOINT
        ).values_list("name", "place")
    }
    by_trip: dict[Trip, list[Mark]] = {}
    for mark, water in zip(marks, waters, strict=True):
        key = (mark.name[:80], round(mark.lon, 6), round(mark.lat, 6))
        if water is None:
            out.left_out["waypoint on no water of the club"] += 1
        elif key in had:
            out.left_out["waypoint that an inbox had before"] += 1
        elif (trip := _trip_of(mark, water, member, moment, out)) is None:
            out.left_out["waypoint of another day"] += 1
        else:
            had.add(key)
            by_trip.setdefault(trip, []).append(mark)
    for trip, own in by_trip.items():
        _save_marks(trip, own, out)


def _trip_of(mark: Mark, water: Water, member: Member, moment: datetime, out: Drafted) -> Trip | None:
    here = [trip for trip in out.trips if trip.water_id == water.pk]
    if mark.time == mark.time:  # not NaN
        at = _aware(mark.time)
        if at > moment + FUTURE_ALLOWED:
            return None
        for trip in here:
            if is_around(trip, at):
                return trip
        if out.tracks or out.known_already:
            return None
    if here:
        return here[-1]
    # Waypoints alone: a trip of their day.
    at = _aware(mark.time) if mark.time == mark.time else moment
    trip = Trip.objects.create(member=member, water=water, started_at=at, ended_at=at)
    out.add(trip)
    return trip


def _save_marks(trip: Trip, marks: Sequence[Mark], out: Drafted) -> None:
    near = nearest_spots(
        [(mark.lat, mark.lon) for mark in marks], within_m=SAME_NAME_M, water_id=trip.water_id
    )
    labels = {
        spot.id: name_key(spot.label)
        for spot in released_spots(ids=[one.spot_id for one in near if one], channel=Channel.UNSEEN)
        if spot.is_exact
    }
    fixes, rows = out.tracks.get(trip.pk), []
    for mark, spot in zip(marks, near, strict=True):
        if spot and (spot.metres <= SAME_M or labels.get(spot.spot_id) == name_key(mark.name)):
            out.left_out["waypoint that is a spot already"] += 1
            continue
        within = spot if spot and spot.metres <= LAID_M else None
        timed = mark.time == mark.time
        lines = [mark.texts.get(key, "").strip() for key in ("desc", "cmt")]
        lines += [f"symbol: {mark.texts['sym'].strip()}"] if mark.texts.get("sym", "").strip() else []
        rows.append(
            DebriefDraft(
                trip=trip,
                member=trip.member,
                kind=DebriefDraft.Kind.WAYPOINT,
                started_at=_aware(mark.time) if timed else None,
                place=Point(mark.lon, mark.lat, srid=4326),
                spot_id=within.spot_id if within else None,
                away_m=within.metres if within else None,
                depth_m=fixes.typical("depth", mark.time - 15, mark.time + 15) if fixes and timed else None,
                water_temp_c=fixes.typical("temperature", mark.time - 15, mark.time + 15)
                if fixes and timed
                else None,
                name=mark.name[:80],
                notes="\n".join(dict.fromkeys(line for line in lines if line))[:2000],
            )
        )
    DebriefDraft.objects.bulk_create(rows)


def zone_of(trips: Sequence[Trip], member: Member) -> ZoneInfo:
    """Return the time zone that a picture's local time is of: the trips', or the latest trip's, or a water's."""
    trip = trips[0] if trips else Trip.objects.filter(member=member).select_related("water").first()
    water = trip.water if trip else Water.objects.first()
    return ZoneInfo(water.time_zone if water else "UTC")
