"""What an event's cut-off freezes, and for whom. The one place where that rule stands.

From the cut-off to the end of an event, an entered angler sees the event's water as it stood at the
cut-off, plus what is new on their own side; so do guests and the public, so that signing out gains
nothing. Policies and queries read it from the settings that `club.viewer.viewing` fills from here.
"""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import connection

from club.viewer import Freeze, Viewer
from spots.event_models import Event
from spots.models import Spot

# Asked in every request: one statement each, of few columns, is a third of what models would cost here.
_ON = """
    SELECT e.water_id, e.cutoff_at, n.id IS NOT NULL, n.team_id
    FROM spots_event e
    LEFT JOIN spots_entry n ON n.event_id = e.id AND n.member_id = %s
        AND (n.withdrawn_at IS NULL OR n.withdrawn_at >= e.cutoff_at)
    WHERE e.cutoff_at <= %s AND e.ends_at > %s
    ORDER BY e.cutoff_at, e.id
"""
_LATE = """
    SELECT 'team:' || t.team_id FROM club_teammembership t WHERE t.member_id = %s AND t.since > %s
    UNION ALL
    SELECT unnest(ARRAY['organisers', 'checkers']) FROM club_member m WHERE m.id = %s AND m.role_since > %s
"""


def frozen_for(viewer: Viewer, moment: datetime) -> Freeze:
    """Return what is frozen for this viewer now. Asked in the viewer's own transaction.

    An entry holds unless it was withdrawn before the cut-off.
    """
    with connection.cursor() as cursor:
        cursor.execute(_ON, [viewer.angler, moment, moment])
        mine = [row for row in cursor.fetchall() if not viewer.is_member or row[2]]
    if not mine:
        return Freeze()
    waters: dict[str, datetime] = {}
    for water, cut_off, _, _ in mine:
        waters.setdefault(str(water), cut_off)
    teams = {f"team:{team}" for _, _, entered, team in mine if entered}
    side = (f"member:{viewer.angler}", *sorted(teams & set(viewer.audiences))) if viewer.angler else ()
    return Freeze(waters, side, _kept(viewer, min(waters.values()), set(side)))


def _kept(viewer: Viewer, cut_off: datetime, side: set[str]) -> tuple[str, ...]:
    """Return the audiences the viewer was in at the cut-off: no team joined since, no trust gained since."""
    if viewer.angler is None:
        return viewer.audiences
    with connection.cursor() as cursor:
        cursor.execute(_LATE, [viewer.angler, cut_off, viewer.angler, cut_off])
        late = {key for (key,) in cursor.fetchall()}
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
