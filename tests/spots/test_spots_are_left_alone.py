"""An owner lets a spot rest; who sees the exact place sees until when and what it waits for, and nobody else."""

import json
from collections.abc import Callable
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.test import Client
from django.utils import timezone

from club.models import Member
from club.units import Units
from spots.models import Grant, Sheet
from spots.resting import ComeBack, check_rest, come_back_words
from tests.conftest import Cast, Places

pytestmark = pytest.mark.django_db
SOON = (timezone.now() + timedelta(days=40)).date()


def on_the_chart(client: Client, places: Places) -> str | None:
    features = json.loads(client.get(f"/api/spots/?water={places.club.water_id}").content)["features"]
    kept = {f["id"]: f["properties"]["rest_until"] for f in features}
    return kept.get(str(places.private.pk), "not there")


def test_the_owner_says_so_and_the_exact_viewer_reads_it(
    places: Places, client_of: Callable[..., Client]
) -> None:
    Grant.objects.filter(spot=places.private).exclude(audience__startswith="member:").delete()
    Grant.objects.create(spot=places.private, audience="members", level=2, owner=places.private.owner)
    owner, rival = client_of("member"), client_of("rival")
    page = f"/spots/{places.private.pk}/rest/"
    assert owner.get(page).status_code == 200
    sent = {"until": SOON.isoformat(), "level_from_m": "-1", "sight_from_m": "2", "wind": "south, light"}
    assert owner.post(page, sent).status_code == 302
    sheet = owner.get(f"/spots/{places.private.pk}/").content.decode()
    assert f"Resting until {SOON.day} {SOON:%B %Y}" in sheet
    assert "pool at least" in sheet and "south, light" in sheet
    assert on_the_chart(owner, places) == SOON.isoformat()
    assert on_the_chart(rival, places) is None  # sees the zone
    assert b"esting" not in rival.get(f"/spots/{places.private.pk}/").content
    for method in (rival.get, rival.post):
        assert method(page).status_code == 404


def test_it_ends_by_itself_and_can_be_ended(places: Places, client_of: Callable[..., Client]) -> None:
    owner, page = client_of("member"), f"/spots/{places.private.pk}/rest/"
    Sheet.objects.filter(pk=places.private.pk).update(rest_until=timezone.now().date())
    assert on_the_chart(owner, places) is None
    owner.post(page, {"until": SOON.isoformat()})
    assert on_the_chart(owner, places) == SOON.isoformat()
    owner.post(page, {})
    assert on_the_chart(owner, places) is None


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("until", "2020-01-01", "2020-01-01 must be a day after today"),
        ("until", "2099-01-01", "within five years"),
        ("until", "soon", "valid date"),
        ("level_from_m", "nan", "number"),
        ("level_from_m", "900", "must lie between -60 and 30"),
        ("temp_to_c", "1e999", "number"),
        ("sight_from_m", "-3", "must lie between 0 and 30"),
        ("wind", "x" * 81, "at most 80 characters"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_kept(
    places: Places, client_of: Callable[..., Client], field: str, value: str, says: str
) -> None:
    answer = client_of("member").post(f"/spots/{places.private.pk}/rest/", {"wind": "north", field: value})
    assert answer.status_code == 400
    assert says in answer.content.decode()
    kept = Sheet.objects.get(pk=places.private.pk)
    assert (kept.rest_until, kept.come_back) == (None, {})


def test_what_cannot_be_is_said_in_the_units_that_it_was_typed_in(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    Member.objects.filter(pk=cast.member.pk).update(length_unit="ft", temperature_unit="F")
    slips = {
        "level_from_m": "300",
        "temp_from_c": "70",
        "temp_to_c": "50",
    }
    page = client_of("member").post(f"/spots/{places.private.pk}/rest/", slips).content.decode()
    assert "300 is not possible: it must lie between -196.9 and 98.4." in page
    assert "50 is less than 70: the higher one comes second." in page


def test_the_lower_end_comes_first() -> None:
    with pytest.raises(ValidationError, match="the higher one comes second"):
        check_rest(None, ComeBack(temp_from_c=20, temp_to_c=10), date(2026, 1, 1))


def test_it_is_said_in_the_readers_units() -> None:
    feet = Units(length="ft", temperature="F", weight="lb")
    kept = {"level_from_m": -1.524, "level_to_m": 0.0, "temp_to_c": 10.0, "sight_from_m": 1.524}
    assert come_back_words(kept, feet) == [
        "pool from 5\u00a0ft below full pool to at full pool",
        "water no higher than 50\u00a0°F",
        "a white disc is seen 5\u00a0ft down, or deeper",
    ]
    assert come_back_words({}, feet) == come_back_words(None, feet) == []
