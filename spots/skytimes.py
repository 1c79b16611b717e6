"""Sun and moon over a water, in words by its own clock.

Always for the middle of the water, whoever asks: a time for the spot itself would say where it is to who may
not know. Sunrise moves by four minutes for a degree of longitude, so on a water of 30 km by less than one.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from spots.geometry.almanac import SkyDay, sky_day
from spots.models import Water


@dataclass(frozen=True)
class SkyWords:
    """A day's sun, twilight and moon, each as a line of words."""

    day: date
    sun: str
    twilight: str
    moon: str

    @property
    def facts(self) -> list[tuple[str, str]]:
        """The lines with their names, without the empty ones."""
        named = (("Sun", self.sun), ("Twilight", self.twilight), ("Moon", self.moon))
        return [(name, words) for name, words in named if words]


def sky_of(water: Water, moment: datetime) -> SkyDay | None:
    """Return the events of the water's local day; None for a water without an outline: it has no middle."""
    if water.outline is None:
        return None
    middle, zone = water.outline.centroid, ZoneInfo(water.time_zone)
    return sky_day(middle.y, middle.x, moment.astimezone(zone).date(), zone)


def sky_words(water: Water, moment: datetime) -> SkyWords | None:
    """Return the same in words, with times to the minute by the water's clock."""
    sky = sky_of(water, moment)
    if sky is None:
        return None
    zone = ZoneInfo(water.time_zone)

    def pair(before: str, first: datetime | None, second: datetime | None, between: str) -> str:
        at = [_minute(one, zone) for one in (first, second) if one]
        return f"{before} {between.join(at)}" if len(at) == 2 else ""

    sun = _both("rises", sky.sunrise, "sets", sky.sunset, zone)
    twilight = [
        pair("civil", sky.civil_dawn, sky.civil_dusk, " to "),
        pair("nautical", sky.nautical_dawn, sky.nautical_dusk, " to "),
    ]
    moon = [_both("rises", sky.moonrise, "sets", sky.moonset, zone)]
    moon.append(f"{sky.phase} at {_minute(sky.phase_at, zone)}" if sky.phase_at else sky.phase)
    return SkyWords(
        day=sky.day,
        sun=sun or f"{sky.sun_stays} all day",
        twilight=", ".join(filter(None, twilight)),
        moon=", ".join(filter(None, moon)),
    )


def _both(rises: str, rise: datetime | None, sets: str, set_: datetime | None, zone: ZoneInfo) -> str:
    """Return `rises 07:15, sets 19:56` in order of time, or the one that there is."""
    known = sorted((at, word) for at, word in ((rise, rises), (set_, sets)) if at)
    return ", ".join(f"{word} {_minute(at, zone)}" for at, word in known)


def _minute(at: datetime, zone: ZoneInfo) -> str:
    return f"{(at + timedelta(seconds=30)).astimezone(zone):%H:%M}"
