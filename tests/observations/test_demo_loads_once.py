"""The command that loads the demo club: whole, once, and never into a real club's database."""

import io
import time
from collections.abc import Callable

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.utils import timezone

from club.models import Club, Member
from observations.demo.people import PEOPLE, password
from observations.demo.simulate import simulate
from observations.marking_models import Mark
from observations.models import Confirmation, Due, Finding, Observation, Picture, Trip
from observations.pictures import content_of
from spots.event_models import Event
from spots.models import Position, Spot, SpotZone, Water

pytestmark = pytest.mark.django_db


def load() -> str:
    out = io.StringIO()
    call_command("load_demo", stdout=out)
    return out.getvalue()


def test_the_demo_is_loaded_whole_and_a_second_time_nothing_happens(
    client: Client, django_capture_on_commit_callbacks: Callable[..., object]
) -> None:
    load()
    demo = simulate()
    assert Club.objects.get().is_demo
    assert Water.objects.get(name="Lake Marrowby").area_ha > 2_500  # type: ignore[operator]
    assert Spot.objects.count() == Position.objects.count() == len(demo.spots)
    assert SpotZone.objects.filter(minimum_ha=250).count() >= 150
    assert Observation.objects.count() == len(demo.looks)
    assert Confirmation.objects.count() == len(demo.confirmations)
    assert Picture.objects.count() == len(demo.pictures)
    assert all(content_of(picture) for picture in Picture.objects.all()[:5])
    assert Finding.objects.exclude(verified_at=None).count() > 300
    # Some pictures are drawn and measured on, by the fish's own length.
    assert set(Mark.objects.values_list("kind", flat=True)) >= {"fish", "bottom", "length"}
    for mark in Mark.objects.filter(kind="length").select_related("picture__finding"):
        assert mark.picture.finding and mark.low and mark.high
        assert mark.low < mark.picture.finding.lengths_mm[0] < mark.high
    over, coming = Event.objects.order_by("ends_at")
    assert over.ends_at < timezone.now() < coming.cutoff_at
    assert coming.entries.values("team").distinct().count() == 3, "two teams, and one alone"
    # A day of `member`'s waits to be decided: stops at their own spots, waypoints, pictures.
    trip = Trip.objects.get(track__isnull=False)
    laid = trip.drafts.filter(kind="stop").exclude(spot=None)
    assert trip.member.username == "member"
    assert len(set(laid.values_list("spot_id", flat=True))) == laid.count() >= 5
    assert trip.drafts.filter(kind="waypoint").count() == 2
    assert trip.debrief_pictures.exclude(draft=None).count() == 3
    # What is due for the worker is every spot: those without looks have a history too.
    assert Due.objects.count() == len(demo.spots)
    for person in PEOPLE:
        if person.persona:
            assert client.login(username=person.username, password=password(person)), person.username
        else:
            assert not Member.objects.get(username=person.username).has_usable_password()

    start = time.process_time()
    assert "already" in load()
    assert time.process_time() - start < 1
    assert Observation.objects.count() == len(demo.looks)


def test_a_real_clubs_database_is_refused() -> None:
    Club.objects.update_or_create(id=1, defaults={"name": "A club", "is_demo": False})
    Member.objects.create_user("someone", "secret-word", name="Someone")
    with pytest.raises(CommandError, match="A club"):
        load()
    assert not Water.objects.exists()
