"""What may be taken out as a file: one list behind the export page, its addresses and the command."""

import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from club.viewer import Viewer
from observations.files.looks_export import write_looks
from observations.files.occurrences import write_occurrences
from spots.disclosure_models import Channel
from spots.files.features import write_geojson
from spots.files.gpx import write_gpx
from spots.files.kml import write_kml
from spots.files.levels import write_levels
from spots.files.spots_csv import write_spots_csv
from spots.models import Water
from spots.precision import ReleasedSpot, released_spots


@dataclass(frozen=True)
class Asked:
    """Who asks for what: of one water or one spot, and of whose spots where an owner must choose."""

    viewer: Viewer
    moment: datetime
    water_id: uuid.UUID | None = None
    spot_ids: list[uuid.UUID] | None = None
    of: str = ""


@dataclass(frozen=True)
class Written:
    """The text of a file, and how many of its positions the daily cap holds back."""

    text: str
    held: int = 0


@dataclass(frozen=True)
class Export:
    """One kind of file. `write` is to be called inside `viewing`; it may raise ValidationError."""

    name: str
    content_type: str
    write: Callable[[Asked], Written]
    for_guests: bool = False


def _spots(write: Callable[[list[ReleasedSpot]], str]) -> Callable[[Asked], Written]:
    def written(asked: Asked) -> Written:
        spots = released_spots(water_id=asked.water_id, ids=asked.spot_ids, channel=Channel.EXPORT)
        return Written(write(spots), sum(spot.held for spot in spots))

    return written


def _waters() -> dict[uuid.UUID, str]:
    return dict(Water.objects.values_list("pk", "name"))


EXPORTS = {
    item.name: item
    for item in (
        Export("spots.gpx", "application/gpx+xml", _spots(write_gpx), for_guests=True),
        Export(
            "spots.geojson",
            "application/geo+json",
            _spots(lambda spots: write_geojson(spots, _waters())),
            for_guests=True,
        ),
        Export(
            "spots.kml",
            "application/vnd.google-earth.kml+xml",
            _spots(lambda spots: write_kml(spots, _waters())),
            for_guests=True,
        ),
        Export(
            "spots.csv",
            "text/csv; charset=utf-8",
            _spots(lambda spots: write_spots_csv(spots, _waters())),
            for_guests=True,
        ),
        Export(
            "levels.csv",
            "text/csv; charset=utf-8",
            lambda asked: Written(write_levels(asked.water_id)),
            for_guests=True,
        ),
        Export("looks.csv", "text/csv; charset=utf-8", lambda asked: Written(*write_looks(asked.water_id))),
        Export(
            "occurrences.csv",
            "text/csv; charset=utf-8",
            lambda asked: Written(write_occurrences(asked.of, asked.viewer, asked.moment, asked.water_id)),
        ),
    )
}
