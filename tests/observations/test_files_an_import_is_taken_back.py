"""An import is taken back as a whole, while nothing that its member can see rests on it; and only by them."""

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from django.db import DatabaseError, connection, transaction
from django.test import Client

from observations.import_models import ImportRecord
from observations.models import Observation
from spots.disclosure_models import Channel
from spots.level_models import PoolLevel
from spots.models import Grant, Position, Sheet, Spot, SpotZone, Water
from spots.precision import released_spots
from tests.conftest import Cast, look, see, sonar
from tests.observations.files_kit import csv_of, gpx_of, imported, sonar_row

ClientOf = Callable[..., Client]
pytestmark = pytest.mark.usefixtures("quiet_queue")
GPX = gpx_of((45.01, -93.29, "One"), (45.02, -93.28, "Two"))
NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)


def take_back(client: Client) -> int:
    return client.post(f"/import/{ImportRecord.objects.get(undone_at=None).pk}/").status_code


def test_spots_go_with_all_that_told_their_place(cast: Cast, water: Water, client_of: ClientOf) -> None:
    imported(cast.organiser, "a.gpx", GPX)
    client = client_of("organiser")
    assert "2 spots" in client.get("/import/").content.decode()
    assert take_back(client) == 302
    assert not any(model.objects.exists() for model in (Position, Sheet, Grant, SpotZone))
    for persona in ("organiser", "newcomer", "nobody"):
        with see(cast, persona):
            assert not Spot.objects.exists() and released_spots(channel=Channel.UNSEEN) == []
    # The file can come again, as new spots.
    imported(cast.organiser, "a.gpx", GPX)
    with see(cast, "organiser"):
        assert len(released_spots(channel=Channel.UNSEEN)) == 2


def test_looks_are_kept_as_taken_back_and_can_come_again(
    cast: Cast, water: Water, client_of: ClientOf
) -> None:
    data = csv_of(sonar_row(water="Test water", call="bluegill", observer="Checker"))
    imported(cast.organiser, "a.csv", data)
    assert take_back(client_of("organiser")) == 302
    (old,) = Observation.objects.all()
    assert old.withdrawn_at is not None and old.observer == cast.checker
    plan = imported(cast.organiser, "a.csv", data)
    assert [len(plan.looks.looks), len(plan.spots.drafts)] == [1, 1]


def test_what_somebody_built_on_it_keeps_it(cast: Cast, water: Water, client_of: ClientOf) -> None:
    imported(cast.captain, "a.gpx", GPX, scope="team")
    spot = Sheet.objects.get(name="One").spot
    look(cast, "teammate", spot, "2d", NOON, groups=sonar(), scope=f"team:{cast.alder.pk}")
    client = client_of("captain")
    page = client.get(f"/import/{ImportRecord.objects.get().pk}/").content.decode()
    assert "1 look was logged since at its spots." in page and "Take this import back" not in page
    assert take_back(client) == 409 and Position.objects.count() == 2


def test_a_look_that_its_member_cannot_see_neither_stops_it_nor_is_told(
    cast: Cast, water: Water, client_of: ClientOf
) -> None:
    """Twins: with and without a rival's private look at a spot of the import."""
    answers = []
    for private in (False, True):
        imported(cast.organiser, "a.gpx", GPX)
        spot = Sheet.objects.get(name="One").spot
        Grant.objects.filter(spot=spot, audience="members").update(level=3)
        if private:
            look(cast, "rival", spot, "2d", NOON, groups=sonar(), scope=f"member:{cast.rival.pk}")
        client = client_of("organiser")
        record = ImportRecord.objects.get(undone_at=None)
        page = client.get(f"/import/{record.pk}/").content.decode().replace(str(record.pk), "")
        answers.append(
            (page[page.index("<h1") : page.index("<form")], take_back(client), Position.objects.count())
        )
    assert answers[0] == answers[1]
    assert Observation.objects.get().withdrawn_at is None, "the rival's look is the rival's"


def test_nobody_takes_back_anothers(cast: Cast, water: Water, client_of: ClientOf) -> None:
    imported(cast.organiser, "a.gpx", GPX)
    key = ImportRecord.objects.get().pk
    for persona in ("member", "rival"):
        assert client_of(persona).post(f"/import/{key}/").status_code == 404
        with (
            see(cast, persona),
            pytest.raises(DatabaseError),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute("SELECT observations_undo_import(%s)", [key])
    assert Position.objects.count() == 2


def test_a_forged_record_touches_nothing_that_it_did_not_create(cast: Cast, water: Water) -> None:
    imported(cast.organiser, "a.gpx", GPX)
    spot = Sheet.objects.get(name="One").spot
    Grant.objects.filter(spot=spot, audience="members").update(level=3)
    seen = look(cast, "rival", spot, "2d", NOON, groups=sonar())
    with see(cast, "rival"), connection.cursor() as cursor:
        forged = ImportRecord.objects.create(
            member=cast.rival, at=spot.created_at, name="x", kind="spots", words="x",
            spots=list(Spot.objects.values_list("pk", flat=True)), looks=[seen.pk],
        )  # fmt: skip
        cursor.execute("SELECT observations_undo_import(%s)", [forged.pk])
    assert Position.objects.count() == 2 and Observation.objects.get().withdrawn_at is None


def test_levels_are_taken_back_to_what_they_were(cast: Cast, water: Water, client_of: ClientOf) -> None:
    imported(cast.organiser, "a.csv", b"at,level_m\n2026-06-01,-1\n", water="Test water")
    imported(
        cast.organiser,
        "b.csv",
        b"at,level_m\n2026-06-01,-2\n2026-06-02,-3\n",
        water="Test water",
        replace=True,
    )
    newer, older = ImportRecord.objects.order_by("-at")
    client = client_of("organiser")
    assert client.post(f"/import/{newer.pk}/").status_code == 302
    assert list(PoolLevel.objects.values_list("level_m", flat=True)) == [-1.0]
    imported(cast.organiser, "b.csv", b"at,level_m\n2026-06-01,-2\n", water="Test water", replace=True)
    assert "1 of its readings was replaced" in client.post(f"/import/{older.pk}/").content.decode()
    assert list(PoolLevel.objects.values_list("level_m", flat=True)) == [-2.0]
