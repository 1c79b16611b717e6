"""Who is given which sight of a spot: changing grants, and trying a change before it is made.

A change that is nowhere wider keeps the row and its age. A wider sight is a new row, known from now on, and
the row it takes the place of stands on for those who are frozen at an earlier cut-off. What is taken away is
gone for everybody at once.
"""

import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction

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


def may_share(spot: Spot, viewer: Viewer) -> bool:
    """Say whether the viewer decides who sees a spot: its owner, of a team's a captain, of the club's an organiser."""
    if spot.owner not in viewer.audiences:
        return False
    if spot.owner_team_id is None:
        return True
    captains = TeamMembership.objects.filter(team=spot.owner_team_id, is_captain=True)
    return captains.filter(member=viewer.member_id).exists() or not captains.exists()


def check_sights(spot: Spot, sights: Sequence[Sight]) -> None:
    """Raise ValidationError for a sight that cannot be: an unknown audience, times out of order, a bad level."""
    for sight in sights:
        if sight.audience == spot.owner:
            raise ValidationError({"audience": "The owner always sees the spot exactly."})
        if not _audience_exists(sight.audience):
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


def _audience_exists(audience: str) -> bool:
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


def sights_at(spot: Spot) -> list[Sight]:
    """Return who is given which sight of a spot now and later, but for its owner."""
    grants = Grant.objects.filter(spot=spot, replaced_at=None).exclude(audience=spot.owner)
    return [sight_of(grant) for grant in grants.order_by("audience", "starts_at", "id")]


def set_sights(spot: Spot, wanted: Sequence[Sight], viewer: Viewer, moment: datetime) -> None:
    """Make these the sights of a spot, the owner's aside. Raises ValidationError or PermissionDenied first.

    Runs as the viewer; row-level security asks again whether they own the spot.
    """
    if not may_share(spot, viewer):
        raise PermissionDenied
    check_sights(spot, wanted)
    with transaction.atomic():
        grants = list(
            Grant.objects.select_for_update()
            .filter(spot=spot, replaced_at=None)
            .exclude(audience=spot.owner)
            .order_by("audience", "id")
        )
        new = list(wanted)
        for grant in list(grants):
            if sight_of(grant) in new:
                new.remove(sight_of(grant))
                grants.remove(grant)
        for grant in list(grants):
            old = sight_of(grant)
            narrower = next((sight for sight in new if covers(old, sight)), None)
            if narrower is not None:
                grant.level, grant.starts_at, grant.ends_at = (
                    narrower.level,
                    narrower.starts_at,
                    narrower.ends_at,
                )
                grant.save(update_fields=["level", "starts_at", "ends_at"])
                new.remove(narrower)
                grants.remove(grant)
        for grant in grants:
            if any(covers(sight, sight_of(grant)) for sight in wanted):
                grant.replaced_at = moment
                grant.save(update_fields=["replaced_at"])
            else:
                grant.delete()
        # A row that stood on for the frozen goes with what is taken away.
        for grant in Grant.objects.filter(spot=spot).exclude(replaced_at=None):
            if not any(covers(sight, sight_of(grant)) for sight in wanted):
                grant.delete()
        Grant.objects.bulk_create(
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
            for sight in new
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
    return Viewer(None, viewer_of(member).audiences)


@contextmanager
def trial() -> Iterator[None]:
    """Run the body and take back whatever it saved."""
    with transaction.atomic():
        mark = transaction.savepoint()
        try:
            yield
        finally:
            transaction.savepoint_rollback(mark)


def seen_as(spot_ids: Sequence[uuid.UUID], audience: str, moment: datetime) -> dict[uuid.UUID, ReleasedSpot]:
    """Return these spots as somebody of the audience would see them. Ask for one's own spots only.

    Nobody has been shown anything: what the log of disclosures says of it is taken back.
    """
    with trial(), viewing(viewer_as(audience), moment):
        return {spot.id: spot for spot in released_spots(ids=spot_ids, channel=Channel.PAGE)}
