"""The sharing desk's questions: who sees what, what a change would do, and taking a change back."""

import hashlib
import json
import uuid
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet
from django.utils.dateparse import parse_datetime

from club.models import Level, Member, Team
from club.viewer import Viewer
from spots.granting import EVERYBODY, Sight, audience_exists, seen_as, set_many, shared_owners, sights_of
from spots.models import SharingChange, Spot
from spots.precision import ReleasedSpot

# The most spots that one bulk change takes.
MOST_AT_ONCE = 5000


def own_spots(viewer: Viewer) -> QuerySet[Spot]:
    """Return the spots whose sharing the viewer decides, by water and by the name shown to them."""
    spots = Spot.objects.filter(owner__in=shared_owners(viewer)).select_related("water", "sheet")
    return spots.order_by("water__name", "water_id", "sheet__name", "id")


def name_of(spot: Spot) -> str:
    """Return the name on a spot's sheet; where that is not there, or not to be read now, what others call it."""
    sheet = getattr(spot, "sheet", None)
    return sheet.name if sheet else str(spot)


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


def mark_of(spots: Collection[Spot]) -> str:
    """Return a mark of how these spots are shared now, to tell whether it changed between two requests."""
    stands = {str(spot.pk): sorted(map(repr, sights)) for spot, sights in sights_of(spots).items()}
    return hashlib.sha256(json.dumps(stands, sort_keys=True).encode()).hexdigest()[:32]


def change(
    wanted: Mapping[Spot, Sequence[Sight]], viewer: Viewer, moment: datetime, words: str
) -> SharingChange | None:
    """Give these spots these sights, all or none, and keep what stood before. None: nothing changed.

    Raises ValidationError that says what cannot be.
    """
    assert viewer.member_id is not None  # noqa: S101
    if len(wanted) > MOST_AT_ONCE:
        raise ValidationError(f"{len(wanted)} spots are too many at once; {MOST_AT_ONCE} at most.")
    with transaction.atomic():
        before = sights_of(list(wanted))
        changed = [spot for spot in wanted if set(before[spot]) != set(wanted[spot])]
        if not changed:
            return None
        set_many({spot: wanted[spot] for spot in changed}, viewer, moment)
        after = sights_of(changed)
        return SharingChange.objects.create(
            member_id=viewer.member_id,
            made_at=moment,
            words=words[:200],
            before={str(spot.pk): as_json(before[spot]) for spot in changed},
            after={str(spot.pk): as_json(after[spot]) for spot in changed},
        )


def undo(made: SharingChange, viewer: Viewer, moment: datetime) -> None:
    """Put back what stood before a change, if nothing was changed on its spots since; all or none.

    What it widens is known from now on, like any widening. Raises ValidationError that names what changed.
    """
    with transaction.atomic():
        made = SharingChange.objects.select_for_update().get(pk=made.pk)
        if made.undone_at is not None:
            raise ValidationError("This change has been undone already.")
        spots = {str(spot.pk): spot for spot in own_spots(viewer).filter(pk__in=list(made.after))}
        stands = sights_of(list(spots.values()))
        lost = len(made.after) - len(spots)
        moved = [spot for key, spot in spots.items() if set(stands[spot]) != set(of_json(made.after[key]))]
        if lost:
            raise ValidationError(f"{lost} of its spots are not yours to share any more. Nothing was undone.")
        if moved:
            named = ", ".join(name_of(spot) for spot in moved[:5]) + (" and more" if len(moved) > 5 else "")
            raise ValidationError(f"Changed again since: {named}. Nothing was undone.")
        known = cache(audience_exists)
        set_many(
            {
                spots[key]: [
                    sight
                    for sight in of_json(rows)
                    if known(sight.audience) and (sight.ends_at is None or sight.ends_at > moment)
                ]
                for key, rows in made.before.items()
            },
            viewer,
            moment,
        )
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


HOW_WORDS = ("nothing", "the water only", "a zone", "the exact place")


@dataclass(frozen=True)
class Seen:
    """How exactly one audience sees one spot, in words, with the water that leaves to search."""

    who: str
    step: str
    sign: str
    hectares: float | None = None
    hours: float | None = None
    spot: ReleasedSpot | None = None

    @property
    def hours_text(self) -> str:
        """The hours as far as they mean anything: to a tenth below ten."""
        return "" if self.hours is None else f"{self.hours:.0f}" if self.hours >= 10 else f"{self.hours:.1f}"


def seen_words(who: str, spot: ReleasedSpot | None, ha_per_hour: float) -> Seen:
    if spot is None:
        return Seen(who, HOW_WORDS[Level.HIDDEN], "hidden")
    if spot.precision == "area" and spot.zone_ha is not None:
        return Seen(who, HOW_WORDS[Level.AREA], "area", spot.zone_ha, spot.zone_ha / ha_per_hour, spot)
    if spot.precision == "exact":
        return Seen(who, HOW_WORDS[Level.EXACT], "exact", spot=spot)
    return Seen(who, "all but its place" if spot.is_exact else HOW_WORDS[Level.WATER], "water", spot=spot)


def _step(spot: ReleasedSpot | None) -> tuple[int, float, str]:
    """Return (level, less water first, words): ordered by how much is told."""
    if spot is None:
        return (0, 0.0, HOW_WORDS[0])
    rung = seen_words("", spot, 1.0).step
    if spot.precision == "area":
        rung = f"{rung} of {spot.zone_rung_ha} ha or more"
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
