"""Darwin Core occurrences out, for biologists: verified fish, and of them only what the public is shown.

An owner chooses to give them away. Everything in the file is read as somebody who is signed out reads it, so
that it tells nothing that the chart does not: one row for each spot and species, of the last month in which it
was verified there. Terms are those of Darwin Core (https://dwc.tdwg.org/terms/); coordinates are generalised as
Chapman (2020), "Current best practices for generalizing sensitive species occurrence data", advises: a public
grid, never a shifted point, with the radius that holds the whole of it.
"""

import csv
import io
import json
import math
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from django.contrib.gis.geos import GEOSGeometry, MultiPolygon, Point
from django.core.exceptions import ValidationError

from club.models import Club, Team
from club.viewer import PUBLIC, Viewer, viewing
from observations.models import History
from observations.reading import histories_of, shown_time
from spots.disclosure_models import Channel
from spots.files.places import metres_between
from spots.granting import shared_owners, trial
from spots.models import Spot, Water
from spots.precision import ReleasedSpot, released_spots

COLUMNS = (
    "occurrenceID", "basisOfRecord", "occurrenceStatus", "scientificName", "taxonRank", "vernacularName",
    "eventDate", "waterBody", "locality", "decimalLatitude", "decimalLongitude", "geodeticDatum",
    "coordinateUncertaintyInMeters", "footprintWKT", "footprintSRS", "samplingEffort",
    "identificationVerificationStatus", "dataGeneralizations", "informationWithheld", "occurrenceRemarks",
    "datasetName",
)  # fmt: skip
_DATUM = "EPSG:4326"
_WITHHELD = "observer and checker names, pictures, lengths, and depth of the fish"
_NAMESPACE = uuid.UUID("6d0f1f0e-3c0b-5d5f-9d0a-6a6c4d8b1f3e")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def owners_to_choose(viewer: Viewer) -> list[tuple[str, str]]:
    """Return whose spots the viewer may give away, as (value, words)."""
    keys = shared_owners(viewer)
    teams = {f"team:{team.pk}": team.name for team in Team.objects.filter(pk__in=viewer.team_ids)}
    chosen = [("self", "Your own spots")] if viewer.is_member else []
    chosen += [(key, f"Spots of {teams[key]}") for key in keys if key in teams]
    return chosen + ([("club", "The club’s spots")] if viewer.is_organiser else [])


def write_occurrences(of: str, viewer: Viewer, moment: datetime, water_id: uuid.UUID | None = None) -> str:
    """Return the CSV of one owner's spots: `self`, `team:<id>` or `club`. To be called inside `viewing`.

    Raises ValidationError where nothing is chosen, or not the viewer's to give.
    """
    if of not in dict(owners_to_choose(viewer)):
        may = ", ".join(value for value, _ in owners_to_choose(viewer)) or "nobody’s"
        raise ValidationError({"of": f"Choose whose spots to give away: {may}."})
    owner = {"self": f"member:{viewer.member_id}", "club": "organisers"}.get(of, of)
    ids = list(Spot.objects.filter(owner=owner).values_list("pk", flat=True))
    # With this channel no position comes out but the viewer's own.
    own = {spot.id: spot for spot in released_spots(ids=ids, water_id=water_id, channel=Channel.UNSEEN)}
    club = Club.objects.get()
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, restval="")
    writer.writeheader()
    with trial(), viewing(PUBLIC, moment):
        shown = released_spots(ids=list(own), channel=Channel.UNSEEN)
        told = histories_of(shown, PUBLIC)
        places = _Places(Water.objects.in_bulk({spot.water_id for spot in shown}))
        for spot in shown:
            for history in sorted(told.get(spot.id, []), key=lambda row: row.species.order):
                if history.last_verified is not None and history.species.scientific_name:
                    place = places.of(spot, own[spot.id])
                    writer.writerow({**_occurrence(spot, history, place), "datasetName": club.name})
    return out.getvalue()


@dataclass(frozen=True)
class _Place:
    """Where something is said to be: a centre with the radius in metres that holds all of it, and its outline."""

    locality: str
    generalised: str
    water: str
    centre: tuple[float, float] | None = None
    radius_m: int | None = None
    footprint: str = ""


class _Places:
    """Places as the public is shown them; a zone is measured once."""

    def __init__(self, waters: dict[uuid.UUID, Water]) -> None:
        self.waters = waters
        self._known: dict[uuid.UUID, _Place] = {}

    def of(self, spot: ReleasedSpot, own: ReleasedSpot) -> _Place:
        water = self.waters[spot.water_id]
        if spot.precision == "exact" and own.geometry is not None:
            longitude, latitude = own.geometry["coordinates"]
            # Darwin Core: no uncertainty is given where it is not known; zero is not one.
            return _Place(spot.label, "", water.name, (longitude, latitude))
        key = spot.zone_id if spot.precision == "area" and spot.zone_id else water.pk
        if key not in self._known:
            self._known[key] = self._area(spot, water)
        return self._known[key]

    def _area(self, spot: ReleasedSpot, water: Water) -> _Place:
        if spot.precision == "area" and spot.geometry is not None:
            area = GEOSGeometry(json.dumps(spot.geometry), srid=4326)
            assert isinstance(area, MultiPolygon)  # noqa: S101 - what a zone is
            words = (
                f"Position generalised to a zone of whole map squares (OGC WebMercatorQuad) that holds at least"
                f" {spot.zone_rung_ha} ha of water; coordinates are the middle of the zone’s box."
            )
            centre, radius = circle_around(area)
            locality = f"{water.name}, zone {spot.zone_number} of {spot.zone_rung_ha} ha"
            return _Place(locality, words, water.name, centre, radius, area.wkt)
        words = "Position generalised to the water."
        if water.outline is None:
            return _Place(water.name, words, water.name)
        words += " Coordinates are the middle of the water’s box."
        return _Place(water.name, words, water.name, *circle_around(water.outline))


def circle_around(area: MultiPolygon) -> tuple[tuple[float, float], int]:
    """Return the middle (longitude, latitude) of an area's box, and the metres to its farthest corner, rounded up.

    WGS 84, geodesic. The middle is rounded to what is written before the radius is measured from it.
    """
    west, south, east, north = area.extent
    longitude, latitude = round((west + east) / 2, 5), round((south + north) / 2, 5)
    middle = Point(longitude, latitude, srid=4326)
    corners = [Point(corner[0], corner[1], srid=4326) for polygon in area for corner in polygon[0][:-1]]
    return (longitude, latitude), math.ceil(max(metres_between([(middle, corner) for corner in corners])))


def _occurrence(spot: ReleasedSpot, history: History, place: _Place) -> dict[str, object]:
    exact = spot.is_exact
    withheld = _WITHHELD if exact else f"exact position, day and time, cover, structure, {_WITHHELD}"
    generalised = [place.generalised] if place.generalised else []
    if not exact:
        generalised.append("Date generalised to the month.")
    row: dict[str, object] = {
        "occurrenceID": f"urn:uuid:{uuid.uuid5(_NAMESPACE, f'{spot.id} {history.species_id}')}",
        "basisOfRecord": "HumanObservation",
        "occurrenceStatus": "detected",
        "scientificName": history.species.scientific_name,
        "taxonRank": "species" if " " in history.species.scientific_name else "genus",
        "vernacularName": history.species.name,
        "eventDate": shown_time(history.last_verified, exact),
        "waterBody": place.water,
        "locality": place.locality,
        "samplingEffort": _effort(history),
        "identificationVerificationStatus": "verified by a second person, from a picture or the fish in hand",
        "dataGeneralizations": " ".join(generalised),
        "informationWithheld": f"Withheld: {withheld}. May be asked for from the data’s owner through the club.",
        "occurrenceRemarks": "; ".join(_remarks(history)),
    }
    if place.centre is not None:
        row |= {
            "decimalLongitude": repr(place.centre[0]),
            "decimalLatitude": repr(place.centre[1]),
            "geodeticDatum": _DATUM,
            "coordinateUncertaintyInMeters": "" if place.radius_m is None else place.radius_m,
        }
    if place.footprint:
        row |= {"footprintWKT": place.footprint, "footprintSRS": _DATUM}
    return row


def _effort(history: History) -> str:
    looks = sum(month["looks"] for month in history.months)
    minutes, hours = (
        ("at least " if None in spent else "") + f"{sum(filter(None, spent)):.{digits}f}"
        for name, digits in (("camera_minutes", 0), ("rod_hours", 1))
        for spent in [[month[name] for month in history.months]]
    )
    return f"{looks} looks, {minutes} camera minutes, {hours} rod hours, all seasons and years"


def _remarks(history: History) -> Iterator[str]:
    months = [_MONTHS[month["month"] - 1] for month in history.months if month["grade"] == "verified"]
    yield "The last month in which this species was verified here"
    yield f"verified looks here: {history.verified}"
    if months:
        yield f"months with a verified look, any year: {', '.join(months)}"


__all__ = ["COLUMNS", "circle_around", "owners_to_choose", "write_occurrences"]
