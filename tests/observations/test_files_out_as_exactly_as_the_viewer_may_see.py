"""GeoJSON, KML and CSV of spots: exact to exact viewers, a zone or the water to the others, logged when exact.

KML is read by GDAL's own KML reader, GeoJSON by GDAL's GeoJSON reader.
"""

import csv
import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from django.contrib.gis.gdal import DataSource
from django.core.management import CommandError, call_command
from django.test import Client

from spots.disclosure_models import Channel, Disclosure
from spots.models import Position
from tests.conftest import Cast, Places

ClientOf = Callable[..., Client]
pytestmark = pytest.mark.usefixtures("quiet_queue")


def by_precision(client: Client) -> dict[str, list[dict]]:
    document = json.loads(client.get("/export/spots.geojson").content)
    out: dict[str, list[dict]] = {}
    for feature in document["features"]:
        out.setdefault(feature["properties"]["precision"], []).append(feature)
    return out


def test_geojson_has_a_point_for_the_exact_and_squares_for_a_zone(
    cast: Cast, places: Places, client_of: ClientOf, tmp_path: Path
) -> None:
    seen = by_precision(client_of("newcomer"))
    assert [f["properties"]["name"] for f in seen["exact"]] == ["Canary Shared Pile"]
    (zone,) = seen["area"]
    assert zone["geometry"]["type"] == "MultiPolygon" and zone["id"] == str(places.club.pk)
    assert "structure" not in zone["properties"] and "Canary" not in json.dumps(zone)
    path = tmp_path / "a.geojson"
    path.write_bytes(client_of("newcomer").get("/export/spots.geojson").content)
    (layer,) = DataSource(str(path))
    assert sorted(str(f.geom.geom_type) for f in layer) == ["MultiPolygon", "Point"]


def test_kml_is_what_gdal_reads_the_same_places_from(
    cast: Cast, places: Places, client_of: ClientOf, tmp_path: Path
) -> None:
    path = tmp_path / "a.kml"
    path.write_bytes(client_of("newcomer").get("/export/spots.kml").content)
    seen = by_precision(client_of("newcomer"))
    (layer,) = DataSource(str(path))
    assert layer.name == "Test water"
    read = {feature.get("Name"): feature.geom for feature in layer}
    point = Position.objects.get(spot=places.shared).point
    assert (read["Canary Shared Pile"].x, read["Canary Shared Pile"].y) == (point.x, point.y)
    (zone,) = seen["area"]
    west, south, east, north = read[zone["properties"]["name"]].extent
    corners = [corner for polygon in zone["geometry"]["coordinates"] for corner in polygon[0]]
    assert (west, east) == (min(x for x, _ in corners), max(x for x, _ in corners))
    assert (south, north) == (min(y for _, y in corners), max(y for _, y in corners))


def test_csv_leaves_empty_what_is_not_shown(cast: Cast, places: Places, client_of: ClientOf) -> None:
    text = client_of("newcomer").get("/export/spots.csv").content.decode()
    rows = {row["precision"]: row for row in csv.DictReader(io.StringIO(text))}
    point = Position.objects.get(spot=places.shared).point
    assert (float(rows["exact"]["lon"]), float(rows["exact"]["lat"])) == (point.x, point.y)
    assert rows["area"]["lat"] == rows["area"]["lon"] == rows["area"]["cover"] == rows["area"]["notes"] == ""
    assert float(rows["area"]["zone_ha"]) >= 50


@pytest.mark.parametrize("kind", ["geojson", "kml", "csv"])
def test_an_exact_position_in_a_file_is_logged_and_a_zone_is_not(
    cast: Cast, places: Places, client_of: ClientOf, kind: str
) -> None:
    client_of("newcomer").get(f"/export/spots.{kind}")
    rows = Disclosure.objects.filter(viewer_id=cast.newcomer.pk)
    assert [(row.spot_id, row.channel) for row in rows] == [(places.shared.pk, Channel.EXPORT)]


def test_a_hidden_spot_asked_for_is_a_file_without_spots(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    there = client_of("rival").get(f"/export/spots.kml?spot={places.private.pk}")
    never = client_of("rival").get("/export/spots.kml?spot=00000000-0000-4000-8000-000000000000")
    assert there.content == never.content and b"Placemark" not in there.content
    assert client_of("nobody").get("/export/spots.kml").status_code == 302


def test_the_command_writes_what_the_page_gives(
    cast: Cast, places: Places, client_of: ClientOf, tmp_path: Path
) -> None:
    out = tmp_path / "spots.kml"
    call_command("export", "spots.kml", member="newcomer", out=out)
    assert out.read_bytes() == client_of("newcomer").get("/export/spots.kml").content
    assert out.stat().st_mode & 0o777 == 0o600
    with pytest.raises(CommandError, match="Choose whose spots to give away: self"):
        call_command("export", "occurrences.csv", member="newcomer")


def test_the_page_says_how_exactly_and_offers_what_is_the_viewers(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    page = client_of("organiser").get("/export/").content.decode()
    assert "You see 2 exactly, 0 as a zone" in page and 'value="club"' in page
    assert 'value="club"' not in client_of("member").get("/export/").content.decode()
    guest = client_of("guest").get("/export/")
    assert guest.status_code == 200 and "biologists" not in guest.content.decode()
    assert client_of("guest").get("/export/occurrences.csv?of=self").status_code == 404
