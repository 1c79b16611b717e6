"""What may be done in an event, by whom, and what its cut-off means; the rules themselves are the database's.

`event_policies.py` refuses; this module says why beforehand, in words.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db.models import QuerySet

from club.models import Member, Team, TeamMembership
from club.viewer import Viewer
from spots.event_models import Entry, Event
from spots.models import Water

COMING, FROZEN, PAST = "coming", "frozen", "past"


def zone_of(event: Event) -> ZoneInfo:
    return ZoneInfo(event.water.time_zone)


def on_clock(event: Event, at: datetime) -> datetime:
    """Return a moment as the water's own clock shows it, without a zone: templates would turn it back to UTC."""
    return at.astimezone(zone_of(event)).replace(tzinfo=None)


def phase(event: Event, moment: datetime) -> str:
    """Return `coming` before the cut-off, `frozen` from it to the end, `past` after."""
    if moment < event.cutoff_at:
        return COMING
    return FROZEN if moment < event.ends_at else PAST


def binds(entry: Entry, event: Event) -> bool:
    """True when the entry freezes its angler: it was not withdrawn before the cut-off."""
    return entry.withdrawn_at is None or entry.withdrawn_at >= event.cutoff_at


def fishing_days(event: Event) -> list[date]:
    """Return the fishing days, at most a year of them."""
    days = min((event.fishing_until - event.fishing_from).days, 366)
    return [event.fishing_from + timedelta(days=n) for n in range(days + 1)]


def entries_of(event: Event) -> list[Entry]:
    """Return an event's entries as far as the viewer may read them, in order of entering."""
    return list(event.entries.select_related("member", "team", "accepted_by").order_by("entered_at", "id"))


@dataclass(frozen=True)
class Standing:
    """What one viewer is in one event."""

    entry: Entry | None
    acts: bool  # an organiser or its deputy, and not entered
    is_deputy: bool
    captain_of: tuple[Team, ...]
    teams: tuple[Team, ...]

    @property
    def entered(self) -> bool:
        return self.entry is not None and self.entry.stands


def standing(event: Event, viewer: Viewer, entries: Sequence[Entry]) -> Standing:
    own = next((entry for entry in entries if entry.member_id == viewer.member_id), None)
    bound = own is not None and binds(own, event)
    is_deputy = viewer.is_member and event.deputy_id == viewer.member_id
    places = TeamMembership.objects.filter(team__in=viewer.team_ids, member=viewer.member_id)
    teams = list(places.select_related("team").order_by("team__name", "team_id"))
    return Standing(
        entry=own,
        acts=(viewer.is_organiser or is_deputy) and not bound,
        is_deputy=is_deputy,
        captain_of=tuple(place.team for place in teams if place.is_captain),
        teams=tuple(place.team for place in teams),
    )


def free_organisers(event: Event, entries: Sequence[Entry]) -> list[Member]:
    """Return the organisers who are not entered, and so can act for the event."""
    bound = {entry.member_id for entry in entries if binds(entry, event)}
    organisers = Member.objects.filter(role=Member.Role.ORGANISER, is_active=True).order_by("name", "id")
    return [member for member in organisers if member.pk not in bound]


def possible_deputies(event: Event, entries: Sequence[Entry]) -> QuerySet[Member]:
    bound = [entry.member_id for entry in entries if binds(entry, event)]
    return Member.objects.filter(is_active=True).exclude(role=Member.Role.GUEST).exclude(pk__in=bound)


def enter(
    event: Event,
    member: Member,
    team: Team | None,
    viewer: Viewer,
    moment: datetime,
    entry_id: uuid.UUID | None = None,
) -> Entry:
    """Enter a member, or take up an entry withdrawn before. After the cut-off it is late.

    Raises ValidationError that says which rule stands against it.
    """
    entries = entries_of(event)
    mine = standing(event, viewer, entries)
    known = next((entry for entry in entries if entry.member_id == member.pk), None)
    problems: list[str] = []
    if moment >= event.ends_at:
        problems.append(f"{event.name} is over.")
    if known and known.withdrawn_at is None:
        problems.append(f"{member.name} is entered already.")
    if known and known.withdrawn_at is not None and moment >= event.cutoff_at:
        problems.append(f"{member.name} withdrew; after the cut-off that stands.")
    if not member.is_active or member.role == Member.Role.GUEST:
        problems.append(f"{member.name} is not a member of the club.")
    if member.pk == event.deputy_id:
        problems.append(
            f"{member.name} is the deputy and does not fish the event. Name another deputy first."
        )
    if team and not TeamMembership.objects.filter(team=team, member=member).exists():
        problems.append(f"{member.name} is not in {team.name}: whoever enters with a team belongs to it.")
    leads = team is not None and team in mine.captain_of
    if member.pk != viewer.member_id and moment >= event.cutoff_at:
        problems.append(f"After the cut-off {member.name} asks to enter themself.")
    elif member.pk != viewer.member_id and not (mine.acts or leads):
        problems.append("You may enter yourself, and as a captain your team's members, before the cut-off.")
    free = [person for person in free_organisers(event, entries) if person.pk != member.pk]
    if not free and event.deputy_id is None:
        problems.append(
            f"Nobody would be left to act for {event.name}: every organiser would be entered, and it has no"
            " deputy. Name a deputy first, somebody who does not fish it."
        )
    if problems:
        raise ValidationError(problems)
    if known:
        known.team, known.withdrawn_at = team, None
        known.save(update_fields=["team", "withdrawn_at"])
        return known
    return Entry.objects.create(
        **({"id": entry_id} if entry_id else {}),
        event=event,
        member=member,
        team=team,
        entered_at=moment,
        late=moment >= event.cutoff_at,
    )


def withdraw(event: Event, entry: Entry, viewer: Viewer, moment: datetime) -> None:
    """Withdraw an entry. After the cut-off this thaws nobody."""
    mine = standing(event, viewer, entries_of(event))
    leads = entry.team is not None and entry.team in mine.captain_of
    if not (entry.member_id == viewer.member_id or mine.acts or leads):
        raise ValidationError(
            "Only the angler, the team's captain or whoever acts for the event withdraws an entry."
        )
    if moment >= event.ends_at:
        raise ValidationError(f"{event.name} is over.")
    if entry.withdrawn_at is None:
        entry.withdrawn_at = moment
        entry.save(update_fields=["withdrawn_at"])


def accept(event: Event, entry: Entry, viewer: Viewer, moment: datetime) -> None:
    """Accept a late entry."""
    mine = standing(event, viewer, entries_of(event))
    if not mine.acts or entry.member_id == viewer.member_id:
        raise ValidationError(
            "A late entry is accepted by an organiser who is not entered, or by the deputy."
        )
    if moment >= event.ends_at:
        raise ValidationError(f"{event.name} is over.")
    if not entry.late or entry.accepted_by_id or entry.withdrawn_at:
        raise ValidationError(f"The entry of {entry.member.name} does not wait to be accepted.")
    entry.accepted_by_id = viewer.member_id
    entry.save(update_fields=["accepted_by"])


def any_cut_off(moment: datetime) -> bool:
    """True while the cut-off of any event is on."""
    return Event.objects.filter(cutoff_at__lte=moment, ends_at__gt=moment).exists()


def frozen_until(water: Water | uuid.UUID, moment: datetime) -> Event | None:
    """Return the event whose cut-off is on for a water, the one that ends last."""
    events = Event.objects.filter(water=water, cutoff_at__lte=moment, ends_at__gt=moment)
    return events.order_by("-ends_at", "id").first()
