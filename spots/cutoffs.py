"""What an event's cut-off freezes, and for whom. The one place where that rule stands.

From the cut-off to the end of an event, an entered angler sees the event's water as it stood at the
cut-off, plus what is new on their own side; so do guests and the public, so that signing out gains
nothing. Policies and queries read it from the settings that `club.viewer.viewing` fills from here.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import F, Q

from club.models import Member, TeamMembership
from club.viewer import Freeze, Viewer
from spots.event_models import Entry, Event
from spots.models import Spot


def frozen_for(viewer: Viewer, moment: datetime) -> Freeze:
    """Return what is frozen for this viewer now. Asked in the viewer's own transaction."""
    events = list(Event.objects.filter(cutoff_at__lte=moment, ends_at__gt=moment).order_by("cutoff_at", "id"))
    if not events:
        return Freeze()
    entries = {entry.event_id: entry for entry in _entries_of(viewer)}
    mine = [event for event in events if not viewer.is_member or event.pk in entries]
    if not mine:
        return Freeze()
    waters: dict[str, datetime] = {}
    for event in mine:
        waters.setdefault(str(event.water_id), event.cutoff_at)
    teams = {f"team:{entries[event.pk].team_id}" for event in mine if event.pk in entries}
    side = (f"member:{viewer.angler}", *sorted(teams & set(viewer.audiences))) if viewer.angler else ()
    return Freeze(waters, side, _kept(viewer, min(waters.values()), set(side)))


def _entries_of(viewer: Viewer) -> list[Entry]:
    """Return the viewer's entries that hold: not withdrawn, or withdrawn only after the cut-off."""
    if viewer.angler is None:
        return []
    holds = Q(withdrawn_at=None) | Q(withdrawn_at__gte=F("event__cutoff_at"))
    return list(Entry.objects.filter(holds, member_id=viewer.angler).order_by("id"))


def _kept(viewer: Viewer, cut_off: datetime, side: set[str]) -> tuple[str, ...]:
    """Return the audiences the viewer was in at the cut-off: no team joined since, no trust gained since."""
    if viewer.angler is None:
        return viewer.audiences
    late = {
        f"team:{team}"
        for team in TeamMembership.objects.filter(member_id=viewer.angler, since__gt=cut_off)
        .order_by("id")
        .values_list("team_id", flat=True)
    }
    if Member.objects.filter(pk=viewer.angler, role_since__gt=cut_off).exists():
        late |= {"organisers", "checkers"}
    return tuple(key for key in viewer.audiences if key in side or key not in late)


@dataclass(frozen=True)
class CutOff:
    """A cut-off that is on: `sides` maps the evidence scopes of its anglers to the scopes that stay open."""

    at: datetime
    sides: dict[str, tuple[str, ...]]


def cut_offs(spot_ids: Sequence[uuid.UUID], moment: datetime) -> dict[uuid.UUID, list[CutOff]]:
    """Return the cut-offs that are on for each spot's water, each once. Asked by the worker."""
    water_of = dict(Spot.objects.filter(pk__in=spot_ids).values_list("pk", "water_id"))
    on: dict[uuid.UUID, dict[datetime, dict[str, tuple[str, ...]]]] = {}
    events = Event.objects.filter(
        water__in=set(water_of.values()), cutoff_at__lte=moment, ends_at__gt=moment
    ).order_by("id")
    for event in events.prefetch_related("entries"):
        sides = on.setdefault(event.water_id, {}).setdefault(event.cutoff_at, {})
        for entry in event.entries.all():
            team = (f"team:{entry.team_id}",) if entry.team_id else ()
            me = f"member:{entry.member_id}"
            sides[me] = tuple(sorted({*sides.get(me, ()), me, *team}))
            for key in team:
                sides[key] = team
    return {
        spot: [CutOff(at, sides) for at, sides in sorted(on.get(water, {}).items())]
        for spot, water in water_of.items()
    }


def cut_offs_on(moment: datetime) -> list[datetime]:
    """Return the moments of all cut-offs that are on."""
    events = Event.objects.filter(cutoff_at__lte=moment, ends_at__gt=moment)
    return sorted(set(events.order_by("cutoff_at").values_list("cutoff_at", flat=True)))


def frozen_water_ids(moment: datetime) -> list[uuid.UUID]:
    """Return the waters of which guests and the public see nothing new at this moment."""
    events = Event.objects.filter(cutoff_at__lte=moment, ends_at__gt=moment)
    return sorted(set(events.order_by("water_id").values_list("water_id", flat=True)))
