"""A certificate lists what was opened from the cut-off to the end, names no position, and cannot be altered."""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client

from spots.certificates import is_ours
from spots.disclosure_models import Disclosure
from spots.event_models import Entry, Event
from tests.conftest import Cast, Places
from tests.leaks.positions import Canary, finds
from tests.spots.event_kit import AFTER, BEFORE, CUTOFF, DURING, ENDS, enter, make_event

Clients = Callable[..., Client]


def opened(person: Any, spot: Any, at: datetime) -> None:
    Disclosure.objects.create(
        viewer_id=person.pk,
        spot_id=spot.pk,
        channel="page",
        day=at.astimezone(UTC).date(),
        at=at,
        counts=False,
    )


@pytest.fixture
def event(places: Places, cast: Cast) -> Event:
    event = make_event(places.club.water, created_by=cast.organiser)
    enter(event, cast.rival, cast.bittern)
    enter(event, cast.teammate, cast.alder)
    enter(event, cast.captain, cast.alder)
    return event


def text_of(client: Client, event: Event, query: str = "") -> str:
    with time_machine.travel(AFTER, tick=False):
        answer = client.get(f"/events/{event.pk}/certificate.txt{query}")
    assert answer.status_code == 200
    return answer.content.decode()


def test_it_lists_what_was_opened_between_the_cutoff_and_the_end_and_nothing_else(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    """Midnight in Chicago, when the cut-off falls, is 05:00 UTC: that UTC day has hours on both sides."""
    for at in (BEFORE, CUTOFF - timedelta(hours=2), DURING, ENDS + timedelta(minutes=1)):
        opened(cast.rival, places.shared, at)
    opened(cast.checker, places.shared, DURING)
    lines = [line for line in text_of(client_of("rival"), event).splitlines() if line.startswith("- ")]
    assert lines == [
        "- 2026-08-31 22:00  Rival: Canary Shared Pile, by spot sheet"
        " (before the cut-off; whether again that day is not kept)",
        "- 2026-09-03 00:00  Rival: Canary Shared Pile, by spot sheet",
    ]


def test_it_holds_no_position_and_no_spot_that_is_not_the_readers(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    opened(cast.rival, places.shared, DURING)
    opened(cast.rival, places.private, DURING)
    text = text_of(client_of("rival"), event)
    assert "Canary Shared Pile" in text
    assert not finds(text.encode(), Canary("no such name", -93.265951, 45.044379))
    assert "Private" not in text
    assert "besides, 1 of spots that are no longer shown to Rival" in text


def test_a_captain_gets_the_teams_and_nobody_elses(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    opened(cast.teammate, places.shared, DURING)
    opened(cast.rival, places.shared, DURING)
    text = text_of(client_of("captain"), event, "?team")
    assert "Teammate: Canary Shared Pile" in text
    assert "Rival" not in text
    with time_machine.travel(AFTER, tick=False):
        assert client_of("teammate").get(f"/events/{event.pk}/certificate/?team").status_code == 404
        for persona in ("member", "organiser", "checker"):
            assert client_of(persona).get(f"/events/{event.pk}/certificate/").status_code == 404, persona


def test_there_is_none_before_the_cutoff(event: Event, client_of: Clients) -> None:
    with time_machine.travel(BEFORE, tick=False):
        assert client_of("rival").get(f"/events/{event.pk}/certificate/").status_code == 404


def test_what_was_given_checks_and_a_changed_word_does_not(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    opened(cast.rival, places.shared, DURING)
    text = text_of(client_of("rival"), event)
    assert is_ours(text, event)
    # Copying and mail change these.
    assert is_ours("\n  \n" + text.replace("\n", "\r\n").replace("Rival\r", "Rival  \r") + "\r\n", event)
    row = re.search(r"^- .*\n", text, re.M)
    assert row
    for changed in (
        text.replace(row[0], "- none\n"),
        text.replace("Rival", "River"),
        text.replace("2026-09-03", "2026-08-30"),
        text.replace("Signature: ", "Signature: A"),
        text.rsplit("Signature: ", 1)[0],
        "Signature: ",
        "",
    ):
        assert changed != text
        assert not is_ours(changed, event)
    other = make_event(event.water, name="Another")
    assert not is_ours(text, other)


def test_the_json_checks_too_and_not_when_changed(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    opened(cast.rival, places.shared, DURING)
    with time_machine.travel(AFTER, tick=False):
        raw = client_of("rival").get(f"/events/{event.pk}/certificate.json").content.decode()
    body = json.loads(raw)
    assert [row["spot"] for row in body["openings"]] == ["Canary Shared Pile"]
    assert is_ours(raw, event)
    assert is_ours(json.dumps(body), event), "spacing says nothing"
    for change in ({"openings": []}, {"whole": not body["whole"]}, {"signature": ""}, {"more": 1}):
        assert not is_ours(json.dumps({**body, **change}), event)
    for odd in ("{}", '{"event": 1, "signature": ""}', "{" * 5000, "[]"):
        assert not is_ours(odd, event)


def test_anybody_checks_a_certificate_on_its_page(event: Event, client_of: Clients) -> None:
    text = text_of(client_of("rival"), event)
    client = client_of("nobody")
    path = f"/events/{event.pk}/certificate/check/"
    assert "no word of it was changed" in client.post(path, {"text": text}).content.decode()
    assert (
        "did not give this text" in client.post(path, {"text": text.replace("Rival", "R")}).content.decode()
    )
    assert client.post(path, {"text": " "}).status_code == 422


def test_a_name_cannot_write_a_line_of_its_own(event: Event, cast: Cast, client_of: Clients) -> None:
    Event.objects.filter(pk=event.pk).update(name="Open\nAngler: Nobody, who opened nothing")
    event.refresh_from_db()
    text = text_of(client_of("rival"), event)
    assert "\nAngler: Nobody" not in text
    assert is_ours(text, event)


def test_who_acts_for_the_event_sees_what_a_late_entrant_opened_as_far_as_they_may(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    Event.objects.filter(pk=event.pk).update(deputy=cast.newcomer)
    asks = Entry.objects.create(event=event, member=cast.member, entered_at=DURING, late=True)
    for spot in (places.shared, places.team):
        opened(cast.member, spot, DURING)
    opened(cast.checker, places.shared, DURING)
    with time_machine.travel(DURING + timedelta(hours=1), tick=False):
        page = client_of("newcomer").get(f"/events/{event.pk}/late/")
        ((entry, found),) = page.context["waiting"]
        assert entry == asks
        assert [row.spot for row in found.rows] == ["Canary Shared Pile"]
        assert b"Team Ledge" not in page.content
        for persona in ("checker", "rival"):
            assert client_of(persona).get(f"/events/{event.pk}/late/").context["waiting"] == []
            # Nor by the database, whatever a page would ask.
    from tests.conftest import see

    for persona, rows in (("newcomer", 1), ("organiser", 1), ("checker", 0), ("rival", 0), ("nobody", 0)):
        with see(cast, persona, DURING + timedelta(hours=1)):
            assert Disclosure.objects.filter(viewer_id=cast.member.pk).count() == rows, persona
