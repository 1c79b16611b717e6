"""Every exact position that leaves is written down: once for each viewer, spot, channel and day."""

import uuid
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.db import ProgrammingError, connection
from django.test import Client
from django.utils import timezone

from spots.disclosure_models import NOBODY, Channel, Disclosure
from spots.precision import released_spots
from tests.conftest import Cast, Places, see

Row = tuple[uuid.UUID, uuid.UUID, str]


def log() -> set[Row]:
    rows = list(Disclosure.objects.values_list("viewer_id", "spot_id", "channel"))
    assert len(rows) == len(set(rows))
    return set(rows)


@pytest.mark.parametrize(
    ("address", "channel"),
    [
        ("/spots/{}/", "page"),
        ("/api/spots/{}/", "api"),
        ("/api/spots/", "api"),
        ("/api/spots/?view=chart", "chart"),
        ("/?view=list", "chart"),
        ("/export/spots.gpx", "export"),
        ("/export/spots.gpx?spot={}", "export"),
        ("/export/looks.csv", "export"),
    ],
)
def test_every_way_out_is_logged_once_a_day(
    cast: Cast, places: Places, client_of: Callable[..., Client], address: str, channel: str
) -> None:
    client = client_of("newcomer")
    for _ in range(3):
        assert client.get(address.format(places.shared.pk)).status_code == 200
    assert log() == {(cast.newcomer.pk, places.shared.pk, channel)}


@pytest.mark.parametrize(
    "address", ["/spots/{}/panel/", "/api/spots/{}/history/", "/log/?spot={}", "/log/spots/", "/waters/"]
)
def test_a_page_without_a_position_is_no_disclosure(
    places: Places, client_of: Callable[..., Client], address: str
) -> None:
    answer = client_of("newcomer").get(address.format(places.shared.pk))
    assert answer.status_code == 200
    assert b"45.044" not in answer.content
    assert log() == set()


def test_owners_reading_their_own_spots_is_no_disclosure(
    places: Places, cast: Cast, client_of: Callable[..., Client]
) -> None:
    for persona, spot in (("member", places.private), ("teammate", places.team), ("organiser", places.club)):
        client = client_of(persona)
        assert b"Canary" in client.get("/api/spots/").content
        client.get(f"/spots/{spot.pk}/")
        client.get("/export/spots.gpx")
    assert {row for row in log() if row[1] != places.shared.pk} == set()
    assert cast.organiser.pk not in {row[0] for row in log()}


def test_a_zone_and_a_spot_without_a_position_are_no_disclosure(
    places: Places, cast: Cast, client_of: Callable[..., Client]
) -> None:
    client = client_of("newcomer")
    client.get(f"/spots/{places.club.pk}/")  # an area to members
    places.shared.position.delete()
    client.get(f"/spots/{places.shared.pk}/")
    client.get("/api/spots/")
    assert log() == set()


def test_the_public_is_logged_as_nobody(places: Places) -> None:
    places.shared.grants.filter(audience="public").update(level=3)
    cursor = connection.cursor()
    cursor.execute("UPDATE club_audiencepolicy SET ceiling_level = 3 WHERE audience = 'public'")
    for _ in range(2):
        assert b"45.044379" in Client().get("/api/spots/").content
    assert log() == {(NOBODY, places.shared.pk, "api")}


def test_another_day_and_another_channel_are_other_rows(cast: Cast, places: Places) -> None:
    noon = timezone.now().replace(hour=12, minute=0)
    for moment in (noon, noon + timedelta(minutes=1), noon + timedelta(days=1)):
        for channel in (Channel.PAGE, Channel.PRINT, Channel.PAGE):
            with see(cast, "newcomer", moment):
                released_spots(channel=channel)
    days = (noon.date(), noon.date() + timedelta(days=1))
    assert set(Disclosure.objects.values_list("day", "channel")) == {
        (day, channel) for day in days for channel in ("page", "print")
    }
    assert Disclosure.objects.count() == 4
    assert Disclosure.objects.order_by("at").values_list("at", flat=True)[0] == noon


def test_an_answer_that_failed_disclosed_nothing(
    places: Places, client_of: Callable[..., Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*args: Any, **more: Any) -> None:
        raise RuntimeError

    monkeypatch.setattr("observations.pages.minimap", fails)
    client = client_of("newcomer", raise_request_exception=False)
    assert client.get(f"/spots/{places.shared.pk}/").status_code == 500
    assert log() == set()


@pytest.fixture
def logged(cast: Cast, places: Places, client_of: Callable[..., Client]) -> Places:
    """The newcomer and the rival have each been shown the club's shared spot, and the rival the member's."""
    places.private.grants.create(audience=f"member:{cast.rival.pk}", level=3, owner=places.private.owner)
    client_of("newcomer").get("/api/spots/")
    client_of("rival").get("/api/spots/")
    return places


@pytest.mark.parametrize(
    ("persona", "sees"),
    [
        ("organiser", {("newcomer", "shared"), ("rival", "shared")}),
        ("member", {("rival", "private")}),
        ("newcomer", {("newcomer", "shared")}),
        ("rival", {("rival", "shared"), ("rival", "private")}),
        ("teammate", set()),
        ("guest", set()),
        ("nobody", set()),
    ],
)
def test_the_log_is_shown_to_the_viewer_and_to_the_owner(
    cast: Cast, logged: Places, persona: str, sees: set[tuple[str, str]]
) -> None:
    with see(cast, persona):
        seen = set(Disclosure.objects.values_list("viewer_id", "spot_id"))
    assert seen == {(getattr(cast, who).pk, getattr(logged, what).pk) for who, what in sees}


@pytest.mark.parametrize("persona", ["organiser", "member", "rival"])
def test_the_log_can_only_grow(cast: Cast, logged: Places, persona: str) -> None:
    for change in ("UPDATE spots_disclosure SET day = day - 1", "DELETE FROM spots_disclosure"):
        with pytest.raises(ProgrammingError, match="permission denied"), see(cast, persona):
            connection.cursor().execute(change)
    assert len(log()) == 3


def test_nobody_writes_a_disclosure_to_another(cast: Cast, logged: Places) -> None:
    now = timezone.now()
    row = {"spot_id": logged.shared.pk, "channel": "page", "at": now, "counts": False}
    for viewer, day in ((cast.member.pk, now.date()), (cast.rival.pk, now.date() - timedelta(days=1))):
        with pytest.raises(ProgrammingError, match="row-level security"), see(cast, "rival", now):
            Disclosure.objects.create(viewer_id=viewer, day=day, **row)


def test_the_log_holds_no_coordinates() -> None:
    kinds = {field.get_internal_type() for field in Disclosure._meta.get_fields()}
    assert kinds == {"BigAutoField", "UUIDField", "CharField", "DateField", "DateTimeField", "BooleanField"}


def test_positions_are_read_in_one_module() -> None:
    """A way out that forgot the log would have to read positions itself: only these files name their table."""
    root = Path(__file__).resolve().parents[2]
    names = {
        path.relative_to(root).as_posix()
        for app in ("club", "spots", "observations")
        for path in (root / app).rglob("*.py")
        if "migrations" not in path.parts
        and any(sign in path.read_text() for sign in ("spots_position", "Position.objects", ".position."))
    }
    assert names == {
        "spots/policies.py",  # the rules on the table
        "spots/precision.py",  # the way out
        "spots/removal_policies.py",  # empties those that an owner takes back
        "spots/services.py",  # the owner's writing
        "observations/bench/federation.py",  # seeds invented spots, in a database of its own
    }
