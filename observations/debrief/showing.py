"""What the debrief's pages show: one's own drafts, with the names of the spots that one sees exactly."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from club.units import Units
from observations.debrief.answers import DISCARD, HAZARD, LATER, LOOK, SPOT
from observations.debrief.effort import Search
from observations.debrief.packing import unpack
from observations.debrief_models import DebriefDraft, DebriefPicture, Pass, Track
from observations.files import gpx_track
from observations.models import Method, Trip
from spots.disclosure_models import Channel
from spots.precision import ReleasedSpot, released_spots

_KIND_WORDS = (
    ("running_s", "Running"),
    ("searching_s", "Searching"),
    ("fishing_s", "Fishing, on the move"),
    ("stopped_s", "Stopped"),
    ("gap_s", "Not logged"),
)
# What is counted and is nothing left out.
_READ = ("sentences", "points", "other sentences")
_LEFT_OUT = {
    "bad checksum": "bad checksums",
    "spikes": "spikes of position",
    "gaps": "gaps",
    "jumps": "jumps that were believed",
}


# On one page: ten fields a stop, four a place, one a picture, and a form may have a thousand.
MOST_STOPS, MOST_PLACES, MOST_LOOSE = 70, 30, 90


def exact_spots(ids: Sequence[uuid.UUID | None]) -> dict[uuid.UUID, ReleasedSpot]:
    """Return which of these the viewer sees exactly now."""
    wanted = [key for key in dict.fromkeys(ids) if key]
    found = released_spots(ids=wanted, channel=Channel.UNSEEN) if wanted else []
    return {spot.id: spot for spot in found if spot.is_exact}


def hours(seconds: float) -> str:
    """`2 h 05 min`, `40 min` or `50 s`."""
    if seconds < 60:
        return f"{seconds:.0f}\u00a0s"
    minutes = round(seconds / 60)
    return f"{minutes // 60}\u00a0h {minutes % 60:02}\u00a0min" if minutes >= 60 else f"{minutes}\u00a0min"


@dataclass
class Card:
    """One open draft: where and when, in words, and what was typed for it so far."""

    draft: DebriefDraft
    key: str
    spot: ReleasedSpot | None
    title: str
    when: str
    facts: list[str]
    pictures: list[DebriefPicture]
    v: dict[str, str] = field(default_factory=dict)
    errors: dict[str, list[str]] = field(default_factory=dict)
    choices: list[tuple[str, str]] = field(default_factory=list)

    @property
    def opens(self) -> bool:
        """True where the folded part holds something already."""
        names = (
            "method",
            "call",
            "sure",
            "placement",
            "proof",
            "species",
            "count",
            "minutes",
            "cover",
            "structure",
        )
        return any(self.v.get(name) for name in names) or bool(set(self.errors) - {"answer", "name"})


@dataclass
class Day:
    """One trip's drafts, sorted into what is asked."""

    trip: Trip
    track: Track | None
    stops: list[DebriefDraft]
    places: list[DebriefDraft]
    decided: list[DebriefDraft]
    passes: list[Pass]
    pictures: list[DebriefPicture]
    spots: dict[uuid.UUID, ReleasedSpot]

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.trip.water.time_zone)

    @property
    def loose(self) -> list[DebriefPicture]:
        """The pictures that belong to no stop that is asked about, and to no look."""
        asked = {one.pk for one in self.stops}
        return [one for one in self.pictures if one.used_at is None and one.draft_id not in asked]

    @property
    def later(self) -> int:
        """How much there is to decide that finds no room on the page yet."""
        rooms = ((self.stops, MOST_STOPS), (self.places, MOST_PLACES), (self.loose, MOST_LOOSE))
        return sum(max(0, len(asked) - room) for asked, room in rooms)

    @property
    def is_open(self) -> bool:
        return bool(self.stops or self.places or self.loose)

    def clock(self, at: datetime) -> str:
        return f"{at.astimezone(self.zone):%H:%M}"

    @property
    def title(self) -> str:
        began = self.trip.started_at.astimezone(self.zone)
        ended = (self.trip.ended_at or self.trip.started_at).astimezone(self.zone)
        until = f"–{ended:%H:%M}" if ended > began else ""
        return f"{began:%a} {began.day} {began:%b %Y}, {began:%H:%M}{until}"


def day_of(trip: Trip) -> Day:
    drafts = list(DebriefDraft.objects.filter(trip=trip).order_by("started_at", "name", "id"))
    spots = exact_spots([key for one in drafts for key in (one.spot_id, one.made_spot_id)])
    open_ones = [one for one in drafts if one.state == DebriefDraft.State.OPEN]
    # A stop at a spot that one no longer sees is a stop at none.
    asked = [one for one in open_ones if one.kind == DebriefDraft.Kind.STOP and one.spot_id in spots]
    return Day(
        trip,
        Track.objects.filter(trip=trip).defer("packed").first(),
        asked,
        [one for one in open_ones if one not in asked],
        [one for one in drafts if one.state != DebriefDraft.State.OPEN],
        list(Pass.objects.filter(trip=trip)),
        list(DebriefPicture.objects.filter(trip=trip)),
        spots,
    )


def split(track: Track | None) -> list[dict[str, Any]]:
    """Return what the day was spent on, in words, with the share of each for the bar."""
    if track is None:
        return []
    spent = [(key, words, float(getattr(track, key))) for key, words in _KIND_WORDS]
    whole = sum(seconds for _, _, seconds in spent) or 1.0
    out: list[dict[str, Any]] = []
    begun = 0.0
    for key, words, seconds in spent:
        share = 100 * seconds / whole
        kind = key.removesuffix("_s")
        if seconds:
            out.append(
                {
                    "kind": kind,
                    "words": words,
                    "time": hours(seconds),
                    "from": f"{begun:.2f}",
                    "share": f"{share:.2f}",
                }
            )
        begun += share
    return out


def left_out(track: Track | None) -> list[str]:
    """Say what the log held that could not be used: `12 bad checksums`."""
    counts: Mapping[str, int] = track.counts if track else {}
    return [
        f"{number:,} {_LEFT_OUT.get(why, why)}"
        for why, number in sorted(counts.items())
        if number and why not in _READ
    ]


def _facts(draft: DebriefDraft, units: Units) -> list[str]:
    facts = []
    if draft.depth_m is not None:
        facts.append(f"{units.depth_text(draft.depth_m)} deep")
    if draft.water_temp_c is not None:
        facts.append(f"water {units.temperature_text(draft.water_temp_c)}")
    return facts


def stop_cards(
    day: Day, units: Units, data: Mapping[str, str], errors: Mapping[str, list[str]]
) -> list[Card]:
    pictures = _pictures_by_draft(day)
    cards = []
    for one in day.stops[:MOST_STOPS]:
        assert one.started_at and one.ended_at and one.spot_id  # noqa: S101 - a stop at a spot
        spot = day.spots[one.spot_id]
        facts = [hours((one.ended_at - one.started_at).total_seconds())]
        if one.away_m is not None:
            facts.append(f"{units.depth_text(round(one.away_m))} from it")
        cards.append(
            _card(
                one,
                spot,
                spot.label,
                f"{day.clock(one.started_at)}–{day.clock(one.ended_at)}",
                facts + _facts(one, units),
                pictures.get(one.pk, []),
                data,
                errors,
            )
        )
    return cards


def place_cards(
    day: Day, units: Units, data: Mapping[str, str], errors: Mapping[str, list[str]], *, organises: bool
) -> list[Card]:
    pictures = _pictures_by_draft(day)
    cards = []
    for one in day.places[:MOST_PLACES]:
        is_mark = one.kind == DebriefDraft.Kind.WAYPOINT
        facts = _facts(one, units)
        if one.started_at and one.ended_at and not is_mark:
            facts.insert(0, f"stopped {hours((one.ended_at - one.started_at).total_seconds())}")
        near = day.spots.get(one.spot_id) if one.spot_id else None
        if near and one.away_m is not None:
            facts.append(f"{units.depth_text(round(one.away_m))} from {near.label}")
        card = _card(
            one,
            near,
            (one.name or "Waypoint without a name") if is_mark else "Stop at no spot that you see",
            day.clock(one.started_at) if one.started_at else "",
            facts,
            pictures.get(one.pk, []),
            data,
            errors,
        )
        card.choices = [(SPOT, "spot")]
        card.choices += [(LOOK, "look")] if is_mark and near and one.started_at else []
        card.choices += [(HAZARD, "hazard")] if organises else []
        card.choices += [(DISCARD, "discard"), (LATER, "later")]
        card.v.setdefault("name", one.name)
        cards.append(card)
    return cards


def _card(
    draft: DebriefDraft,
    spot: ReleasedSpot | None,
    title: str,
    when: str,
    facts: list[str],
    pictures: list[DebriefPicture],
    data: Mapping[str, str],
    errors: Mapping[str, list[str]],
) -> Card:
    start = f"{draft.pk}-"
    return Card(
        draft,
        str(draft.pk),
        spot,
        title,
        when,
        facts,
        pictures,
        {name.removeprefix(start): data.get(name, "") for name in data if name.startswith(start)},
        {name.removeprefix(start): told for name, told in errors.items() if name.startswith(start)},
    )


def _pictures_by_draft(day: Day) -> dict[uuid.UUID, list[DebriefPicture]]:
    out: dict[uuid.UUID, list[DebriefPicture]] = {}
    for one in day.pictures:
        if one.used_at is None and one.draft_id:
            out.setdefault(one.draft_id, []).append(one)
    return out


def gpx_of(track: Track) -> str:
    """Return the GPX document of a stored track."""
    return gpx_track.write(unpack(track.packed), f"{track.started_at:%Y-%m-%d %H:%M} UTC")


def searches(member_id: uuid.UUID | None) -> list[Search]:
    """Return every day with a track of the member's, with the structure of the spots that it found."""
    made = list(
        DebriefDraft.objects.filter(member=member_id)
        .exclude(made_spot=None)
        .order_by("trip_id", "id")
        .values_list("trip_id", "made_spot_id")
    )
    spots = exact_spots([spot for _, spot in made])
    found: dict[uuid.UUID, list[str]] = {}
    for trip, spot in made:
        if spot in spots:
            found.setdefault(trip, []).append(spots[spot].structure or "structure not said")
    names = dict(Method.choices)
    return [
        Search(
            str(names[track.search_method]),
            track.searching_s,
            track.running_s,
            tuple(found.get(track.trip_id, ())),
        )
        for track in Track.objects.filter(member=member_id).defer("packed").order_by("started_at", "trip_id")
    ]
