"""What the log page offers: spots, species, and the look that a proof would settle."""

import uuid
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import BooleanField, ExpressionWrapper, F, Q

from club.models import Team
from club.viewer import Viewer
from observations.models import SONAR, Call, EchoGroup, Finding, Observation, Species
from observations.services import VISIT_HOURS
from spots.disclosure_models import Channel
from spots.event_models import Entry, Event
from spots.models import Sheet, Spot, Water
from spots.precision import ReleasedSpot, released_spots

# Between a team's scope and the event at whose end the look opens to the club.
OPENS = " opens "

# How long the last look's spot, method and conditions are carried on.
TRIP_HOURS = 12.0
_RECENT_SPOTS, FOUND_SPOTS = 8, 30
# What is offered first to someone who has called or found nothing yet.
_FIRST_CALLS = ("black-bass", "crappie", "catfish", "bluegill", "bait")
_FIRST_FINDINGS = (
    "largemouth-bass",
    "white-crappie",
    "black-crappie",
    "bluegill",
    "channel-catfish",
    "gizzard-shad",
    "white-bass",
)


@dataclass(frozen=True)
class OfferedSpot:
    """A spot that can be logged at, with its water's name."""

    spot: ReleasedSpot
    water: str
    last_look: datetime | None = None


def _offered(ids: list[uuid.UUID]) -> list[ReleasedSpot]:
    """Return the exact ones of these, in the given order."""
    released = {spot.id: spot for spot in released_spots(ids=ids, channel=Channel.UNSEEN) if spot.is_exact}
    return [released[key] for key in ids if key in released]


def _with_waters(spots: Iterable[ReleasedSpot], last: dict[uuid.UUID, datetime]) -> list[OfferedSpot]:
    spots = list(spots)
    waters = dict(Water.objects.filter(pk__in={spot.water_id for spot in spots}).values_list("pk", "name"))
    return [OfferedSpot(spot, waters[spot.water_id], last.get(spot.id)) for spot in spots]


def recent_spots(viewer: Viewer) -> list[OfferedSpot]:
    """Return the spots that the member logged at last, newest first."""
    last: dict[uuid.UUID, datetime] = {}
    rows = Observation.objects.filter(observer_id=viewer.member_id).order_by("-started_at")
    for spot_id, at, offset in rows.values_list("spot_id", "started_at", "utc_offset_min")[:300]:
        if spot_id not in last and len(last) < _RECENT_SPOTS:
            last[spot_id] = (at + timedelta(minutes=offset)).replace(tzinfo=None)
    return _with_waters(_offered(list(last)), last)


def search_spots(text: str, leave_out: Iterable[uuid.UUID] = ()) -> list[OfferedSpot]:
    """Return spots that the viewer sees exactly and whose name holds `text`, beginning with it first."""
    # Row-level security leaves only sheets of exact spots, so that this name is one the viewer knows.
    sheets = Sheet.objects.order_by("name", "spot_id").exclude(spot_id__in=list(leave_out))
    if text:
        begins = ExpressionWrapper(Q(name__istartswith=text[:80]), BooleanField())
        sheets = sheets.filter(name__icontains=text[:80]).order_by(begins.desc(), "name", "spot_id")
    return _with_waters(_offered(list(sheets.values_list("spot_id", flat=True)[:FOUND_SPOTS])), {})


def last_look(viewer: Viewer, moment: datetime) -> Observation | None:
    """Return the member's last look of this trip, whose spot, method and conditions are carried on."""
    return (
        Observation.objects.filter(
            observer_id=viewer.member_id,
            started_at__gte=moment - timedelta(hours=TRIP_HOURS),
            started_at__lte=moment,
            withdrawn_at=None,
        )
        .order_by("-started_at", "-received_at")
        .first()
    )


def _first_of(used: Iterable[str], otherwise: tuple[str, ...], number: int) -> list[str]:
    common = [code for code, _ in Counter(used).most_common()]
    return list(dict.fromkeys([*common, *otherwise]))[:number]


def quick_calls(viewer: Viewer, spot_id: uuid.UUID | None, species: dict[str, Species]) -> list[Species]:
    """Return the five kinds called most, by this member and at this spot."""
    calls = Call.objects.exclude(species__in=["fish", "not-fish"]).order_by("-group__look__started_at")
    used = list(
        calls.filter(group__look__observer_id=viewer.member_id).values_list("species_id", flat=True)[:200]
    )
    if spot_id:
        used += calls.filter(group__look__spot_id=spot_id).values_list("species_id", flat=True)[:100]
    return [species[code] for code in _first_of(used, _FIRST_CALLS, 5) if code in species]


def quick_findings(viewer: Viewer, spot_id: uuid.UUID | None, species: dict[str, Species]) -> list[Species]:
    """Return the seven species found most, by this member and at this spot."""
    findings = Finding.objects.order_by("-look__started_at")
    used = list(findings.filter(observer_id=viewer.member_id).values_list("species_id", flat=True)[:200])
    if spot_id:
        used += findings.filter(look__spot_id=spot_id).values_list("species_id", flat=True)[:100]
    return [species[code] for code in _first_of(used, _FIRST_FINDINGS, 7) if code in species]


def species_tree(species: dict[str, Species], wider: bool) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the list for a drop-down, by kind; with `wider`, each kind itself stands first in its group."""
    groups: dict[str, list[tuple[str, str]]] = {}
    for one in species.values():
        if one.code in ("fish", "not-fish"):
            continue
        kind = one if one.is_wider else species[one.parent_id or "fish"]
        heading = "other" if kind.code == "fish" else kind.name
        if not one.is_wider:
            groups.setdefault(heading, []).append((one.code, one.name))
        elif wider:
            groups.setdefault(heading, []).insert(0, (one.code, f"{one.name}, any kind"))
    if wider:
        groups["only that it is fish"] = [("fish", "unknown fish")]
    return list(groups.items())


def visit_groups(spot_id: uuid.UUID, observer_id: uuid.UUID | None, at: datetime) -> list[EchoGroup]:
    """Return the groups of the member's latest sonar look of this visit: what a proof may settle."""
    groups = (
        EchoGroup.objects.filter(
            look__spot_id=spot_id,
            look__observer_id=observer_id,
            look__method__in=SONAR,
            look__started_at__gte=at - timedelta(hours=VISIT_HOURS),
            look__started_at__lte=at,
            look__withdrawn_at=None,
        )
        .exclude(band=EchoGroup.Band.NONE)
        .select_related("look", "call__species")
        .order_by("-look__started_at", F("look_id"), "order")
    )
    found = list(groups[:3])
    return [group for group in found if group.look_id == found[0].look_id]


def scopes_for(spot: Spot, viewer: Viewer, moment: datetime) -> list[tuple[str, str]]:
    """Return whose evidence a look at this spot may be: the spot's own, or narrower.

    An angler entered in an event that is on may also say that the team's look is the club's from its end
    (`opening_of`).
    """
    own = (f"member:{viewer.member_id}", "only you")
    teams = [(f"team:{team.pk}", team.name) for team in Team.objects.filter(pk__in=viewer.team_ids)]
    if spot.scope == "club":
        entries = Entry.objects.filter(
            member=viewer.member_id or None,
            team__in=viewer.team_ids,
            withdrawn_at=None,
            event__water=spot.water_id,
            event__cutoff_at__lte=moment,
            event__ends_at__gt=moment,
        )
        opening = [
            (
                f"team:{entry.team_id}{OPENS}{entry.event_id}",
                f"{entry.team}, and the club’s when {entry.event} ends",
            )
            for entry in entries.select_related("event", "team").order_by("event__ends_at", "event_id")
        ]
        return [("club", "the club"), *teams, *opening, own]
    return [*[pair for pair in teams if pair[0] == spot.scope], own]


def opening_of(choice: str) -> tuple[str, datetime | None]:
    """Return the scope of a choice that `scopes_for` offered, and when such a look opens to the club."""
    scope, _, event = choice.partition(OPENS)
    return scope, Event.objects.get(pk=event).ends_at if event else None
