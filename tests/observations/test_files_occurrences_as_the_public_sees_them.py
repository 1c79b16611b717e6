"""Darwin Core out: chosen by the owner, told as the public is told, with the standard's own terms."""

import csv
import io
import json
import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from django.contrib.gis.geos import MultiPolygon, Polygon
from django.test import Client
from django.utils import timezone
from pyproj import Geod

from club.models import AudiencePolicy, Member
from observations import jobs
from observations.files.occurrences import COLUMNS, circle_around
from observations.models import Finding
from observations.services import confirm
from spots.disclosure_models import Disclosure
from spots.models import Position
from tests.conftest import Cast, Places, found, look, see

ClientOf = Callable[..., Client]
pytestmark = pytest.mark.usefixtures("quiet_queue")
SUMMER = datetime(2026, 7, 20, 12, tzinfo=UTC)

# Of "Simple Darwin Core" (github.com/tdwg/dwc, dist/simple_dwc_horizontal.csv): the terms of an occurrence, its
# event, place, identification and taxon.
TERMS = frozenset(
    re.findall(
        r"\w+",
        """datasetName basisOfRecord informationWithheld dataGeneralizations dynamicProperties occurrenceID
    catalogNumber recordNumber recordedBy individualCount organismQuantity organismQuantityType sex lifeStage
    reproductiveCondition behavior establishmentMeans occurrenceStatus preparations disposition associatedMedia
    associatedReferences associatedTaxa otherCatalogNumbers occurrenceRemarks eventID parentEventID fieldNumber
    eventDate eventTime year month day verbatimEventDate habitat samplingProtocol sampleSizeValue sampleSizeUnit
    samplingEffort fieldNotes eventRemarks locationID higherGeography waterBody country countryCode stateProvince
    county municipality locality verbatimLocality minimumDepthInMeters maximumDepthInMeters verbatimDepth
    locationRemarks decimalLatitude decimalLongitude geodeticDatum coordinateUncertaintyInMeters
    coordinatePrecision pointRadiusSpatialFit verbatimCoordinates footprintWKT footprintSRS footprintSpatialFit
    georeferencedBy georeferenceProtocol georeferenceRemarks identificationID identificationQualifier identifiedBy
    dateIdentified identificationVerificationStatus identificationRemarks taxonID scientificName kingdom phylum
    class order family genus specificEpithet taxonRank scientificNameAuthorship vernacularName""",
    )
)


def test_every_column_is_a_term_of_darwin_core() -> None:
    assert set(COLUMNS) <= TERMS
    assert {"dataGeneralizations", "informationWithheld", "coordinateUncertaintyInMeters"} <= set(COLUMNS)


@pytest.mark.parametrize(
    ("size", "latitude", "published"),
    [(1, 0, 78451), (0.1, 0, 7845), (0.1, 45, 6814), (0.01, 30, 735), (0.01, 60, 623)],
)
def test_the_radius_of_a_square_is_the_published_one(
    db: None, size: float, latitude: float, published: int
) -> None:
    """Against radii of generalised cells worked with pyproj's geodesics: the middle of a cell at a latitude."""
    half = size / 2
    cell = MultiPolygon(
        Polygon.from_bbox((10 - half, latitude - half, 10 + half, latitude + half)), srid=4326
    )
    (longitude, middle), radius = circle_around(cell)
    assert (longitude, middle) == (10, latitude)
    assert published - 1 <= radius <= published + 1


def verified(cast: Cast, persona: str, spot: Any, at: datetime = SUMMER) -> None:
    seen = look(cast, persona, spot, "camera", at, minutes=8, secchi_m=3.0, findings=found("bluegill", 2))
    with see(cast, "checker"):
        confirm(Finding.objects.get(look=seen), cast.checker, "bluegill", "confirmed", "", timezone.now())


def rows(client: Client, of: str) -> list[dict[str, str]]:
    text = client.get(f"/export/occurrences.csv?of={of}").content.decode()
    return list(csv.DictReader(io.StringIO(text)))


@pytest.fixture
def told(cast: Cast, places: Places) -> Places:
    """The club's spots with a verified bluegill each; every contributor has said yes to thin histories."""
    for spot in (places.club, places.shared):
        verified(cast, "organiser", spot)
    Member.objects.update(shares_thin_history=True)
    jobs.refit()
    return places


def test_a_row_tells_what_the_public_page_tells(cast: Cast, told: Places, client_of: ClientOf) -> None:
    out = rows(client_of("organiser"), "club")
    public = json.loads(client_of("nobody").get("/api/spots/").content)["features"]
    assert len(out) == len(public) == 2
    for row in out:
        assert (row["scientificName"], row["occurrenceStatus"]) == ("Lepomis macrochirus", "detected")
        assert row["eventDate"] == "2026-07" and row["basisOfRecord"] == "HumanObservation"
        assert "at least 250 ha" in row["dataGeneralizations"] and "month" in row["dataGeneralizations"]
        assert "exact position" in row["informationWithheld"]
        assert not row.keys() & {"recordedBy", "identifiedBy"}
        assert "Canary" not in "".join(row.values()) and "Member" not in "".join(row.values())
    zones = {json.dumps(f["geometry"]["coordinates"]) for f in public}
    (ring,) = {row["footprintWKT"] for row in out} if len(zones) == 1 else {out[0]["footprintWKT"]}
    assert ring.startswith("MULTIPOLYGON")
    # The circle holds the place itself, by pyproj's geodesic; zero and less are no uncertainties.
    for spot in (told.club, told.shared):
        point = Position.objects.get(spot=spot).point
        distances = [
            (Geod(ellps="WGS84").inv(float(r["decimalLongitude"]), float(r["decimalLatitude"]), point.x, point.y)[2],
             int(r["coordinateUncertaintyInMeters"]))
            for r in out
        ]  # fmt: skip
        assert any(metres <= radius for metres, radius in distances)
        assert all(radius > 0 and math.isfinite(metres) for metres, radius in distances)


def test_nothing_goes_out_that_nobody_chose(cast: Cast, told: Places, client_of: ClientOf) -> None:
    for persona, of in (
        ("organiser", ""),
        ("member", "club"),
        ("member", f"team:{cast.alder.pk}"),
        ("teammate", f"team:{cast.alder.pk}"),  # a team with a captain is the captain's to give
    ):
        answer = client_of(persona).get(f"/export/occurrences.csv?of={of}")
        assert answer.status_code == 400 and "Choose whose spots" in answer.content.decode()
    # Hidden from the public, a spot of one's own is in no file either.
    assert rows(client_of("member"), "self") == []


def test_giving_away_what_is_public_is_no_disclosure(cast: Cast, told: Places, client_of: ClientOf) -> None:
    before = Disclosure.objects.count()
    rows(client_of("organiser"), "club")
    assert Disclosure.objects.count() == before


def test_what_the_public_sees_exactly_goes_out_as_it_is(
    cast: Cast, told: Places, client_of: ClientOf
) -> None:
    AudiencePolicy.objects.filter(audience="public").update(default_level=3, ceiling_level=3)
    out = rows(client_of("organiser"), "club")
    points = {
        (str(p.y), str(p.x))
        for p in Position.objects.filter(spot__in=(told.club, told.shared)).values_list("point", flat=True)
    }
    assert {(row["decimalLatitude"], row["decimalLongitude"]) for row in out} == points
    for row in out:
        assert (row["eventDate"], row["dataGeneralizations"]) == ("2026-07-20", "")
        assert (
            row["coordinateUncertaintyInMeters"] == row["footprintWKT"] == ""
        )  # not known; zero is not valid
