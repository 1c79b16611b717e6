"""An event leaves for a calendar as RFC 5545 asks, and says no more than its water's name."""

import uuid
from datetime import UTC, date, datetime

import pytest
from icalendar import Calendar

from spots.event_calendar import event_calendar
from spots.event_models import Event
from spots.models import Water

MADE = datetime(2026, 8, 1, 12, 30, 5, 250, tzinfo=UTC)


def event(**more: object) -> Event:
    fields: dict[str, object] = {
        "id": uuid.UUID("7d5c1f2a-0f0b-4c51-8f35-0c9d2b1f6a11"),
        "name": "Autumn Open",
        "water": Water(name="Lake Marrowby", time_zone="America/Chicago"),
        "target": "largemouth-bass",
        "fishing_from": date(2026, 10, 17),
        "fishing_until": date(2026, 10, 18),
        "cutoff_at": datetime(2026, 10, 10, 23, 0, tzinfo=UTC),
        "ends_at": datetime(2026, 10, 18, 22, 0, tzinfo=UTC),
        "created_at": MADE,
        "limit_number": 5,
    }
    return Event(**{**fields, **more})


def test_the_file_reads_back_as_what_went_in() -> None:
    parsed = Calendar.from_ical(event_calendar(event(), "largemouth bass"))
    assert parsed["VERSION"] == "2.0" and parsed["PRODID"]
    fishing, cutoff = parsed.walk("VEVENT")
    assert fishing["SUMMARY"] == "Autumn Open, Lake Marrowby"
    # RFC 5545, 3.6.1: DTEND is exclusive.
    assert (fishing.decoded("DTSTART"), fishing.decoded("DTEND")) == (date(2026, 10, 17), date(2026, 10, 19))
    assert cutoff.decoded("DTSTART") == datetime(2026, 10, 10, 23, 0, tzinfo=UTC)
    assert cutoff.decoded("DTEND") == datetime(2026, 10, 18, 22, 0, tzinfo=UTC)


def test_each_line_is_what_rfc_5545_says_of_lines() -> None:
    """3.1: CRLF ends each line, and none is longer than 75 octets without its end."""
    raw = event_calendar(event(name="Ünder the Älders, " * 4), "largemouth bass")
    assert raw.endswith(b"\r\n")
    lines = raw[:-2].split(b"\r\n")
    assert all(b"\n" not in line and b"\r" not in line and len(line) <= 75 for line in lines)
    for line in lines:
        line.decode()  # a fold never cuts a character
    assert lines[0] == b"BEGIN:VCALENDAR" and lines[-1] == b"END:VCALENDAR"


@pytest.mark.parametrize("name", ["A; B, C \\ D", "X\r\nBEGIN:VALARM\r\nACTION:AUDIO", 'Q "quoted": y'])
def test_a_name_stays_a_name(name: str) -> None:
    """3.3.11: commas, semicolons, backslashes and line ends in text are escaped."""
    raw = event_calendar(event(name=name), "largemouth bass")
    fishing, cutoff = Calendar.from_ical(raw).walk("VEVENT")
    assert fishing["SUMMARY"].replace("\r\n", "\n") == f"{name}, Lake Marrowby".replace("\r\n", "\n")
    assert not fishing.subcomponents and not cutoff.subcomponents
    unfolded = raw.replace(b"\r\n ", b"")
    assert b"\r\nBEGIN:VALARM" not in unfolded and b"\r\nACTION" not in unfolded


def test_its_parts_keep_their_ids_and_no_two_share_one() -> None:
    """3.8.4.7: UID is persistent and globally unique; a second download is the same file."""
    whole = event(
        practice_from=date(2026, 10, 16), practice_until=date(2026, 10, 16),
        off_limits_from=date(2026, 10, 10), off_limits_until=date(2026, 10, 15),
    )  # fmt: skip
    first = event_calendar(whole, "largemouth bass")
    assert first == event_calendar(whole, "largemouth bass")
    uids = [item["UID"] for item in Calendar.from_ical(first).walk("VEVENT")]
    assert len(uids) == len(set(uids)) == 4
    moved = event_calendar(event(fishing_until=date(2026, 10, 19)), "largemouth bass")
    assert Calendar.from_ical(moved).walk("VEVENT")[0]["UID"] == uids[0]


def test_no_place_is_in_it() -> None:
    raw = event_calendar(event(), "largemouth bass")
    assert b"GEO" not in raw and b"LOCATION" not in raw
