"""The spots an importer sees exactly, by water and name. No other spot exists for an import."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass

from django.contrib.gis.geos import Point

from spots.disclosure_models import Channel
from spots.precision import ReleasedSpot, released_spots


def name_key(name: str) -> str:
    """Return what two spellings of one name share: letters in any case, spaces in any number."""
    return " ".join(name.split()).casefold()


@dataclass(frozen=True)
class Known:
    """A spot that is there already, or that this file will create."""

    id: uuid.UUID
    water_id: uuid.UUID
    name: str
    point: Point | None
    scope: str


def _known(spot: ReleasedSpot, name: str) -> Known:
    point = None
    if spot.geometry and spot.geometry["type"] == "Point":
        longitude, latitude = spot.geometry["coordinates"]
        point = Point(longitude, latitude, srid=4326)
    return Known(spot.id, spot.water_id, name, point, spot.scope)


class KnownSpots:
    """Spots by (water, name)."""

    def __init__(self, names: Iterable[str], water_id: uuid.UUID | None = None) -> None:
        """`names` are those that the file gives a position for: only theirs are compared, and so disclosed."""
        self._by_name: dict[str, list[Known]] = {}
        self._tried: dict[tuple[str, uuid.UUID], int] = {}
        self._by_id: dict[str, Known] = {}
        spots = [spot for spot in released_spots(water_id=water_id, channel=Channel.UNSEEN) if spot.is_exact]
        placed = {name_key(name) for name in names}
        compared = [spot.id for spot in spots if name_key(spot.label) in placed]
        at = {spot.id: spot for spot in released_spots(ids=compared, channel=Channel.IMPORT)}
        for spot in spots:
            self.add(_known(at.get(spot.id, spot), spot.label))

    def add(self, spot: Known) -> None:
        self._by_name.setdefault(name_key(spot.name), []).append(spot)
        self._by_id[str(spot.id)] = spot

    def of_id(self, key: str) -> Known | None:
        """Return the spot that had this id where the file came from, if it came from here."""
        return self._by_id.get(key.strip().casefold())

    def named(self, name: str, water_id: uuid.UUID | None = None) -> list[Known]:
        """Return the spots of that name on one water, or on any."""
        spots = self._by_name.get(name_key(name), [])
        return [spot for spot in spots if water_id in (None, spot.water_id)]

    def free_name(self, name: str, water_id: uuid.UUID) -> str:
        """Return the name, or the name with the first number that makes it new on this water."""
        if not self.named(name, water_id):
            return name
        at = (name_key(name), water_id)
        for number in range(self._tried.get(at, 1) + 1, 1_000_000):
            numbered = f"{name[:70]} ({number})"
            if not self.named(numbered, water_id):
                self._tried[at] = number
                return numbered
        raise ValueError("there are a million spots of one name")
