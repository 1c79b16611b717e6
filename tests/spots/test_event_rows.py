"""What the database itself refuses about events and entries, when a view forgets to."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import DatabaseError, IntegrityError
from django.utils import timezone

from club.models import Member, TeamMembership
from club.viewer import PUBLIC, viewing
from spots.models import Entry, Event, Water
from tests.conftest import Cast, see
from tests.spots.event_kit import AFTER, BEFORE, CUTOFF, DURING, ENDS, enter, make_event

REFUSED = pytest.raises(DatabaseError)
DAY = timedelta(days=1)


@pytest.fixture
def event(water: Water, cast: Cast) -> Event:
    return make_event(water, created_by=cast.organiser)


def test_everybody_reads_events_and_only_members_read_who_is_entered(event: Event, cast: Cast) -> None:
    enter(event, cast.captain, cast.alder)
    for persona, entries in (("member", 1), ("guest", 0), ("nobody", 0)):
        with see(cast, persona, DURING):
            assert Event.objects.count() == 1, persona
            assert Entry.objects.count() == entries, persona


@pytest.mark.parametrize("persona", ["organiser", "member", "guest"])
def test_only_an_organiser_makes_an_event(water: Water, cast: Cast, persona: str) -> None:
    person = getattr(cast, persona)
    if persona == "organiser":
        with see(cast, persona, BEFORE):
            assert make_event(water, created_by=person).pk
        return
    with pytest.raises(DatabaseError, match="row-level security"), see(cast, persona, BEFORE):
        make_event(water, created_by=person)


def test_an_event_is_not_made_with_a_cutoff_that_has_passed(water: Water, cast: Cast) -> None:
    with pytest.raises(IntegrityError, match="set before it comes"), see(cast, "organiser", DURING):
        make_event(water, created_by=cast.organiser)


@pytest.mark.parametrize(
    "wrong",
    [
        {"ends_at": CUTOFF},
        {"off_limits_from": ENDS.date(), "off_limits_until": ENDS.date() - DAY},
        {"off_limits_from": ENDS.date()},
        {"practice_from": ENDS.date(), "practice_until": ENDS.date() - DAY},
        {"practice_from": ENDS.date(), "practice_until": ENDS.date() + DAY},
        {"fishing_from": ENDS.date() + DAY},
        {"limit_number": 0},
        {"minimum_length_mm": 3001},
    ],
)
def test_days_and_numbers_that_make_no_sense_are_refused(water: Water, wrong: dict[str, Any]) -> None:
    with pytest.raises(IntegrityError, match="event_"):
        make_event(water, **wrong)


@pytest.mark.parametrize(
    "change",
    [
        {"cutoff_at": CUTOFF + DAY},
        {"cutoff_at": CUTOFF - DAY},
        {"ends_at": ENDS - timedelta(minutes=1)},
    ],
)
def test_a_cutoff_can_be_moved_until_it_comes_and_then_stands(
    event: Event, cast: Cast, change: dict[str, Any]
) -> None:
    early = BEFORE
    with see(cast, "organiser", early):
        assert Event.objects.filter(pk=event.pk).update(**change) == 1
    Event.objects.filter(pk=event.pk).update(cutoff_at=CUTOFF, ends_at=ENDS)
    with pytest.raises(IntegrityError, match="has passed stands"), see(cast, "organiser", DURING):
        Event.objects.filter(pk=event.pk).update(**change)


def test_a_cutoff_is_not_moved_into_the_past(event: Event, cast: Cast) -> None:
    with pytest.raises(IntegrityError, match="set before it comes"), see(cast, "organiser", BEFORE):
        Event.objects.filter(pk=event.pk).update(cutoff_at=BEFORE - DAY)


def test_an_event_may_end_later_while_it_runs_but_not_once_it_is_over(event: Event, cast: Cast) -> None:
    with see(cast, "organiser", DURING):
        assert Event.objects.filter(pk=event.pk).update(ends_at=ENDS + DAY) == 1
    with pytest.raises(IntegrityError, match="over is not made longer"), see(cast, "organiser", AFTER + DAY):
        Event.objects.filter(pk=event.pk).update(ends_at=ENDS + 9 * DAY)


def test_an_event_is_deleted_before_its_cutoff_only(event: Event, cast: Cast) -> None:
    with see(cast, "organiser", DURING):
        assert Event.objects.filter(pk=event.pk).delete()[0] == 0
    with see(cast, "organiser", BEFORE):
        assert Event.objects.filter(pk=event.pk).delete()[0] == 1


def test_an_organiser_who_is_entered_cannot_act_and_the_deputy_can(event: Event, cast: Cast) -> None:
    Event.objects.filter(pk=event.pk).update(deputy=cast.newcomer)
    with see(cast, "newcomer", BEFORE):
        assert Event.objects.filter(pk=event.pk).update(name="By the deputy") == 1
    enter(event, cast.organiser)
    with see(cast, "organiser", DURING):
        assert Event.objects.filter(pk=event.pk).update(name="By one who fishes it") == 0
    with see(cast, "checker", DURING):
        assert Event.objects.filter(pk=event.pk).update(name="By anybody") == 0
    with see(cast, "newcomer", DURING):
        assert Event.objects.filter(pk=event.pk).update(allowed_sources="Published maps") == 1


def test_an_organiser_who_withdrew_before_the_cutoff_acts_again_and_not_who_withdrew_after(
    event: Event, cast: Cast
) -> None:
    entry = enter(event, cast.organiser, withdrawn_at=CUTOFF - DAY)
    with see(cast, "organiser", DURING):
        assert Event.objects.filter(pk=event.pk).update(name="Free") == 1
    Entry.objects.filter(pk=entry.pk).update(withdrawn_at=CUTOFF + DAY)
    with see(cast, "organiser", DURING):
        assert Event.objects.filter(pk=event.pk).update(name="Not free") == 0


def test_a_member_enters_themself_with_a_team_of_theirs_or_none(event: Event, cast: Cast) -> None:
    with see(cast, "teammate", BEFORE):
        entry = Entry.objects.create(event=event, member=cast.teammate, team=cast.alder)
    entry.refresh_from_db()
    assert (entry.late, entry.entered_at) == (False, BEFORE)
    with see(cast, "newcomer", BEFORE):
        Entry.objects.create(event=event, member=cast.newcomer)
    with REFUSED, see(cast, "member", BEFORE):
        Entry.objects.create(event=event, member=cast.member, team=cast.alder)
    with REFUSED, see(cast, "member", BEFORE):
        Entry.objects.create(event=event, member=cast.checker)
    with REFUSED, see(cast, "guest", BEFORE):
        Entry.objects.create(event=event, member=cast.guest)


def test_a_captain_enters_the_team_and_nobody_else(event: Event, cast: Cast) -> None:
    with see(cast, "captain", BEFORE):
        Entry.objects.create(event=event, member=cast.teammate, team=cast.alder)
    for member, team in ((cast.rival, cast.bittern), (cast.rival, cast.alder), (cast.member, None)):
        with REFUSED, see(cast, "captain", BEFORE):
            Entry.objects.create(event=event, member=member, team=team)
    with REFUSED, see(cast, "captain", DURING):
        Entry.objects.create(event=event, member=cast.captain, team=cast.bittern)


def test_the_times_of_an_entry_are_never_what_a_request_says(event: Event, cast: Cast) -> None:
    with see(cast, "rival", DURING):
        entry = Entry.objects.create(
            event=event, member=cast.rival, entered_at=BEFORE, withdrawn_at=BEFORE, late=False
        )
    entry.refresh_from_db()
    assert (entry.entered_at, entry.withdrawn_at, entry.late) == (DURING, None, True)
    with see(cast, "rival", DURING + DAY):
        assert Entry.objects.filter(pk=entry.pk).update(withdrawn_at=BEFORE) == 1
    entry.refresh_from_db()
    assert entry.withdrawn_at == DURING + DAY, "withdrawing late cannot be dated back before the cut-off"


def test_a_late_entry_is_accepted_by_a_free_organiser_or_the_deputy_alone(event: Event, cast: Cast) -> None:
    Event.objects.filter(pk=event.pk).update(deputy=cast.newcomer)
    with see(cast, "rival", DURING):
        entry = Entry.objects.create(event=event, member=cast.rival)
    for persona in ("rival", "checker", "member"):
        try:
            with see(cast, persona, DURING):
                changed = Entry.objects.filter(pk=entry.pk).update(accepted_by=getattr(cast, persona))
        except DatabaseError:
            changed = 0
        assert changed == 0, persona
    enter(event, cast.organiser)
    with REFUSED, see(cast, "organiser", DURING):
        Entry.objects.filter(pk=entry.pk).update(accepted_by=cast.organiser)
    with REFUSED, see(cast, "newcomer", DURING):
        Entry.objects.filter(pk=entry.pk).update(accepted_by=cast.organiser)
    with see(cast, "newcomer", DURING):
        assert Entry.objects.filter(pk=entry.pk).update(accepted_by=cast.newcomer) == 1
    entry.refresh_from_db()
    assert entry.stands


def test_after_the_cutoff_an_entry_is_neither_deleted_nor_moved_nor_taken_up_again(
    event: Event, cast: Cast
) -> None:
    entry = enter(event, cast.captain, cast.alder)
    with see(cast, "organiser", DURING):
        assert Entry.objects.filter(pk=entry.pk).delete()[0] == 0
    with REFUSED, see(cast, "captain", DURING):
        Entry.objects.filter(pk=entry.pk).update(team=None)
    with see(cast, "captain", DURING):
        assert Entry.objects.filter(pk=entry.pk).update(withdrawn_at=DURING) == 1
    with REFUSED, see(cast, "captain", DURING):
        Entry.objects.filter(pk=entry.pk).update(withdrawn_at=None)


def test_the_last_free_organiser_is_not_entered_until_there_is_a_deputy(event: Event, cast: Cast) -> None:
    with pytest.raises(IntegrityError, match="name a deputy first"), see(cast, "organiser", BEFORE):
        Entry.objects.create(event=event, member=cast.organiser)
    with see(cast, "organiser", BEFORE):
        Event.objects.filter(pk=event.pk).update(deputy=cast.newcomer)
        Entry.objects.create(event=event, member=cast.organiser)
    with pytest.raises(IntegrityError, match="does not fish"), see(cast, "newcomer", BEFORE):
        Entry.objects.create(event=event, member=cast.newcomer)
    with REFUSED, see(cast, "newcomer", BEFORE):
        Event.objects.filter(pk=event.pk).update(deputy=None)


def test_a_deputy_is_a_member_who_is_not_entered(event: Event, cast: Cast) -> None:
    enter(event, cast.rival)
    for person in (cast.rival, cast.guest):
        with pytest.raises(IntegrityError, match="not entered"), see(cast, "organiser", BEFORE):
            Event.objects.filter(pk=event.pk).update(deputy=person)


def test_a_viewer_who_was_not_told_reads_no_entry(event: Event, cast: Cast) -> None:
    enter(event, cast.rival)
    with viewing(PUBLIC, DURING):
        assert not Entry.objects.exists()


# The two times that a cut-off asks of the club's own tables.


def test_a_role_gained_is_dated_by_the_database(cast: Cast) -> None:
    now = timezone.now()
    Member.objects.filter(pk=cast.member.pk).update(role_since=BEFORE)
    with see(cast, "member", now):
        Member.objects.filter(pk=cast.member.pk).update(name="Renamed")
    assert Member.objects.get(pk=cast.member.pk).role_since == BEFORE
    for change in ({"is_checker": True}, {"role": "organiser"}):
        now += DAY
        with see(cast, "organiser", now):
            Member.objects.filter(pk=cast.member.pk).update(
                **change, **({} if "role" in change else {"role_since": BEFORE})
            )
        assert Member.objects.get(pk=cast.member.pk).role_since == now
    with see(cast, "organiser", now + DAY):
        Member.objects.filter(pk=cast.member.pk).update(is_checker=False)
    assert Member.objects.get(pk=cast.member.pk).role_since == now, "losing one dates nothing"
    with REFUSED, see(cast, "newcomer", now):
        Member.objects.filter(pk=cast.newcomer.pk).update(role_since=BEFORE)


def test_a_team_joined_is_dated_by_the_database(cast: Cast) -> None:
    now = timezone.now()
    with see(cast, "captain", now):
        row = TeamMembership.objects.create(team=cast.alder, member=cast.newcomer, since=BEFORE)
        TeamMembership.objects.filter(pk=row.pk).update(since=BEFORE)
    row.refresh_from_db()
    assert row.since == now
