"""The pages of events: what each persona reads and may do, and what is said when something does not fit."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.utils import timezone

from observations import jobs
from spots.event_models import Entry, Event
from spots.models import Water
from tests.conftest import Cast, Places, found, look
from tests.spots.event_kit import BEFORE, CUTOFF, DURING, ENDS, enter, make_event

Clients = Callable[..., Client]


@pytest.fixture
def event(water: Water, cast: Cast) -> Event:
    return make_event(water, created_by=cast.organiser, allowed_sources="Published maps only.")


@pytest.fixture
def at_before() -> Iterator[None]:
    with time_machine.travel(BEFORE, tick=False):
        yield


@pytest.fixture
def at_during() -> Iterator[None]:
    with time_machine.travel(DURING, tick=False):
        yield


def typed(water: Water, **more: Any) -> dict[str, Any]:
    return {
        "name": "Spring Open",
        "water": water.pk,
        "target": "largemouth-bass",
        "fishing_from": "2026-10-17",
        "fishing_until": "2026-10-18",
        "cutoff_at": "2026-10-10T18:00",
        "ends_at": "2026-10-18T17:00",
        "limit_number": "5",
        "minimum_length": "380",
        **more,
    }


def test_everybody_reads_the_list_and_an_event(event: Event, client_of: Clients, at_before: None) -> None:
    for persona in ("nobody", "guest", "member"):
        client = client_of(persona)
        assert b"Autumn Open" in client.get("/events/").content
        page = client.get(f"/events/{event.pk}/").content.decode()
        # 05:00 UTC is midnight on the water's own clock, in Chicago in summer.
        assert "Tuesday 1 September 2026, 00:00" in page
        assert "Published maps only." in page


def test_who_is_entered_is_for_members(event: Event, cast: Cast, client_of: Clients, at_before: None) -> None:
    enter(event, cast.captain, cast.alder)
    assert b"Captain" in client_of("rival").get(f"/events/{event.pk}/").content
    for persona in ("nobody", "guest"):
        page = client_of(persona).get(f"/events/{event.pk}/").content
        assert b"Captain" not in page and b"Team Alder" not in page


def test_an_organiser_makes_an_event_in_the_waters_own_time(
    water: Water, client_of: Clients, at_before: None
) -> None:
    answer = client_of("organiser").post("/events/new/", typed(water))
    assert answer.status_code == 302, answer.context["form"].errors
    made = Event.objects.get()
    assert made.cutoff_at.isoformat() == "2026-10-10T23:00:00+00:00"
    assert (made.limit_number, made.minimum_length_mm) == (5, 380)


@pytest.mark.parametrize("persona", ["member", "captain", "guest", "nobody"])
def test_nobody_else_makes_one(water: Water, client_of: Clients, persona: str, at_before: None) -> None:
    answer = client_of(persona).post("/events/new/", typed(water))
    assert answer.status_code in (302, 404)
    assert not Event.objects.exists()


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"cutoff_at": "2026-08-20T18:00"}, "cutoff_at", "20 Aug 2026, 18:00 has passed"),
        ({"cutoff_at": "soon"}, "cutoff_at", '"soon" is not a time'),
        ({"ends_at": "2026-10-10T18:00"}, "ends_at", "does not come after the cut-off"),
        ({"ends_at": "2026-10-17T17:00"}, "ends_at", "before the last fishing day, 18 Oct 2026"),
        ({"cutoff_at": "2026-10-18T06:00"}, "cutoff_at", "after the first fishing day, 17 Oct 2026"),
        ({"fishing_until": "2026-10-16"}, "fishing_until", "16 Oct 2026 comes before the first day"),
        ({"practice_from": "2026-10-12"}, "practice_until", "the first and the last day, or neither"),
        (
            {"practice_from": "2026-10-12", "practice_until": "2026-10-20"},
            "practice_until",
            "after the first fishing day",
        ),
        ({"limit_number": "0"}, "limit_number", "greater than or equal to 1"),
        ({"minimum_length": "4000"}, "minimum_length", "4000 is not possible"),
        ({"target": "black-bass"}, "target", "not one of the available choices"),
        ({"rules_url": "javascript:alert(1)"}, "rules_url", "valid URL"),
    ],
)
def test_what_does_not_fit_is_named_and_nothing_is_saved(
    water: Water, client_of: Clients, change: dict[str, str], field: str, words: str, at_before: None
) -> None:
    answer = client_of("organiser").post("/events/new/", typed(water, **change))
    assert answer.status_code == 422
    assert words in " ".join(answer.context["form"].errors[field])
    assert b"Spring Open" in answer.content, "nothing typed is lost"
    assert not Event.objects.exists()


@pytest.mark.parametrize(
    ("local", "words"),
    [("2027-03-14T02:30", "does not exist there"), ("2026-11-01T01:30", "comes twice there")],
)
def test_a_time_that_summer_time_skips_or_doubles_is_refused(
    water: Water, client_of: Clients, local: str, words: str, at_before: None
) -> None:
    """The United States change their clocks on 14 March 2027 and 1 November 2026 at 02:00 (15 U.S.C. 260a)."""
    day = local[:10]
    typed_in = typed(water, cutoff_at=local, fishing_from=day, fishing_until=day, ends_at=f"{day}T23:00")
    answer = client_of("organiser").post("/events/new/", typed_in)
    assert answer.status_code == 422
    assert words in " ".join(answer.context["form"].errors["cutoff_at"])


def test_once_the_cutoff_has_passed_the_form_leaves_it_and_the_water_alone(
    event: Event, client_of: Clients, at_during: None
) -> None:
    client = client_of("organiser")
    form = client.get(f"/events/{event.pk}/edit/").context["form"]
    values = {name: form.get_initial_for_field(field, name) or "" for name, field in form.fields.items()}
    values |= {"name": "Renamed", "cutoff_at": "2026-09-05T00:00", "ends_at": "2026-09-13T18:00"}
    answer = client.post(f"/events/{event.pk}/edit/", values)
    assert answer.status_code == 302, answer.context["form"].errors
    event.refresh_from_db()
    assert (event.name, event.cutoff_at) == ("Renamed", CUTOFF)
    assert event.ends_at == ENDS + timedelta(hours=1), "later is allowed"
    answer = client.post(f"/events/{event.pk}/edit/", {**values, "ends_at": "2026-09-13T16:00"})
    assert "later than was said, not earlier" in str(answer.context["form"].errors)


def test_a_member_enters_with_a_team_of_theirs_and_out_again(
    event: Event, cast: Cast, client_of: Clients, at_before: None
) -> None:
    client = client_of("teammate")
    client.post(f"/events/{event.pk}/enter/", {"team": cast.alder.pk})
    entry = Entry.objects.get()
    assert (entry.member, entry.team, entry.stands) == (cast.teammate, cast.alder, True)
    client.post(f"/events/{event.pk}/entries/{entry.pk}/withdraw/")
    entry.refresh_from_db()
    assert entry.withdrawn_at == BEFORE
    client.post(f"/events/{event.pk}/enter/", {"team": ""})
    entry.refresh_from_db()
    assert (entry.team, entry.withdrawn_at) == (None, None)


@pytest.mark.parametrize(
    ("persona", "member", "team", "words"),
    [
        ("member", "", "alder", "is not in Team Alder"),
        ("member", "checker", "", "You may enter yourself"),
        ("captain", "rival", "bittern", "You may enter yourself"),
        ("newcomer", "", "", "is the deputy and does not fish"),
        ("organiser", "guest", "", "is not a member of the club"),
    ],
)
def test_an_entry_that_is_not_theirs_to_make_is_refused_in_words(
    event: Event,
    cast: Cast,
    client_of: Clients,
    persona: str,
    member: str,
    team: str,
    words: str,
    at_before: None,
) -> None:
    Event.objects.filter(pk=event.pk).update(deputy=cast.newcomer)
    sent = {
        "member": getattr(cast, member).pk if member else "",
        "team": getattr(cast, team).pk if team else "",
    }
    answer = client_of(persona).post(f"/events/{event.pk}/enter/", sent, follow=True)
    assert words in answer.content.decode()
    assert not Entry.objects.exists()


def test_the_last_free_organiser_is_told_to_name_a_deputy_first(
    event: Event, cast: Cast, client_of: Clients, at_before: None
) -> None:
    client = client_of("organiser")
    assert b"name a deputy before the last organiser enters" in client.get(f"/events/{event.pk}/").content
    answer = client.post(f"/events/{event.pk}/enter/", {"team": ""}, follow=True)
    assert "Name a deputy first" in answer.content.decode()
    assert not Entry.objects.exists()


def test_an_organiser_who_fishes_it_cannot_change_it_and_the_deputy_can(
    event: Event, cast: Cast, client_of: Clients, at_during: None
) -> None:
    Event.objects.filter(pk=event.pk).update(deputy=cast.newcomer)
    enter(event, cast.organiser)
    assert client_of("organiser").get(f"/events/{event.pk}/edit/").status_code == 404
    form = client_of("newcomer").get(f"/events/{event.pk}/edit/")
    assert form.status_code == 200
    assert "deputy" not in form.context["form"].fields, "a deputy does not hand the event on"
    assert client_of("member").get(f"/events/{event.pk}/edit/").status_code == 404


def test_a_late_entry_is_asked_for_and_accepted_by_who_acts(
    event: Event, cast: Cast, client_of: Clients, at_during: None
) -> None:
    asks = client_of("rival")
    assert b"Ask to enter late" in asks.get(f"/events/{event.pk}/late/").content
    asks.post(f"/events/{event.pk}/enter/", {"team": cast.bittern.pk})
    entry = Entry.objects.get()
    assert (entry.late, entry.stands) == (True, False)
    path = f"/events/{event.pk}/entries/{entry.pk}/accept/"
    for persona in ("rival", "captain", "checker"):
        client_of(persona).post(path)
        entry.refresh_from_db()
        assert not entry.stands, persona
    client_of("organiser").post(path)
    entry.refresh_from_db()
    assert entry.stands and entry.accepted_by == cast.organiser


def test_an_event_is_deleted_before_its_cutoff_and_not_after(
    event: Event, cast: Cast, client_of: Clients
) -> None:
    enter(event, cast.captain, cast.alder)
    with time_machine.travel(DURING, tick=False):
        client_of("organiser").post(f"/events/{event.pk}/delete/")
        assert Event.objects.exists()
    with time_machine.travel(BEFORE, tick=False):
        assert client_of("captain").post(f"/events/{event.pk}/delete/").status_code == 404
        client_of("organiser").post(f"/events/{event.pk}/delete/")
    assert not Event.objects.exists() and not Entry.objects.exists()


def test_an_entered_angler_gets_the_water_ranked_from_what_is_theirs_to_see(
    places: Places, cast: Cast, client_of: Clients, quiet_queue: Any
) -> None:
    """The captain's team spot is in the team's table and in nobody else's; below exact, by number and zone."""
    now = timezone.now()
    event = make_event(
        places.club.water,
        fishing_from=now.date() + timedelta(days=8),
        fishing_until=now.date() + timedelta(days=9),
        cutoff_at=now + timedelta(days=3),
        ends_at=now + timedelta(days=10),
    )
    for persona, spot in (("organiser", places.club), ("member", places.shared), ("captain", places.team)):
        look(cast, persona, spot, "camera", now - timedelta(hours=4), minutes=6,
             findings=found("largemouth-bass", 2))  # fmt: skip
    jobs.refit()
    for person, team in ((cast.captain, cast.alder), (cast.rival, cast.bittern)):
        enter(event, person, team)
    own = client_of("captain").get(f"/events/{event.pk}/")
    names = {row.spot.label for row in own.context["ranked"].rows}
    assert {"Canary Team Ledge", "Canary Shared Pile"} <= names
    other = client_of("rival").get(f"/events/{event.pk}/")
    assert "Canary Shared Pile" in {row.spot.label for row in other.context["ranked"].rows}
    text = other.content.decode()
    assert "Canary Team Ledge" not in text and "Canary Club Crib" not in text and "Private" not in text
    assert f"Spot {places.club.number}" in text, "the club's spot, an area for members, goes by its number"
    assert client_of("newcomer").get(f"/events/{event.pk}/").context["ranked"] is None
