"""`/api/events/`: public, as the schema says, without who is entered."""

from collections.abc import Callable

from django.test import Client

from spots.models import Water
from tests.conftest import Cast
from tests.spots.event_kit import enter, make_event


def test_events_are_read_by_all_and_say_to_each_whether_they_are_entered(
    water: Water, cast: Cast, client_of: Callable[..., Client]
) -> None:
    event = make_event(water)
    enter(event, cast.captain, cast.alder)
    for persona, entered in (("nobody", False), ("guest", False), ("rival", False), ("captain", True)):
        client = client_of(persona)
        (row,) = client.get("/api/events/").json()
        assert row == client.get(f"/api/events/{event.pk}/").json()
        assert (row["water"], row["target"]) == (
            {"id": str(water.pk), "name": "Test water", "timezone": "America/Chicago"},
            {"id": "largemouth-bass", "name": "largemouth bass"},
        )
        assert row["cutoff_at"] == "2026-09-01T05:00:00Z"
        assert row["entered"] is entered
        assert "Captain" not in str(row) and "Alder" not in str(row)


def test_events_of_one_water_and_what_is_no_water(
    water: Water, cast: Cast, client_of: Callable[..., Client]
) -> None:
    make_event(water)
    client = client_of("nobody")
    assert len(client.get(f"/api/events/?water={water.pk}").json()) == 1
    assert client.get("/api/events/?water=00000000-0000-4000-8000-000000000000").json() == []
    answer = client.get("/api/events/?water=Marrowby")
    assert answer.status_code == 400 and "not the id of a water" in answer.json()["water"][0]
    assert client.get("/api/events/00000000-0000-4000-8000-000000000000/").status_code == 404
