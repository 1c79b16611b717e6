"""When somebody leaves: their own data as one file, and what becomes of their own spots."""

import csv
import io
import json
import tempfile
import uuid
import zipfile
from collections.abc import Iterable
from datetime import datetime
from typing import IO

from django.db.models import Q

from club.models import Member
from club.viewer import Viewer, viewing
from observations.debrief.showing import gpx_of
from observations.debrief_models import Track
from observations.files.looks_export import write_looks
from observations.marking import annotations
from observations.models import Picture
from observations.pictures import content_of
from spots.disclosure_models import Channel
from spots.files.gpx import write_gpx
from spots.files.table import guarded
from spots.models import Grant, Position, Sheet, Spot, SpotZone, Water, owner_key
from spots.precision import ReleasedSpot, position_of, released_spots

SEAL, SEAL_ALL, DELETE = "seal", "seal-all", "delete"
CHOICES = {
    SEAL: "Seal my private spots. What I share stays shared as it is.",
    SEAL_ALL: "Seal all my spots, the shared ones too. Nobody sees them any more.",
    DELETE: "Delete my private spots. What I share stays shared as it is.",
}

_COLUMNS = ("name", "alias", "water", "lat", "lon", "typed", "error_m", "cover", "structure", "depth_min_m",
            "depth_max_m", "provenance", "placed_on", "permission", "notes")  # fmt: skip
_READ_ME = """Your own data from {club}.

spots.gpx   your own spots that have a position, for a plotter
spots.csv   all your own spots, with everything that is kept of them
looks.csv   your own looks, everywhere; without a place where you may not see it exactly
tracks/     the tracks that you debriefed, for a plotter
pictures/   the pictures that you uploaded, as they are kept: re-encoded, without their metadata; beside each
            what you drew and measured on it, as W3C Web Annotations

Units are SI, times carry their offset, positions are WGS 84. Not for navigation.
"""


def own_spots(member: Member) -> list[ReleasedSpot]:
    """Return a member's own spots (not their team's), as the current viewer sees them."""
    ids = list(Spot.objects.filter(owner=owner_key(member.pk, None)).values_list("pk", flat=True))
    return [spot for spot in released_spots(ids=ids, channel=Channel.EXPORT) if spot.owned]


def shared_ids(member: Member, moment: datetime) -> set[uuid.UUID]:
    """Return which of a member's own spots anybody else sees, or is going to."""
    key = owner_key(member.pk, None)
    grants = Grant.objects.filter(owner=key, replaced_at=None).exclude(audience=key)
    return set(
        grants.filter(Q(ends_at=None) | Q(ends_at__gt=moment))
        .exclude(level=0)
        .values_list("spot_id", flat=True)
    )


def own_data(member: Member, club: str) -> IO[bytes]:
    """Return a zip file of a member's own data, as the current viewer, who is that member, may see it."""
    spots = own_spots(member)
    file: IO[bytes] = tempfile.SpooledTemporaryFile(max_size=8 * 1024 * 1024)  # noqa: SIM115 - closed by whoever sends it
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("README.txt", _READ_ME.format(club=club))
        archive.writestr("spots.gpx", write_gpx(spots))
        archive.writestr("spots.csv", _spots_csv(spots))
        archive.writestr("looks.csv", write_looks(observer_id=member.pk)[0])
        for track in Track.objects.filter(member=member).order_by("started_at", "trip_id"):
            archive.writestr(f"tracks/{track.started_at:%Y-%m-%d-%H%M}-{track.trip_id}.gpx", gpx_of(track))
        for picture in Picture.objects.filter(uploaded_by=member).order_by("created_at", "id"):
            if content := content_of(picture):
                archive.writestr(zipfile.ZipInfo(f"pictures/{picture.stored_name}"), content)
            if marks := _marks(picture):
                archive.writestr(zipfile.ZipInfo(f"pictures/{picture.pk}.jsonld"), marks)
    file.seek(0)
    return file


def _marks(picture: Picture) -> str:
    """Return what is drawn on a picture, told of the file beside it; empty where nothing is."""
    names = {f"/pictures/{picture.pk}/": picture.stored_name}
    page = annotations(picture, lambda path: names.get(path, f"{picture.pk}.jsonld"))
    return json.dumps(page, indent=1) if page["items"] else ""


def data_of_former(member: Member, club: str, moment: datetime) -> IO[bytes]:
    """Return the same for somebody who has left: seen by themselves alone, in no other audience."""
    with viewing(Viewer(member.pk, (f"member:{member.pk}",)), moment):
        return own_data(member, club)


def _spots_csv(spots: Iterable[ReleasedSpot]) -> str:
    waters = dict(Water.objects.values_list("pk", "name"))
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, _COLUMNS, restval="")
    writer.writeheader()
    for spot in spots:
        row = {
            "name": spot.label,
            "alias": spot.alias,
            "water": waters[spot.water_id],
            **{
                key: getattr(spot, key)
                for key in _COLUMNS
                if hasattr(spot, key) and key not in ("name", "alias")
            },
        }
        if position := position_of(spot):
            row |= {
                "lat": position.point.y,
                "lon": position.point.x,
                "typed": position.typed,
                "error_m": position.error_m,
            }
        writer.writerow(
            {key: guarded(value) if isinstance(value, str) else value for key, value in row.items()}
        )
    return out.getvalue()


def settle_spots(member: Member, choice: str, moment: datetime) -> None:
    """Do with a leaver's own spots what they chose. Runs as they themselves, before they leave.

    Deleted are position, sheet (name, notes, depth), zones and alias. Looks there stay, sealed and without a
    place: a sealed call never goes.
    """
    key = owner_key(member.pk, None)
    if choice == SEAL_ALL:
        others = Grant.objects.filter(owner=key).exclude(audience=key)
        others.filter(starts_at__gte=moment).delete()
        others.filter(Q(ends_at=None) | Q(ends_at__gt=moment)).update(ends_at=moment)
    if choice == DELETE:
        private = Spot.objects.filter(owner=key).exclude(pk__in=shared_ids(member, moment))
        ids = list(private.values_list("pk", flat=True))
        for model in (Position, Sheet, SpotZone):
            model.objects.filter(spot_id__in=ids).delete()
        Spot.objects.filter(pk__in=ids).update(alias="")
