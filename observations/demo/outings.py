"""Who goes out when, and in which order they visit which spots: the demo's trips before anybody looks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from observations.demo import places
from observations.demo.lake import TIMEZONE, Floats
from observations.demo.people import ANGLERS, BY_NAME, Person
from observations.demo.rows import SpotRow
from observations.demo.spotlist import FLAGSHIP, lively

FIRST = date(2024, 3, 9)
LAST = date(2026, 11, 24)
"""The last day of the demo's records."""

ZONE = ZoneInfo(TIMEZONE)

# How likely a day is to be fished, by month; weekends count three times.
MONTHS = (0.10, 0.15, 0.7, 1.1, 1.2, 1.0, 0.8, 0.7, 1.0, 1.3, 0.9, 0.2)

# Saturdays on which several members look at the same spots by every method they own.
METHOD_DAYS = (
    date(2024, 5, 18),
    date(2024, 10, 12),
    date(2025, 4, 26),
    date(2025, 6, 28),
    date(2025, 9, 27),
    date(2026, 5, 16),
    date(2026, 7, 11),
    date(2026, 10, 3),
    date(2026, 11, 14),
)
METHOD_DAY_PEOPLE = ("checker", "teammate", "member", "nadia", "tess")
WINTER_LAST = 2
"""Trips added in the last fortnight, so that the checkers' queue has something in it."""


@dataclass(frozen=True)
class Stop:
    """One arrival of one member at one spot; ``thorough`` on a method day."""

    trip: int
    person: Person
    spot: SpotRow
    at: datetime
    thorough: bool = False


@dataclass(frozen=True)
class Outing:
    """A trip: who, when, on which water."""

    key: int
    person: Person
    water: str
    starts: datetime
    note: str


def reachable(person: Person, spot: SpotRow) -> bool:
    """Whether a member knows exactly where a spot is."""
    if spot.owner == f"member:{person.username}" or (person.team and spot.owner == f"team:{person.team}"):
        return True
    audiences = {grant.audience for grant in spot.grants if grant.level == 3 and grant.starts_at is None}
    return bool(audiences & {"members", f"member:{person.username}"})


class Planner:
    """Draws the trips and stops of all members, in order of time."""

    def __init__(self, spots: tuple[SpotRow, ...], rng: np.random.Generator) -> None:
        self._rng = rng
        self._spots = spots
        east, north = math.cos(math.radians(41.02)) * 111.32, 111.07
        self._at = np.array([(s.longitude * east, s.latitude * north) for s in spots])
        self._names = {
            name.text: np.array(
                [(places.MARROWBY[0] + name.x / east) * east, (places.MARROWBY[1] + name.y / north) * north]
            )
            for name in places.NAMES
        }
        self._known = {p.username: np.array([reachable(p, s) for s in spots]) for p in ANGLERS}
        self._pull: Floats = np.exp(rng.normal(0.0, 0.6, len(spots)))
        for i, spot in enumerate(spots):
            self._pull[i] *= 5.0 if spot.name == FLAGSHIP else 1.0
            self._pull[i] *= 1.6 if spot.cover in ("brush pile", "crib", "standing timber") else 1.0
        self.outings: list[Outing] = []

    def stops(self) -> list[Stop]:
        """All stops of all trips, in order of time."""
        found: list[Stop] = []
        for person in ANGLERS:
            for day in self._days(person):
                found += self._trip(person, day)
        for day in METHOD_DAYS:
            found += self._method_day(day)
        return sorted(found, key=lambda stop: (stop.at, stop.trip))

    def _days(self, person: Person) -> list[date]:
        """The days on which a member goes out."""
        rng = self._rng
        days = [FIRST + timedelta(n) for n in range((LAST - FIRST).days + 1)]
        days = [day for day in days if day >= person.joined and day not in METHOD_DAYS]
        weights = np.array([MONTHS[day.month - 1] * (3.0 if day.weekday() >= 5 else 1.0) for day in days])
        number = min(len(days), int(rng.poisson(person.outings * len(days) / 540)))
        picked = rng.choice(len(days), size=number, replace=False, p=weights / weights.sum())
        chosen = {days[int(i)] for i in picked}
        if person.outings >= 10:
            chosen |= {LAST - timedelta(int(n)) for n in rng.choice(16, WINTER_LAST, replace=False)}
        return sorted(chosen)

    def _new_trip(self, person: Person, water: str, starts: datetime, note: str = "") -> int:
        key = len(self.outings) + 1
        self.outings.append(Outing(key, person, water, starts, note))
        return key

    def _trip(self, person: Person, day: date) -> list[Stop]:
        """One trip: a start at a haunt or anywhere known, then on to spots that are near."""
        rng = self._rng
        hour = float(np.clip(rng.normal(8.0 if rng.random() < 0.7 else 14.5, 1.5), 5.5, 16.5))
        starts = datetime.combine(day, time(), ZONE).astimezone(UTC) + timedelta(minutes=round(hour * 60))
        open_now = self._known[person.username] & np.array([lively(spot, day) for spot in self._spots])
        pond = rng.random() < 0.05
        on_water = np.array([(spot.water == "tansy") == pond for spot in self._spots])
        able = open_now & on_water
        if not able.any():
            return []
        pull = np.where(able, self._pull, 0.0)
        own = np.array([spot.owner != "club" for spot in self._spots])
        pull = np.where(own, pull * 4.0, pull)
        here = self._names.get(person.haunts) if rng.random() < 0.65 and not pond else None
        notes = ("", "", "", "Windy on the main lake.", "Fog until nine.", "Took the new camera out.")
        trip = self._new_trip(person, "tansy" if pond else "marrowby", starts, str(rng.choice(notes)))
        at = starts + timedelta(minutes=int(rng.integers(8, 25)))
        found: list[Stop] = []
        for _ in range(int(rng.integers(2, 6))):
            weights = pull
            if here is not None:
                weights = pull * np.exp(-np.hypot(*(self._at - here).T) / 1.8)
            chosen = int(rng.choice(len(weights), p=weights / weights.sum()))
            found.append(Stop(trip, person, self._spots[chosen], at))
            pull = pull.copy()
            pull[chosen] = 0.0
            here = self._at[chosen]
            at += timedelta(minutes=int(rng.integers(50, 105)))
            if not pull.any():
                break
        return found

    def _method_day(self, day: date) -> list[Stop]:
        """A club morning: three spots, the best known first, by everybody who came."""
        rng = self._rng
        flagship = next(spot for spot in self._spots if spot.name == FLAGSHIP)
        index = self._spots.index(flagship)
        away = np.hypot(*(self._at - self._at[index]).T)
        near = [
            self._spots[int(i)]
            for i in np.argsort(away)
            if self._spots[int(i)].owner == "club"
            and self._spots[int(i)].cover in ("brush pile", "crib", "standing timber", "rock pile")
            and lively(self._spots[int(i)], day)
            and self._spots[int(i)].grants[0].level == 3
        ][:7]
        others = [near[int(i)] for i in rng.choice(np.arange(1, len(near)), 2, replace=False)]
        starts = datetime.combine(day, time(), ZONE).astimezone(UTC) + timedelta(hours=7)
        found = []
        people = [BY_NAME[name] for name in METHOD_DAY_PEOPLE if BY_NAME[name].joined <= day]
        trips = [self._new_trip(person, "marrowby", starts, "Method day.") for person in people]
        for turn, spot in enumerate([flagship, *others]):
            for slot, (person, trip) in enumerate(zip(people, trips, strict=True)):
                at = starts + timedelta(minutes=10 + 95 * turn + 17 * slot)
                found.append(Stop(trip, person, spot, at, thorough=True))
        return found
