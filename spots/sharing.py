"""The sharing desk's questions: who sees what, what a change would do, and taking a change back."""

import uuid
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.dateparse import parse_datetime

from club.models import AudiencePolicy, Level, Member, Team
from club.viewer import Viewer
from spots.granting import EVERYBODY, Sight, may_share, seen_as, set_sights, sights_at
from spots.models import SharingChange, Spot
from spots.precision import ReleasedSpot

# The most spots that one bulk change takes; beyond it a preview would be read by nobody.
MOST_AT_ONCE = 500


def own_spots(viewer: Viewer) -> list[Spot]:
    """Return the spots whose sharing the viewer decides, by water and name shown to them."""
    spots = Spot.objects.filter(owner__in=viewer.audiences).select_related("water", "sheet")
    return [spot for spot in spots.order_by("water__name", "sheet__name", "id") if may_share(spot, viewer)]


def audience_name(audience: str, names: Mapping[str, str]) -> str:
    return EVERYBODY.get(audience) or names.get(audience, "somebody who left")


def audience_names() -> dict[str, str]:
    """Return the name of every audience but the three of everybody, teams first."""
    teams = {f"team:{team.pk}": team.name for team in Team.objects.order_by("name", "id")}
    people = Member.objects.filter(is_active=True).order_by("name", "id")
    return teams | {f"member:{member.pk}": member.name for member in people}


def told_audiences(sights: Sequence[Sight]) -> list[str]:
    """Return everybody's three audiences and those that the sights name."""
    return list(dict.fromkeys([*EVERYBODY, *(sight.audience for sight in sights)]))


def as_json(sights: Sequence[Sight]) -> list[list[Any]]:
    return [
        [s.audience, s.level, *(at.isoformat() if at else None for at in (s.starts_at, s.ends_at))]
        for s in sights
    ]


def of_json(rows: Sequence[Sequence[Any]]) -> list[Sight]:
    return [
        Sight(row[0], row[1], *(parse_datetime(text) if text else None for text in row[2:])) for row in rows
    ]


def change(
    wanted: Mapping[Spot, Sequence[Sight]], viewer: Viewer, moment: datetime, words: str
) -> SharingChange | None:
    """Give these spots these sights, all or none, and keep what stood before. None: nothing changed."""
    assert viewer.member_id is not None  # noqa: S101
    if len(wanted) > MOST_AT_ONCE:
        raise ValidationError(f"{len(wanted)} spots are too many at once; {MOST_AT_ONCE} at most.")
    with transaction.atomic():
        before = {spot: sights_at(spot) for spot in wanted}
        changed = [spot for spot in wanted if set(before[spot]) != set(wanted[spot])]
        if not changed:
            return None
        for spot in changed:
            set_sights(spot, wanted[spot], viewer, moment)
        return SharingChange.objects.create(
            member_id=viewer.member_id,
            made_at=moment,
            words=words[:200],
            before={str(spot.pk): as_json(before[spot]) for spot in changed},
            after={str(spot.pk): as_json(sights_at(spot)) for spot in changed},
        )


def undo(made: SharingChange, viewer: Viewer, moment: datetime) -> None:
    """Put back what stood before a change, if nothing was changed on its spots since; all or none."""
    with transaction.atomic():
        made = SharingChange.objects.select_for_update().get(pk=made.pk)
        if made.undone_at is not None:
            raise ValidationError("This change has been undone already.")
        spots = {str(spot.pk): spot for spot in Spot.objects.filter(pk__in=list(made.after))}
        moved = [
            key
            for key, rows in made.after.items()
            if key not in spots or set(sights_at(spots[key])) != set(of_json(rows))
        ]
        if moved:
            named = (
                ", ".join(str(spots[key].sheet.name) for key in moved if key in spots)
                or "a spot that is gone"
            )
            raise ValidationError(f"Changed again since: {named}. Nothing was undone.")
        for key, rows in made.before.items():
            set_sights(spots[key], of_json(rows), viewer, moment)
        made.undone_at = moment
        made.save(update_fields=["undone_at"])


@dataclass(frozen=True)
class Turn:
    """How many spots one audience would see otherwise: from these words to those."""

    audience: str
    before: str
    after: str
    spots: int
    wider: bool


_STEPS = ("nothing", "the water only", "a zone", "the exact place")


def step_words(spot: ReleasedSpot | None) -> str:
    """Say how exactly a spot is seen, with the water someone would have to search."""
    if spot is None:
        return _STEPS[Level.HIDDEN]
    if spot.precision == "area" and spot.zone_ha is not None:
        return f"{_STEPS[Level.AREA]} of {spot.zone_ha:.0f} ha"
    if spot.precision == "exact":
        return _STEPS[Level.EXACT]
    return "all but its place" if spot.is_exact else _STEPS[Level.WATER]


def _step(spot: ReleasedSpot | None) -> tuple[int, float, str]:
    """Return (level, less water first, words): ordered by how much is told."""
    if spot is None:
        return (0, 0.0, _STEPS[0])
    rung = (
        f"{_STEPS[Level.AREA]} of {spot.zone_rung_ha} ha or more"
        if spot.precision == "area"
        else step_words(spot)
    )
    return (spot.level, -(spot.zone_ha or 0.0) if spot.precision == "area" else 0.0, rung)


class Watch:
    """What each audience sees of some spots, before and after something."""

    def __init__(self, spots: Sequence[uuid.UUID], audiences: Sequence[str], moment: datetime) -> None:
        self.spots, self.audiences, self.moment = spots, audiences, moment
        self.before = self._look()

    def _look(self) -> dict[str, dict[uuid.UUID, ReleasedSpot]]:
        return {audience: seen_as(self.spots, audience, self.moment) for audience in self.audiences}

    def turns(self) -> list[Turn]:
        """Return what differs now from when the watch began, audience by audience."""
        after = self._look()
        out = []
        for audience in self.audiences:
            count: Counter[tuple[str, str, bool]] = Counter()
            for spot in self.spots:
                was = _step(self.before[audience].get(spot))
                now = _step(after[audience].get(spot))
                if was != now:
                    count[was[2], now[2], now[:2] > was[:2]] += 1
            out += [Turn(audience, *key[:2], spots, key[2]) for key, spots in sorted(count.items())]
        return out


@dataclass(frozen=True)
class Preset:
    """A policy to start from: for each audience the default, the ceiling and the search hours at least."""

    key: str
    words: str
    about: str
    default: Mapping[str, int]
    ceiling: Mapping[str, int]
    hours: Mapping[str, float]


PRESETS = (
    Preset(
        "quiet",
        "Members only",
        "Members see zones of club spots; guests and the public see which water, and no more.",
        {"public": Level.WATER, "guest": Level.WATER, "members": Level.AREA},
        {"public": Level.WATER, "guest": Level.WATER, "members": Level.EXACT},
        {"public": 8, "guest": 8, "members": 4},
    ),
    Preset(
        "suggested",
        "Suggested",
        "Everybody sees zones: a working day of searching for the public, two hours for members.",
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.AREA},
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.EXACT},
        {"public": 8, "guest": 8, "members": 2},
    ),
    Preset(
        "pooled",
        "Members see the club's spots exactly",
        "What the club owns its members see exactly; guests and the public see zones.",
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.EXACT},
        {"public": Level.AREA, "guest": Level.AREA, "members": Level.EXACT},
        {"public": 8, "guest": 4, "members": 2},
    ),
)


def save_policy(rows: Sequence[AudiencePolicy]) -> None:
    """Save the policies of several audiences. Raises ValidationError for a default above its ceiling."""
    with transaction.atomic():
        for row in rows:
            if row.default_level > row.ceiling_level:
                name = EVERYBODY.get(row.audience, row.audience)
                raise ValidationError(f"{name}: the default may not be wider than the ceiling.")
            row.save()
