"""Who is given which sight of a spot: changing grants, and trying a change before it is made.

A change that is nowhere wider keeps the row and its age. A wider sight is a new row, known from now on, and
the row it takes the place of stands on for those who are frozen at an earlier cut-off. What is taken away is
gone for everybody at once.
"""

import uuid
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.db.models import F, Q

from club.juniors import REFUSED as JUNIOR_REFUSED
from club.juniors import exact_audiences, too_wide
from club.models import Level, Member, Team, TeamMembership
from club.viewer import PUBLIC, Viewer, viewer_of, viewing
from spots.disclosure_models import Channel
from spots.models import Grant, Spot
from spots.precision import ReleasedSpot, released_spots

EVERYBODY = {"public": "Anyone, signed out", "guest": "Guests", "members": "Members"}


@dataclass(frozen=True)
class Sight:
    """One audience's sight of a spot. `level` none: the club's default, whatever it is when somebody looks."""

    audience: str
    level: int | None
    starts_at: datetime | None = None
    ends_at: datetime | None = None


def sight_of(grant: Grant) -> Sight:
    return Sight(grant.audience, grant.level, grant.starts_at, grant.ends_at)


def covers(wide: Sight, narrow: Sight) -> bool:
    """Say whether `wide` gives its audience all that `narrow` gives. A default compares with itself alone."""
    if wide.audience != narrow.audience:
        return False
    if wide.level is None or narrow.level is None:
        level = wide.level is narrow.level or narrow.level == Level.HIDDEN
    else:
        level = wide.level >= narrow.level
    starts = wide.starts_at is None or (narrow.starts_at is not None and wide.starts_at <= narrow.starts_at)
    ends = wide.ends_at is None or (narrow.ends_at is not None and wide.ends_at >= narrow.ends_at)
    return level and starts and ends


def shared_owners(viewer: Viewer) -> frozenset[str]:
    """Return the owners, as audience keys, for whom the viewer decides who sees what (`spots.rules.shares`).

    A member for themself, an organiser for the club, and for a team its captain, or anybody in it while it
    has none.
    """
    owners = {f"member:{viewer.member_id}"} | ({"organisers"} if viewer.is_organiser else set())
    captains = TeamMembership.objects.filter(team__in=viewer.team_ids, is_captain=True)
    captains_of: dict[uuid.UUID, set[uuid.UUID]] = {}
    for team, member in captains.order_by("pk").values_list("team_id", "member_id"):
        captains_of.setdefault(team, set()).add(member)
    led = [team for team in viewer.team_ids if viewer.member_id in captains_of.get(team, {viewer.member_id})]
    return frozenset(owners & set(viewer.audiences)) | {f"team:{team}" for team in led}


def may_share(spot: Spot, viewer: Viewer) -> bool:
    """Say whether the viewer decides who sees a spot."""
    return spot.owner in shared_owners(viewer)


def check_sights(owner: str, sights: Sequence[Sight], named: Callable[[str], bool] | None = None) -> None:
    """Raise ValidationError for a sight that cannot be: an unknown audience, times out of order, a bad level."""
    for sight in sights:
        if sight.audience == owner:
            raise ValidationError({"audience": "The owner always sees the spot exactly."})
        if not (named or audience_exists)(sight.audience):
            raise ValidationError({"audience": f"“{sight.audience[:60]}” is nobody a spot can be shown to."})
        if sight.level is None and sight.audience not in EVERYBODY:
            raise ValidationError(
                {"level": "The club has no default for a team or one member: say how exactly."}
            )
        if sight.level is not None and sight.level not in Level.values:
            raise ValidationError({"level": f"{sight.level} is not a level."})
        if sight.starts_at and sight.ends_at and sight.starts_at >= sight.ends_at:
            raise ValidationError({"ends_at": "The end must come after the start."})
    if len(set(sights)) != len(sights):
        raise ValidationError({"audience": "The same sight stands there twice."})


def audience_exists(audience: str) -> bool:
    if audience in EVERYBODY:
        return True
    kind, _, key = audience.partition(":")
    try:
        number = uuid.UUID(key)
    except ValueError:
        return False
    if audience != f"{kind}:{number}":
        return False
    if kind == "team":
        return Team.objects.filter(pk=number).exists()
    return kind == "member" and Member.objects.filter(pk=number, is_active=True).exists()


def sights_of(spots: Collection[Spot], moment: datetime | None = None) -> dict[Spot, list[Sight]]:
    """Return who is given which sight of each spot, but for its owner; with a moment, those not over then."""
    by_id = {spot.pk: spot for spot in spots}
    out: dict[Spot, list[Sight]] = {spot: [] for spot in spots}
    grants = Grant.objects.filter(spot__in=by_id, replaced_at=None).exclude(audience=F("owner"))
    if moment is not None:
        grants = grants.filter(Q(ends_at=None) | Q(ends_at__gt=moment))
    for grant in grants.order_by("audience", "starts_at", "id"):
        out[by_id[grant.spot_id]].append(sight_of(grant))
    return out


def sights_at(spot: Spot, moment: datetime | None = None) -> list[Sight]:
    return sights_of([spot], moment)[spot]


@dataclass
class Plan:
    """What becomes of a spot's rows: some narrowed in place, some kept for the frozen, some gone, some new."""

    narrowed: list[Grant] = field(default_factory=list)
    replaced: list[Grant] = field(default_factory=list)
    gone: list[Grant] = field(default_factory=list)
    new: list[Sight] = field(default_factory=list)


def plan(rows: Sequence[Grant], wanted: Sequence[Sight]) -> Plan:
    """Decide how a spot's rows, those replaced before included, become the wanted sights.

    A row that covers what is wanted is narrowed to it. One that is wanted wider is replaced. What nothing
    wanted covers any more goes, and with it what it had replaced.
    """
    out = Plan(new=list(wanted))
    left = []
    for row in (row for row in rows if row.replaced_at is None):
        if sight_of(row) in out.new:
            out.new.remove(sight_of(row))
        else:
            left.append(row)
    for row in left:
        covered = (sight for sight in out.new if covers(sight_of(row), sight))
        if (narrower := next(covered, None)) is not None:
            row.level, row.starts_at, row.ends_at = narrower.level, narrower.starts_at, narrower.ends_at
            out.new.remove(narrower)
            out.narrowed.append(row)
        elif any(covers(sight, sight_of(row)) for sight in wanted):
            out.replaced.append(row)
        else:
            out.gone.append(row)
    out.gone += [
        row
        for row in rows
        if row.replaced_at is not None and not any(covers(sight, sight_of(row)) for sight in wanted)
    ]
    return out


def set_sights(spot: Spot, wanted: Sequence[Sight], viewer: Viewer, moment: datetime) -> None:
    """Make these the sights of a spot, the owner's aside: see `set_many`."""
    set_many({spot: wanted}, viewer, moment)


def set_many(wanted: Mapping[Spot, Sequence[Sight]], viewer: Viewer, moment: datetime) -> None:
    """Make these the sights of these spots, the owners' aside, all or none.

    Raises ValidationError or PermissionDenied first. Runs as the viewer; row-level security asks again
    whether they decide.
    """
    owners, known, exact = shared_owners(viewer), cache(audience_exists), cache(exact_audiences)
    standing = sights_of(list(wanted))
    for spot, sights in wanted.items():
        if spot.owner not in owners:
            raise PermissionDenied
        # What stands may name somebody who has left since; it is not asked again.
        check_sights(spot.owner, [sight for sight in sights if sight not in standing[spot]], known)
        if too_wide(exact(spot.owner), [(sight.audience, sight.level) for sight in sights]):
            raise ValidationError({"level": JUNIOR_REFUSED})
    by_id = {spot.pk: spot for spot in wanted}
    rows: dict[Spot, list[Grant]] = {spot: [] for spot in wanted}
    with transaction.atomic():
        locked = Grant.objects.select_for_update().filter(spot__in=by_id).exclude(audience=F("owner"))
        for row in locked.order_by("spot_id", "audience", "id"):
            rows[by_id[row.spot_id]].append(row)
        plans = {spot: plan(rows[spot], wanted[spot]) for spot in wanted}
        narrowed = [row for each in plans.values() for row in each.narrowed]
        Grant.objects.bulk_update(narrowed, ["level", "starts_at", "ends_at"], batch_size=500)
        replaced = [row.pk for each in plans.values() for row in each.replaced]
        Grant.objects.filter(pk__in=replaced).update(replaced_at=moment)
        Grant.objects.filter(pk__in=[row.pk for each in plans.values() for row in each.gone]).delete()
        Grant.objects.bulk_create(
            (
                Grant(
                    spot=spot,
                    audience=sight.audience,
                    level=sight.level,
                    starts_at=sight.starts_at,
                    ends_at=sight.ends_at,
                    owner=spot.owner,
                    water_id=spot.water_id,
                    known_at=moment,
                    created_at=moment,
                    created_by_id=viewer.member_id,
                )
                for spot, each in plans.items()
                for sight in each.new
            ),
            batch_size=1000,
        )


def viewer_as(audience: str) -> Viewer:
    """Return somebody of an audience and of no other: to see as they would what is one's own to show."""
    if audience == "public":
        return PUBLIC
    if audience == "guest":
        return Viewer(None, ("public", "guest"))
    anybody = ("public", "guest", "members", "club")
    kind, _, key = audience.partition(":")
    if audience == "members":
        return Viewer(None, anybody)
    if kind == "team":
        return Viewer(None, (*anybody, audience), (uuid.UUID(key),))
    member = Member.objects.filter(pk=uuid.UUID(key), is_active=True).first()
    # Their teams as well: what they see of this spot they may see through one. Nobody in person: what they
    # have opened today is not the asker's to know.
    return Viewer(None, viewer_of(member).audiences, seen_as=member.pk if member else None)


@contextmanager
def trial() -> Iterator[None]:
    """Run the body and take back whatever it saved."""
    with transaction.atomic():
        mark = transaction.savepoint()
        try:
            yield
        finally:
            transaction.savepoint_rollback(mark)


def seen_as(
    spot_ids: Collection[uuid.UUID], audience: str, moment: datetime, *, drawn: bool = False
) -> dict[uuid.UUID, ReleasedSpot]:
    """Return these spots as somebody of the audience would see them. Ask for one's own spots only.

    `drawn`: with what they would see on the chart. Nobody has been shown anything: what the log of
    disclosures says of it is taken back.
    """
    channel = Channel.PAGE if drawn else Channel.UNSEEN
    with trial(), viewing(viewer_as(audience), moment):
        return {spot.id: spot for spot in released_spots(ids=list(spot_ids), channel=channel)}
