"""An event as an iCalendar file (RFC 5545). The water's name only: no LOCATION, no GEO, no spot."""

import uuid
from datetime import date, timedelta

from icalendar import Calendar
from icalendar import Event as Entry

from spots.event_models import Event

PRODUCT = "-//Tallow//events//EN"


def _item(event: Event, part: str, summary: str, description: str) -> Entry:
    item = Entry()
    # The same at every download, and of one part of one event only.
    item.add("uid", str(uuid.uuid5(event.id, part)))
    item.add("dtstamp", event.created_at.replace(microsecond=0))
    item.add("summary", summary)
    if description:
        item.add("description", description)
    return item


def _days(item: Entry, first: date, last: date) -> Entry:
    """Lay whole days on an item; DTEND is the day after the last one (RFC 5545, 3.6.1)."""
    item.add("dtstart", first)
    item.add("dtend", last + timedelta(days=1))
    return item


def event_calendar(event: Event, target: str) -> bytes:
    """Return the event's days and its cut-off as one calendar file."""
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    where = f"{event.name}, {event.water.name}"
    limit = f"Limit {event.limit_number} fish." if event.limit_number else ""
    length = f"At least {event.minimum_length_mm} mm." if event.minimum_length_mm else ""
    told = " ".join(part for part in (f"Target: {target}.", limit, length, event.rules_url) if part)
    calendar.add_component(
        _days(_item(event, "fishing", where, told), event.fishing_from, event.fishing_until)
    )
    for part, word, first, last in (
        ("practice", "Practice", event.practice_from, event.practice_until),
        ("off-limits", "Off limits", event.off_limits_from, event.off_limits_until),
    ):
        if first and last:
            calendar.add_component(_days(_item(event, part, f"{word}: {where}", ""), first, last))
    cutoff = _item(
        event,
        "cut-off",
        f"Information cut-off: {where}",
        "Until it ends, whoever is entered sees the water as it stood when this begins; so do guests and the"
        " public.",
    )
    cutoff.add("dtstart", event.cutoff_at)
    cutoff.add("dtend", event.ends_at)
    cutoff.add("transp", "TRANSPARENT")
    calendar.add_component(cutoff)
    return bytes(calendar.to_ical())
