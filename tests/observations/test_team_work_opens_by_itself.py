"""A team's looks and new spots of an event open to the club when it ends, with nothing run at that time."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.contrib.gis.geos import Point
from django.db import DatabaseError
from django.test import Client
from django.utils import timezone

from club.models import Member, TeamMembership
from club.viewer import working
from observations import jobs
from observations.evidence import club_taxa, gather
from observations.models import Due, Finding, History, Observation
from observations.proofs import waiting
from spots.event_models import Event
from spots.models import Grant, Spot
from spots.services import SpotDraft, create_spot
from tests.conftest import Cast, Places, found, look, see, sonar
from tests.observations.log_page import errors, post, saved
from tests.spots.event_kit import enter, make_event

Clients = Callable[..., Client]
LONG_AGO = timedelta(days=400)


@pytest.fixture
def event(places: Places, cast: Cast, quiet_queue: Any) -> Event:
    """An event that is on, in a club that is older than it."""
    now = timezone.now()
    Member.objects.update(role_since=now - LONG_AGO)
    TeamMembership.objects.update(since=now - LONG_AGO)
    Grant.objects.update(known_at=now - LONG_AGO)
    Spot.objects.update(created_at=now - LONG_AGO)
    event = make_event(
        places.club.water,
        cutoff_at=now - timedelta(days=2),
        ends_at=now + timedelta(days=2),
        created_at=now - timedelta(days=9),
    )
    people = ((cast.captain, cast.alder), (cast.teammate, cast.alder), (cast.rival, cast.bittern))
    for person, team in people:
        enter(event, person, team, entered_at=now - timedelta(days=5))
    return event


@pytest.fixture
def team_look(event: Event, places: Places, cast: Cast) -> Observation:
    """The captain's camera drop at a spot of the club's, kept in the team."""
    return look(
        cast, "captain", places.shared, "camera", timezone.now() - timedelta(hours=2), minutes=6,
        findings=found("largemouth-bass", 2), scope=f"team:{cast.alder.pk}",
    )  # fmt: skip


def press(client: Client, event: Event, **more: str) -> None:
    assert client.post(f"/events/{event.pk}/opening/", more).status_code == 302


def sees_look(cast: Cast, persona: str, moment: datetime) -> bool:
    with see(cast, persona, moment):
        return Observation.objects.filter(scope__startswith="team:").exists()


def test_a_look_is_the_teams_until_the_event_ends_and_the_clubs_from_then_on(
    event: Event, team_look: Observation, cast: Cast, client_of: Clients
) -> None:
    assert not sees_look(cast, "newcomer", event.ends_at + timedelta(days=9)), "unless said, it stays closed"
    press(client_of("captain"), event)
    just_before, at_the_end = event.ends_at - timedelta(microseconds=1), event.ends_at
    for persona in ("rival", "newcomer", "checker", "member"):
        assert not sees_look(cast, persona, just_before), persona
        assert sees_look(cast, persona, at_the_end), persona
    for persona in ("guest", "nobody"):
        assert not sees_look(cast, persona, at_the_end), persona
    assert sees_look(cast, "teammate", just_before)


def test_its_finding_waits_for_the_clubs_checkers_from_then_on(
    event: Event, team_look: Observation, cast: Cast, client_of: Clients
) -> None:
    press(client_of("captain"), event)
    for moment, number in ((event.ends_at - timedelta(seconds=1), 0), (event.ends_at, 1)):
        with see(cast, "checker", moment):
            assert waiting(cast.viewer("checker")).count() == number
            assert Finding.objects.count() == number


def test_it_is_club_evidence_from_then_on_and_its_history_follows_by_itself(
    event: Event, team_look: Observation, places: Places, cast: Cast, client_of: Clients
) -> None:
    look(
        cast,
        "member",
        places.shared,
        "2d",
        timezone.now() - timedelta(hours=9),
        groups=sonar("bluegill", 0.6),
    )
    jobs.refit()
    press(client_of("captain"), event)
    jobs.refresh_due()

    def looks(scopes: tuple[str, ...], moment: datetime) -> int:
        with working(moment):
            return len(set(gather(club_taxa(), scopes, moment, [places.shared.pk]).look_ids))

    def club_history() -> History:
        return History.objects.get(
            spot=places.shared, scope="club", edition="live", species="largemouth-bass"
        )

    team = ("club", f"team:{cast.alder.pk}")
    before, after = event.ends_at - timedelta(seconds=1), event.ends_at + timedelta(seconds=1)
    assert (looks(("club",), before), looks(team, before)) == (1, 2)
    assert (looks(("club",), after), looks(team, after)) == (2, 2)

    with time_machine.travel(before, tick=False):
        jobs.refresh_due()
    closed = club_history()
    assert closed.seen == 0
    with time_machine.travel(after, tick=False):
        jobs.refresh_due()
        opened = club_history()
        assert opened.seen == 1 and opened.probability > closed.probability
        jobs.mark_opened(timezone.now())
        assert not Due.objects.exists(), "once is enough"


def test_the_cutoff_of_another_event_holds_against_what_opens_after_it(
    event: Event, team_look: Observation, cast: Cast, client_of: Clients
) -> None:
    """Bittern's next event has its cut-off an hour before Alder's looks open: its rival sees them later."""
    press(client_of("captain"), event)
    later = make_event(
        event.water,
        name="Next",
        cutoff_at=event.ends_at - timedelta(hours=1),
        ends_at=event.ends_at + timedelta(days=3),
    )
    enter(later, cast.rival, cast.bittern, entered_at=event.cutoff_at)
    assert not sees_look(cast, "rival", event.ends_at + timedelta(days=1))
    with working(event.ends_at + timedelta(days=1)):
        taxa, spot = club_taxa(), team_look.spot_id
        for cut, number in ((later.cutoff_at, 0), (event.ends_at, 1)):
            gathered = gather(taxa, ("club",), timezone.now() + timedelta(days=3), [spot], received_by=cut)
            assert len(set(gathered.look_ids)) == number, "nor does a history frozen for them count it"
    assert sees_look(cast, "newcomer", event.ends_at + timedelta(days=1))
    assert sees_look(cast, "rival", later.ends_at)


def test_the_teams_new_spots_open_with_them_and_its_old_ones_do_not(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    draft = SpotDraft(
        water=event.water, name="New Team Hump", scope=f"team:{cast.alder.pk}",
        point=Point(-93.27, 45.03, srid=4326),
    )  # fmt: skip
    with see(cast, "captain"):
        new = create_spot(draft, cast.viewer("captain"), timezone.now())[0]
    # A team's spots are its captain's to share.
    press(client_of("teammate"), event)
    assert not Grant.objects.filter(spot=new, audience="members").exists()
    press(client_of("captain"), event)
    press(client_of("captain"), event, open="no")
    assert not Grant.objects.filter(spot=new, audience="members").exists()
    press(client_of("captain"), event)
    for moment, status in ((event.ends_at - timedelta(seconds=1), 404), (event.ends_at, 200)):
        with time_machine.travel(moment, tick=False):
            client = client_of("newcomer")
            assert client.get(f"/spots/{new.pk}/").status_code == status
            assert client.get(f"/spots/{places.team.pk}/").status_code == 404


def test_one_who_has_not_agreed_to_thin_histories_is_counted_once_their_look_is_the_clubs(
    event: Event, team_look: Observation, places: Places, cast: Cast, client_of: Clients
) -> None:
    """The captain said no to histories of fewer than three below exact; the only other one said yes."""
    Member.objects.filter(pk=cast.member.pk).update(shares_thin_history=True)
    look(
        cast,
        "member",
        places.shared,
        "2d",
        timezone.now() - timedelta(hours=9),
        groups=sonar("bluegill", 0.6),
    )
    press(client_of("captain"), event)
    published = History.objects.filter(spot=places.shared, edition="published")
    with time_machine.travel(event.ends_at - timedelta(seconds=1), tick=False):
        Event.objects.filter(pk=event.pk).update(ends_at=timezone.now())  # nothing is frozen for guests
        jobs.refit()
        assert published.exists(), "the look is the team's still: one contributor, who said yes"
    with time_machine.travel(event.ends_at + timedelta(seconds=1), tick=False):
        published.update(as_of=event.ends_at - timedelta(days=60))
        jobs.refit()
        assert not published.exists()


def test_it_can_be_taken_back_until_it_has_opened(
    event: Event, team_look: Observation, cast: Cast, client_of: Clients
) -> None:
    press(client_of("captain"), event)
    press(client_of("captain"), event, open="no")
    assert not sees_look(cast, "newcomer", event.ends_at)
    press(client_of("captain"), event)
    with pytest.raises(DatabaseError, match="stays open"), see(cast, "captain", event.ends_at):
        Observation.objects.filter(pk=team_look.pk).update(opens_at=None)
    assert sees_look(cast, "newcomer", event.ends_at)


def test_nobody_opens_anothers_look_nor_dates_an_opening_back(
    event: Event, team_look: Observation, cast: Cast
) -> None:
    now = timezone.now()
    for persona in ("teammate", "rival", "organiser"):
        with see(cast, persona, now):
            changed = Observation.objects.filter(pk=team_look.pk).update(opens_at=event.ends_at)
        assert changed == 0, persona
    with pytest.raises(DatabaseError, match="no earlier than now"), see(cast, "captain", now):
        Observation.objects.filter(pk=team_look.pk).update(opens_at=now - timedelta(hours=1))


def test_the_log_page_offers_it_to_an_entered_team_while_the_event_is_on(
    event: Event, places: Places, cast: Cast, client_of: Clients
) -> None:
    choice = f"team:{cast.alder.pk} opens {event.pk}"
    client = client_of("captain")
    assert choice in client.get(f"/log/?spot={places.shared.pk}").content.decode()
    made = saved(post(client, places.shared, "2d", g0__band="none", scope=choice))
    assert (made.scope, made.opens_at) == (f"team:{cast.alder.pk}", event.ends_at)
    for persona in ("rival", "newcomer"):
        sent = errors(client_of(persona), places.shared, "2d", g0__band="none", scope=choice)
        assert "not one of the choices" in sent["scope"][0], persona
    with time_machine.travel(event.ends_at, tick=False):
        assert choice not in client.get(f"/log/?spot={places.shared.pk}").content.decode()


def test_the_page_says_what_is_closed_and_what_opens(
    event: Event, team_look: Observation, client_of: Clients
) -> None:
    client = client_of("captain")
    assert "Open 1 look and 0 spots at the end" in client.get(f"/events/{event.pk}/").content.decode()
    press(client, event)
    assert "Opening at the end: 1 of your looks" in client.get(f"/events/{event.pk}/").content.decode()
    assert client_of("newcomer").post(f"/events/{event.pk}/opening/").status_code == 404
