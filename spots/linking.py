"""One place, kept by two owners: proposing that, agreeing, and ending it.

Only spots that the asker sees exactly are ever offered, by name; nothing is compared, so a hidden twin
cannot be felt for. A link widens nobody's sight: who may see one of the two is as before, told nothing of
the other.
"""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import DatabaseError, connection, transaction
from django.db.models import Q
from django.http import Http404

from club.viewer import Viewer
from spots.disclosure_models import Channel
from spots.link_models import SpotLink
from spots.precision import ReleasedSpot, released_spots
from spots.rules import shares

GONE = "A spot that you do not see"


def exactly_seen(water_id: uuid.UUID) -> list[ReleasedSpot]:
    """Return the spots of a water that the viewer sees exactly, in the order of what is shown of them."""
    return [spot for spot in released_spots(water_id=water_id, channel=Channel.UNSEEN) if spot.is_exact]


def shared_by_viewer(keys: Iterable[uuid.UUID]) -> set[uuid.UUID]:
    """Return which of these spots the viewer decides about."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT s.id FROM spots_spot s WHERE s.id = ANY (%s) AND {shares('s.owner')}", [list(keys)]
        )
        return {row[0] for row in cursor.fetchall()}


def partners(spot: ReleasedSpot) -> list[ReleasedSpot]:
    """Return the spots that this one may be proposed to be the same place as.

    One side is the viewer's to share, the other they see exactly; Http404 for a spot that they do not.
    """
    if not spot.is_exact:
        raise Http404
    seen = exactly_seen(spot.water_id)
    mine = shared_by_viewer(other.id for other in seen)
    taken = {key for link in open_links() for key in (link.one_id, link.other_id) if spot.id in _pair(link)}
    return [
        other
        for other in seen
        if other.id != spot.id and other.id not in taken and (spot.id in mine or other.id in mine)
    ]


def _pair(link: SpotLink) -> tuple[uuid.UUID, uuid.UUID]:
    return link.one_id, link.other_id


def open_links() -> list[SpotLink]:
    return list(SpotLink.objects.filter(ended_at=None).select_related("proposed_by"))


def propose(spot: ReleasedSpot, other_id: uuid.UUID, viewer: Viewer) -> SpotLink:
    """Propose that two spots are the same place. Raises ValidationError unless it may be proposed."""
    if other_id not in {found.id for found in partners(spot)}:
        raise ValidationError("Choose one of the spots listed.")
    one, other = sorted((spot.id, other_id))
    link = SpotLink(one_id=one, other_id=other, water_id=spot.water_id, proposed_by_id=viewer.member_id)
    try:
        with transaction.atomic():
            link.save(force_insert=True)
    except DatabaseError as error:
        raise ValidationError("This pair cannot be proposed now. Look again.") from error
    link.refresh_from_db()
    return link


def agree(link: SpotLink, moment: datetime) -> None:
    """Agree for the sides that are the viewer's to share."""
    fields = [
        f"{side}_agreed_at"
        for side, key in (("one", link.one_id), ("other", link.other_id))
        if getattr(link, f"{side}_agreed_at") is None and shared_by_viewer([key])
    ]
    if link.ended_at or not fields:
        raise ValidationError("There is nothing here for you to agree to any more.")
    for name in fields:
        setattr(link, name, moment)
    link.save(update_fields=fields)


def end(link: SpotLink, moment: datetime) -> None:
    """Decline, take back or unlink: either side may, at any time."""
    if link.ended_at or not shared_by_viewer(_pair(link)):
        raise ValidationError("This link has ended already.")
    link.ended_at = moment
    link.save(update_fields=["ended_at"])


def twins(spot: ReleasedSpot) -> list[ReleasedSpot]:
    """Return the spots that are the same place as this one, for who sees both exactly."""
    if not spot.is_exact:
        return []
    links = SpotLink.objects.filter(Q(one=spot.id) | Q(other=spot.id), ended_at=None)
    keys = [key for link in links if link.holds for key in _pair(link) if key != spot.id]
    found = released_spots(ids=keys, channel=Channel.UNSEEN) if keys else []
    return [twin for twin in found if twin.is_exact]


@dataclass(frozen=True)
class LinkRow:
    """A link as one side's owner reads it."""

    link: SpotLink
    mine: str
    mine_id: uuid.UUID
    theirs: str
    theirs_id: uuid.UUID | None
    proposer: str
    by_me: bool
    waits_for_me: bool


def rows_for(viewer: Viewer) -> list[LinkRow]:
    """Return the open links of the spots that the viewer decides about, newest first."""
    links = open_links()
    keys = sorted({key for link in links for key in _pair(link)})
    seen = {spot.id: spot for spot in released_spots(ids=keys, channel=Channel.UNSEEN)} if keys else {}
    mine = shared_by_viewer(seen)
    rows = []
    for link in links:
        sides = [(link.one_id, link.one_agreed_at), (link.other_id, link.other_agreed_at)]
        own = [side for side in sides if side[0] in mine]
        if not own:
            continue
        key = own[0][0]
        their_key = next(side[0] for side in sides if side[0] != key)
        theirs = seen.get(their_key)
        rows.append(
            LinkRow(
                link=link,
                mine=seen[key].label,
                mine_id=key,
                theirs=theirs.label if theirs else GONE,
                theirs_id=theirs.id if theirs else None,
                proposer=link.proposed_by.shown_name if link.proposed_by else "somebody who left",
                by_me=link.proposed_by_id == viewer.member_id,
                waits_for_me=any(agreed is None for _, agreed in own),
            )
        )
    return rows
