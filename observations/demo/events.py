"""Two invented events on the demo lake: one that is over, one that comes. Their days follow the day of loading."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from observations.demo.loading import Loader, key_of
from observations.demo.people import PEOPLE, TEAM_A, TEAM_B
from spots.event_models import Entry, Event

SATURDAY = 5
SOURCES = (
    "Until the cut-off: anything. After it: what is printed and on open sale, the public charts of the lake, and"
    " what you find yourselves. No advice from anybody who is not fishing the event. (Invented, as all here.)"
)


def _saturday(day: date) -> date:
    """Return the first Saturday on or after a day."""
    return day + timedelta(days=(SATURDAY - day.weekday()) % 7)


def load_events(loader: Loader, moment: datetime) -> list[Event]:
    """Save the events and who is entered: both teams, and one angler alone."""
    water = loader.waters["marrowby"]
    zone = ZoneInfo(water.time_zone)

    def at(day: date, hour: int) -> datetime:
        return datetime.combine(day, time(hour), zone).astimezone(UTC)

    made = []
    today = moment.astimezone(zone).date()
    for name, fishing, deputy in (
        ("Marrowby Team Days", _saturday(today - timedelta(days=45)), "checker"),
        ("Marrowby Open", _saturday(today + timedelta(days=24)), "checker"),
    ):
        cutoff = at(fishing - timedelta(days=7), 18)
        event = Event.objects.create(
            id=key_of("event", name),
            name=name,
            water=water,
            target="largemouth-bass",
            off_limits_from=fishing - timedelta(days=7),
            off_limits_until=fishing - timedelta(days=2),
            practice_from=fishing - timedelta(days=1),
            practice_until=fishing - timedelta(days=1),
            fishing_from=fishing,
            fishing_until=fishing + timedelta(days=1),
            cutoff_at=cutoff,
            ends_at=at(fishing + timedelta(days=1), 17),
            limit_number=5,
            minimum_length_mm=356,
            allowed_sources=SOURCES,
            deputy=loader.members[deputy],
            created_by=loader.members["organiser"],
            created_at=cutoff - timedelta(days=40),
        )
        entered = cutoff - timedelta(days=30)
        for turn, person in enumerate(
            p for p in PEOPLE if p.team in (TEAM_A, TEAM_B) or p.username == "ruth"
        ):
            Entry.objects.create(
                id=key_of("entry", f"{name} {person.username}"),
                event=event,
                member=loader.members[person.username],
                team=loader.teams.get(person.team),
                entered_at=min(entered + timedelta(hours=turn), moment),
            )
        made.append(event)
    return made
