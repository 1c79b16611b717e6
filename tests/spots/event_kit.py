"""An event on the test water, for tests of events."""

from datetime import UTC, datetime, timedelta
from typing import Any

from django.db import connection

from club.models import Member, Team, TeamMembership
from spots.models import Entry, Event, Grant, Position, Sheet, Spot, Water

CUTOFF = datetime(2026, 9, 1, 5, 0, tzinfo=UTC)
ENDS = datetime(2026, 9, 13, 22, 0, tzinfo=UTC)
BEFORE, DURING, AFTER = CUTOFF - timedelta(days=3), CUTOFF + timedelta(days=2), ENDS + timedelta(hours=1)


def make_event(water: Water, **more: Any) -> Event:
    """Save an event as the owner of the database would."""
    fields: dict[str, Any] = {
        "name": "Autumn Open",
        "water": water,
        "target": "largemouth-bass",
        "fishing_from": ENDS.date() - timedelta(days=1),
        "fishing_until": ENDS.date(),
        "cutoff_at": CUTOFF,
        "ends_at": ENDS,
        "created_at": BEFORE,
    }
    return Event.objects.create(**{**fields, **more})


def enter(event: Event, member: Member, team: Team | None = None, **more: Any) -> Entry:
    return Entry.objects.create(event=event, member=member, team=team, **{"entered_at": BEFORE, **more})


def make_older(moment: datetime) -> None:
    """Let every spot, sight, role and team be from that moment."""
    Grant.objects.update(known_at=moment)
    Spot.objects.update(created_at=moment)
    Member.objects.update(role_since=moment)
    TeamMembership.objects.update(since=moment)
    # Sheets and positions are dated by the database, on any change.
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('tallow.moment', %s, true)", [moment.isoformat()])
        Sheet.objects.update(notes="as ever")
        Position.objects.update(error_m=3)
        cursor.execute("SELECT set_config('tallow.moment', '', true)")
