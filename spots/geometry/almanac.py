"""Sun, twilight and moon of one day at one place: times and words, never a score.

Rising and setting follow the definition that the United States Naval Observatory prints: the upper limb on a
sea-level horizon, with 34 minutes of arc of refraction. Civil twilight ends with the Sun's centre at 6 degrees
below the horizon, nautical at 12. The positions are PyEphem's (VSOP87 and Chapront's lunar theory).

Hills, height and the day's air move what is seen by minutes; none of these is known here.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import ephem

_REFRACTION = "-0:34"
_PHASES = (
    ("new moon", ephem.next_new_moon),
    ("first quarter", ephem.next_first_quarter_moon),
    ("full moon", ephem.next_full_moon),
    ("last quarter", ephem.next_last_quarter_moon),
)
_BETWEEN = ("waxing crescent", "waxing gibbous", "waning gibbous", "waning crescent")


@dataclass(frozen=True)
class SkyDay:
    """One local day's events, aware and in UTC. None: there is no such event on that day."""

    day: date
    sunrise: datetime | None
    sunset: datetime | None
    civil_dawn: datetime | None
    civil_dusk: datetime | None
    nautical_dawn: datetime | None
    nautical_dusk: datetime | None
    moonrise: datetime | None
    moonset: datetime | None
    # Where the Sun neither rises nor sets: `up` or `down` all day.
    sun_stays: str
    phase: str
    # When the phase falls on this day: new moon, a quarter or full moon.
    phase_at: datetime | None


def _observer(latitude: float, longitude: float) -> ephem.Observer:
    place = ephem.Observer()
    place.lat, place.lon = math.radians(latitude), math.radians(longitude)
    place.elevation, place.pressure = 0.0, 0.0
    return place


def _utc(moment: ephem.Date) -> datetime:
    at: datetime = moment.datetime()
    return at.replace(tzinfo=UTC)


def _event(find: Callable[[], ephem.Date], end: ephem.Date) -> datetime | None:
    """Return when it happens, unless that is never, or not before the day's end."""
    try:
        at = find()
    except (ephem.AlwaysUpError, ephem.NeverUpError):
        return None
    return _utc(at) if at < end else None


@lru_cache(maxsize=1024)
def sky_day(latitude: float, longitude: float, day: date, zone: ZoneInfo) -> SkyDay:
    """Return the events of the local day `day`, from its first midnight to the next, in the time zone.

    Degrees, north and east positive. Raises ValueError for a place that is not on Earth.
    """
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f"{latitude}, {longitude} is no latitude and longitude in degrees")
    begins = datetime.combine(day, time(), zone).astimezone(UTC)
    ends = datetime.combine(day + timedelta(days=1), time(), zone).astimezone(UTC)
    start, end = ephem.Date(begins.replace(tzinfo=None)), ephem.Date(ends.replace(tzinfo=None))
    place = _observer(latitude, longitude)
    sun, moon = ephem.Sun(), ephem.Moon()

    def rise_and_set(body: ephem.Body, horizon: str, centre: bool) -> tuple[datetime | None, datetime | None]:
        place.horizon = horizon
        return (
            _event(lambda: place.next_rising(body, start=start, use_center=centre), end),
            _event(lambda: place.next_setting(body, start=start, use_center=centre), end),
        )

    sunrise, sunset = rise_and_set(sun, _REFRACTION, False)
    civil_dawn, civil_dusk = rise_and_set(sun, "-6", True)
    nautical_dawn, nautical_dusk = rise_and_set(sun, "-12", True)
    moonrise, moonset = rise_and_set(moon, _REFRACTION, False)
    middle = ephem.Date((start + end) / 2)
    phase, phase_at = _phase(start, middle, end)
    return SkyDay(
        day=day,
        sunrise=sunrise,
        sunset=sunset,
        civil_dawn=civil_dawn,
        civil_dusk=civil_dusk,
        nautical_dawn=nautical_dawn,
        nautical_dusk=nautical_dusk,
        moonrise=moonrise,
        moonset=moonset,
        sun_stays="" if sunrise or sunset else _stays(place, middle),
        phase=phase,
        phase_at=phase_at,
    )


def _stays(place: ephem.Observer, at: ephem.Date) -> str:
    place.date = at
    return "up" if ephem.Sun(place).alt > math.radians(-50 / 60) else "down"


def _phase(start: ephem.Date, middle: ephem.Date, end: ephem.Date) -> tuple[str, datetime | None]:
    """Return the phase in words: by name on the day it falls on, else between which two it lies."""
    for name, following in _PHASES:
        at = following(start)
        if at < end:
            return name, _utc(at)
    ahead = float(ephem.Ecliptic(ephem.Moon(middle)).lon) - float(ephem.Ecliptic(ephem.Sun(middle)).lon)
    return _BETWEEN[int(ahead % math.tau / (math.tau / 4)) % 4], None
