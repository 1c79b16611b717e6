"""What happens when the last two free organisers enter an event at the same moment."""

from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from club.models import Club, Member
from observations.models import Species
from spots.event_models import Entry
from spots.models import Water
from tests.club.test_people_races import at_once
from tests.spots.event_kit import make_event

pytestmark = pytest.mark.django_db(transaction=True)


def test_one_of_two_organisers_stays_free_to_act() -> None:
    Club.objects.create(name="Test club")
    Species.objects.get_or_create(code="largemouth-bass", defaults={"name": "largemouth bass"})
    now = timezone.now()
    event = make_event(
        Water.objects.create(name="Test water"),
        cutoff_at=now + timedelta(days=2),
        ends_at=now + timedelta(days=9),
    )
    people = [
        Member.objects.create_user(name, "perch in the reeds", name=name, role="organiser")
        for name in ("first", "second")
    ]
    clients = [Client(), Client()]
    for client, member in zip(clients, people, strict=True):
        client.force_login(member)

    def enter(n: int) -> int:
        return clients[n].post(f"/events/{event.pk}/enter/", {"team": ""}).status_code

    assert at_once(2, enter) == [302, 302]
    assert Entry.objects.count() == 1
