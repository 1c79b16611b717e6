"""Between an event's cut-off and its end, entered anglers, guests and the public see its water as it stood."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.contrib.gis.geos import Point
from django.db import InternalError, ProgrammingError, transaction
from django.utils import timezone

from club.models import Level, Member, TeamMembership
from club.viewer import current_freeze, viewer_of, viewing
from observations.jobs import refit, refresh_spot
from observations.models import Confirmation, Due, Finding, History, Observation, Refit
from observations.reading import histories
from spots.disclosure_models import Channel
from spots.event_models import Entry, Event
from spots.models import Grant, Position, Spot
from spots.precision import released_spots
from spots.services import SpotDraft, create_spot, update_spot
from tests.conftest import Cast, Places, found, look, see, sonar
from tests.spots.event_kit import make_older

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("quiet_queue")]

HOUR = timedelta(hours=1)


@pytest.fixture
def now() -> datetime:
    return timezone.now()


@pytest.fixture
def long_ago(cast: Cast, places: Places, now: datetime) -> datetime:
    """Everything that the fixtures made is older than the cut-off."""
    before = now - timedelta(days=60)
    make_older(before)
    return before


@pytest.fixture
def event(cast: Cast, places: Places, long_ago: datetime, now: datetime) -> Event:
    """A cut-off an hour ago, five days to go; Team Bittern's `rival` and the organiser are entered."""
    event = Event.objects.create(
        name="Test open",
        water=places.club.water,
        target="largemouth-bass",
        fishing_from=(now + timedelta(days=3)).date(),
        fishing_until=(now + timedelta(days=4)).date(),
        cutoff_at=now - HOUR,
        ends_at=now + timedelta(days=5),
    )
    Entry.objects.create(event=event, member=cast.rival, team=cast.bittern, entered_at=long_ago)
    Entry.objects.create(event=event, member=cast.organiser, entered_at=long_ago)
    return event


def seen_by(cast: Cast, persona: str, at: datetime | None = None) -> dict[Any, tuple[str, str]]:
    with see(cast, persona, at):
        return {spot.id: (spot.precision, spot.label) for spot in released_spots(channel=Channel.PAGE)}


def grant(cast: Cast, spot: Spot, audience: str, level: int, at: datetime, **more: Any) -> Grant:
    with viewing(cast.viewer("organiser" if spot.owner == "organisers" else "member"), at):
        return Grant.objects.create(spot=spot, audience=audience, level=level, owner=spot.owner, **more)


def test_what_stood_at_the_cut_off_is_still_seen(cast: Cast, places: Places, event: Event) -> None:
    sights = seen_by(cast, "rival")
    assert sights[places.shared.pk] == ("exact", "Canary Shared Pile")
    assert sights[places.club.pk][0] == "area"
    assert sights == seen_by(cast, "newcomer")


@pytest.mark.parametrize("persona", ["rival", "organiser", "guest", "nobody"])
def test_a_grant_made_after_the_cut_off_does_not_reach_the_frozen(
    cast: Cast, places: Places, event: Event, now: datetime, persona: str
) -> None:
    before = seen_by(cast, persona)
    for audience in ("public", "guest", "members", f"team:{cast.bittern.pk}", f"member:{cast.rival.pk}"):
        grant(cast, places.private, audience, Level.AREA, now)
    assert seen_by(cast, persona) == before
    assert places.private.pk in seen_by(cast, "newcomer")
    assert places.private.pk in seen_by(cast, persona, event.ends_at + HOUR)


def test_an_embargo_that_ends_after_the_cut_off_does_not_reach_the_frozen(
    cast: Cast, places: Places, event: Event, now: datetime, long_ago: datetime
) -> None:
    given = grant(cast, places.private, "members", Level.EXACT, now, starts_at=now - HOUR / 2)
    Grant.objects.filter(pk=given.pk).update(known_at=long_ago)
    assert places.private.pk not in seen_by(cast, "rival")
    assert places.private.pk in seen_by(cast, "newcomer")


def test_a_website_cannot_date_a_grant_back_or_widen_an_old_one(
    cast: Cast, places: Places, event: Event, now: datetime, long_ago: datetime
) -> None:
    forged = grant(cast, places.private, "members", Level.EXACT, now, known_at=long_ago)
    forged.refresh_from_db()
    assert forged.known_at == now
    old = Grant.objects.get(spot=places.club, audience="members")
    for change in (
        {"level": Level.EXACT},
        {"known_at": long_ago - HOUR},
        {"audience": "public"},
        {"starts_at": None, "ends_at": None, "level": 3},
    ):
        with pytest.raises((ProgrammingError, InternalError)), transaction.atomic(), see(cast, "organiser"):
            Grant.objects.filter(pk=old.pk).update(**change)
    with see(cast, "organiser"):
        assert Grant.objects.filter(pk=old.pk).update(level=Level.HIDDEN) == 1


def test_a_withdrawn_sight_is_gone_at_once_and_a_replaced_one_stands_for_the_frozen(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    old = Grant.objects.filter(spot=places.club, audience="members")
    with see(cast, "organiser", now):
        old.update(replaced_at=now)
        Grant.objects.create(spot=places.club, audience="members", level=Level.EXACT, owner="organisers")
    assert seen_by(cast, "rival")[places.club.pk][0] == "area"
    assert seen_by(cast, "newcomer")[places.club.pk][0] == "exact"
    with see(cast, "organiser"):
        Grant.objects.filter(spot=places.club, audience="members").delete()
        Grant.objects.filter(spot=places.club, audience__in=["public", "guest"]).delete()
    assert places.club.pk not in seen_by(cast, "rival")


def test_a_new_club_spot_is_not_there_for_an_entered_organiser(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    draft = SpotDraft(
        water=places.club.water, name="Canary New Pile", scope="club", point=Point(-93.27, 45.03, srid=4326)
    )
    organiser = Member.objects.create_user("deputy", "x", name="Deputy", role="organiser")
    Member.objects.filter(pk=organiser.pk).update(role_since=now - timedelta(days=90))
    with viewing(viewer_of(organiser), now):
        new, _ = create_spot(draft, viewer_of(organiser), now)
        assert new.pk in {spot.id for spot in released_spots(channel=Channel.PAGE)}
    assert new.pk not in seen_by(cast, "organiser")
    with see(cast, "organiser"):
        assert not Spot.objects.filter(pk=new.pk).exists()
        assert not Position.objects.filter(pk=new.pk).exists()


def test_the_own_side_goes_on_working(cast: Cast, places: Places, event: Event, now: datetime) -> None:
    draft = SpotDraft(
        water=places.club.water,
        name="Canary Bittern Hump",
        scope=f"team:{cast.bittern.pk}",
        point=Point(-93.27, 45.03, srid=4326),
    )
    with see(cast, "rival", now):
        new, _ = create_spot(draft, cast.viewer("rival"), now)
    assert seen_by(cast, "rival")[new.pk] == ("exact", "Canary Bittern Hump")
    mine = look(cast, "rival", new, "2d", now - HOUR / 2, groups=sonar("white-crappie", 0.8))
    with see(cast, "rival"):
        assert Observation.objects.filter(pk=mine.pk).exists()


def test_a_changed_sheet_and_a_moved_position_are_read_as_they_were(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    spot = places.shared
    deputy = Member.objects.create_user("deputy", "x", name="Deputy", role="organiser")
    draft = SpotDraft(
        water=spot.water, name="Loaded with bass", scope="club", notes="They are here now", alias="Hot one",
        point=Point(-93.265, 45.0444, srid=4326),
    )  # fmt: skip
    with see(cast, "rival"):
        before = next(s for s in released_spots(channel=Channel.PAGE) if s.id == spot.pk)
    with viewing(viewer_of(deputy), now):
        update_spot(Spot.objects.get(pk=spot.pk), draft, now, viewer_of(deputy))
    for persona in ("rival", "organiser"):
        with see(cast, persona):
            after = next(s for s in released_spots(channel=Channel.PAGE) if s.id == spot.pk)
        assert (after.name, after.geometry, after.notes, after.alias) == (
            before.name, before.geometry, before.notes, before.alias)  # fmt: skip
    with see(cast, "newcomer"):
        after = next(s for s in released_spots(channel=Channel.PAGE) if s.id == spot.pk)
    assert after.name == "Loaded with bass"
    assert after.geometry != before.geometry


def test_a_team_joined_or_a_trust_gained_since_opens_nothing(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    TeamMembership.objects.create(team=cast.alder, member=cast.rival, since=now)
    Member.objects.filter(pk=cast.rival.pk).update(role="organiser", is_checker=True, role_since=now)
    cast.rival.refresh_from_db()
    sights = seen_by(cast, "rival")
    assert places.team.pk not in sights
    assert sights[places.club.pk][0] == "area"
    after = seen_by(cast, "rival", event.ends_at + HOUR)
    assert after[places.team.pk][0] == after[places.club.pk][0] == "exact"


def test_leaving_after_the_cut_off_thaws_nothing_and_before_it_does(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    grant(cast, places.private, "members", Level.EXACT, now)
    Entry.objects.filter(member=cast.rival).update(withdrawn_at=now)
    assert places.private.pk not in seen_by(cast, "rival")
    Entry.objects.filter(member=cast.rival).update(withdrawn_at=event.cutoff_at - HOUR)
    assert places.private.pk in seen_by(cast, "rival")


@pytest.mark.parametrize(
    ("minutes", "frozen"), [(-61, False), (-59, True), (5 * 1440 - 1, True), (5 * 1440, False)]
)
def test_both_edges_are_where_they_say(
    cast: Cast, event: Event, now: datetime, minutes: int, frozen: bool
) -> None:
    with viewing(cast.viewer("rival"), now + timedelta(minutes=minutes)):
        assert bool(current_freeze().waters) is frozen
    with viewing(cast.viewer("newcomer"), now + timedelta(minutes=minutes)):
        assert not current_freeze().waters


def test_a_look_that_comes_in_late_counts_from_when_it_came(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    old = look(cast, "newcomer", places.shared, "2d", now - timedelta(days=30), groups=sonar("bluegill", 0.9))
    Observation.objects.filter(pk=old.pk).update(received_at=event.cutoff_at - HOUR)
    late = look(
        cast, "newcomer", places.shared, "2d", now - timedelta(days=20), groups=sonar("bluegill", 0.9)
    )
    for persona in ("rival", "organiser"):
        with see(cast, persona):
            assert set(Observation.objects.values_list("pk", flat=True)) == {old.pk}
    with see(cast, "captain"):
        assert set(Observation.objects.values_list("pk", flat=True)) == {old.pk, late.pk}


def test_a_proof_since_the_cut_off_is_not_known(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    seen = look(
        cast,
        "newcomer",
        places.shared,
        "camera",
        now - timedelta(days=3),
        minutes=5,
        findings=found("bluegill"),
    )
    Observation.objects.update(received_at=event.cutoff_at - HOUR)
    finding = Finding.objects.get(look=seen)
    with see(cast, "checker"):
        Confirmation.objects.create(
            finding=finding, checker=cast.checker, decision="corrected", named_species_id="white-crappie"
        )
    for persona, verified in (("rival", False), ("organiser", False), ("captain", True), ("newcomer", True)):
        with see(cast, persona):
            read = Finding.objects.get(pk=finding.pk)
            assert (read.verified_at is not None, Confirmation.objects.exists()) == (verified, verified), (
                persona
            )
            assert read.corrected_species_id == ("white-crappie" if verified else None)


def test_an_entered_checker_does_not_check_that_water(
    cast: Cast, places: Places, event: Event, now: datetime, long_ago: datetime
) -> None:
    look(cast, "organiser", places.club, "camera", now - HOUR / 2, minutes=5, findings=found("bluegill"))
    with see(cast, "checker"):
        assert Finding.objects.count() == 1
    Entry.objects.create(event=event, member=cast.checker, entered_at=long_ago)
    with see(cast, "checker"):
        assert Finding.objects.count() == 0


def test_histories_stand_at_the_cut_off_and_know_the_own_side(
    cast: Cast, places: Places, event: Event, now: datetime, settings: Any
) -> None:
    for day in range(4, 30, 5):
        look(
            cast,
            "newcomer",
            places.shared,
            "camera",
            now - timedelta(days=day),
            minutes=5,
            findings=found("bluegill"),
        )
    Observation.objects.update(received_at=event.cutoff_at - HOUR)
    refit()
    Refit.objects.update(finished_at=event.cutoff_at - HOUR / 2)
    History.objects.update(computed_at=event.cutoff_at - HOUR / 2)

    def told(persona: str) -> list[tuple[str, float, int]]:
        with see(cast, persona):
            spot = next(s for s in released_spots(channel=Channel.PAGE) if s.id == places.shared.pk)
            return [
                (row.species_id, row.probability, row.looks) for row in histories(spot, cast.viewer(persona))
            ]

    before = told("rival")
    assert before
    assert before == told("captain")
    # Somebody else's look comes in: the club learns of it, the frozen do not.
    for _ in range(3):
        look(
            cast,
            "newcomer",
            places.shared,
            "camera",
            now - HOUR / 3,
            minutes=5,
            findings=found("white-crappie"),
        )
    with viewing(cast.viewer("newcomer"), now):
        pass
    Due.objects.update_or_create(spot=places.shared, defaults={"since": now})
    assert refresh_spot(places.shared.pk, now)
    assert told("captain") != before
    frozen = told("rival")
    assert [(code, looks) for code, _, looks in frozen] == [(code, looks) for code, _, looks in before]
    assert [p for _, p, _ in frozen] == pytest.approx([p for _, p, _ in before], abs=0.02)
    # A refit of everything changes nothing for them either.
    refit()
    assert [(code, looks) for code, _, looks in told("rival")] == [(code, looks) for code, _, looks in before]
    # What the own side does, its own side's history knows.
    look(cast, "rival", places.shared, "camera", now - HOUR / 4, minutes=5, findings=found("largemouth-bass"),
         scope=f"team:{cast.bittern.pk}")  # fmt: skip
    refresh_spot(places.shared.pk, now)
    own = dict((code, looks) for code, _, looks in told("rival"))
    assert own["largemouth-bass"] == before[0][2] + 1
    assert told("organiser") != told("rival")


def test_nothing_of_the_water_is_published_while_the_cut_off_is_on(
    cast: Cast, places: Places, event: Event, now: datetime
) -> None:
    for person in ("newcomer", "member", "captain"):
        seen = look(
            cast,
            person,
            places.shared,
            "camera",
            now - timedelta(days=9),
            minutes=5,
            findings=found("bluegill"),
        )
        Finding.objects.filter(look=seen).update(verified_at=now - timedelta(days=8))
    refit()
    assert not History.objects.filter(edition="published").exists()
    Event.objects.update(cutoff_at=now + HOUR)
    refit()
    assert History.objects.filter(edition="published").exists()
