"""A team's work of an event that opens to the club by itself when the event ends.

Nothing has to run at that time: a look says from when it is the club's evidence too, a spot has a grant that
starts then, and both are evaluated when read. The worker's sweep only brings histories up to date.
"""

from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError

from club.models import Level
from club.viewer import Viewer
from observations.models import Observation
from spots.event_models import Entry, Event
from spots.granting import Sight, may_share, set_sights, sights_at
from spots.models import Spot
from spots.services import CLUB


@dataclass(frozen=True)
class TeamWork:
    """What one angler and their team recorded on an event's water since its cut-off.

    `looks` are the angler's own, `spots` the team's new ones; each split into what stays closed so far, and
    what opens at the event's end; a team's captain opens its spots. `private` looks lie at spots that the team
    keeps to itself, and stay closed.
    """

    looks: list[Observation]
    looks_opening: list[Observation]
    spots: list[Spot]
    spots_opening: list[Spot]
    private: int

    @property
    def any(self) -> bool:
        return bool(self.looks or self.looks_opening or self.spots or self.spots_opening or self.private)


def _to_members(event: Event) -> Sight:
    return Sight("members", Level.EXACT, starts_at=event.ends_at)


def team_work(event: Event, entry: Entry, viewer: Viewer) -> TeamWork:
    """Return an entered angler's work with their team, as that angler may read it."""
    team = f"team:{entry.team_id}"
    spots = list(
        Spot.objects.filter(water=event.water_id, owner=team, created_at__gte=event.cutoff_at).order_by("pk")
    )
    sights = {spot.pk: sights_at(spot) for spot in spots}
    opening = {spot.pk for spot in spots if _to_members(event) in sights[spot.pk]}
    to_open = {spot.pk for spot in spots if not sights[spot.pk] and may_share(spot, viewer)}
    looks = list(
        Observation.objects.filter(
            observer_id=viewer.member_id or None,
            scope=team,
            received_at__gte=event.cutoff_at,
            withdrawn_at=None,
            spot__water=event.water_id,
        )
        .select_related("spot")
        .order_by("started_at", "pk")
    )
    can = [look for look in looks if look.spot.scope == CLUB or look.spot_id in opening | to_open]
    return TeamWork(
        looks=[look for look in can if look.opens_at is None],
        looks_opening=[look for look in can if look.opens_at is not None],
        spots=[spot for spot in spots if spot.pk in to_open],
        spots_opening=[spot for spot in spots if spot.pk in opening],
        private=len(looks) - len(can),
    )


def open_at_the_end(event: Event, entry: Entry, viewer: Viewer, moment: datetime) -> tuple[int, int]:
    """Let the angler's looks and the team's new spots open to the club at the event's end.

    Returns how many looks and spots. Raises ValidationError when it is not for now.
    """
    if not event.cutoff_at <= moment < event.ends_at:
        raise ValidationError(f"This is for the time between the cut-off of {event.name} and its end.")
    work = team_work(event, entry, viewer)
    for spot in work.spots:
        set_sights(spot, [*sights_at(spot), _to_members(event)], viewer, moment)
    looks = Observation.objects.filter(pk__in=[look.pk for look in work.looks]).update(opens_at=event.ends_at)
    return looks, len(work.spots)


def keep_closed(event: Event, entry: Entry, viewer: Viewer, moment: datetime) -> tuple[int, int]:
    """Take that back, while nothing has opened."""
    if moment >= event.ends_at:
        raise ValidationError(f"{event.name} is over: what has opened stays open.")
    work = team_work(event, entry, viewer)
    looks = Observation.objects.filter(pk__in=[look.pk for look in work.looks_opening]).update(opens_at=None)
    mine = [spot for spot in work.spots_opening if may_share(spot, viewer)]
    for spot in mine:
        kept = [sight for sight in sights_at(spot) if sight != _to_members(event)]
        set_sights(spot, kept, viewer, moment)
    return looks, len(mine)
