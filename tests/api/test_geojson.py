"""`/api/spots/` is GeoJSON as RFC 7946 has it (https://www.rfc-editor.org/rfc/rfc7946; the rules by section, from
memory of its text)."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

from tests.api.document import ApiOf
from tests.conftest import Cast, Places

WEST, SOUTH, EAST, NORTH = -93.30, 45.00, -93.24, 45.06  # the test water


def _signed_area(ring: list[list[float]]) -> float:
    """Twice the shoelace area, in square degrees: above 0 when the ring runs counterclockwise."""
    return sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in pairwise(ring))


def _all_keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for name, item in value.items():
            yield name
            yield from _all_keys(item)
    elif isinstance(value, list):
        for item in value:
            yield from _all_keys(item)


def _check_ring(ring: list[list[float]], exterior: bool) -> None:
    # §3.1.6: closed, four positions or more, exterior rings counterclockwise (the right-hand rule).
    assert len(ring) >= 4
    assert ring[0] == ring[-1]
    assert (_signed_area(ring) > 0) == exterior


def _check_feature(feature: dict[str, Any]) -> str:
    # §3.2: a Feature has `geometry` (or null) and `properties`; §7: none of another type's members.
    assert feature["type"] == "Feature"
    assert {"geometry", "properties"} <= set(feature)
    assert not {"coordinates", "geometries", "features"} & set(feature)
    geometry = feature["geometry"]
    if geometry is None:
        return "null"
    assert set(geometry) == {"type", "coordinates"}
    if geometry["type"] == "Point":
        points = [geometry["coordinates"]]
    else:
        assert geometry["type"] == "MultiPolygon"
        for polygon in geometry["coordinates"]:
            for number, ring in enumerate(polygon):
                _check_ring(ring, exterior=number == 0)
        points = [point for polygon in geometry["coordinates"] for ring in polygon for point in ring]
    for longitude, latitude in points:
        # §3.1.1: longitude first, WGS 84 degrees. Whole squares reach over the shore: at most their own width.
        assert WEST - 0.1 < longitude < EAST + 0.1
        assert SOUTH - 0.1 < latitude < NORTH + 0.1
    return str(geometry["type"])


def _members(api: ApiOf, persona: str) -> tuple[dict[str, Any], set[str]]:
    caller = api(persona)
    answer = caller.client.get("/api/spots/")
    assert answer.headers["Content-Type"].split(";")[0] == "application/geo+json"  # §12
    body = caller.get("/api/spots/")
    assert body["type"] == "FeatureCollection"
    return body, {_check_feature(feature) for feature in body["features"]}


def test_every_persona_gets_valid_geojson(api: ApiOf, places: Places) -> None:
    shapes = {persona: _members(api, persona)[1] for persona in ("organiser", "member", "guest", "nobody")}
    assert shapes["organiser"] >= {"Point"}
    assert shapes["member"] >= {"Point", "MultiPolygon"}
    assert "Point" not in shapes["guest"] | shapes["nobody"]


def test_no_crs_and_no_bounding_box_is_told(api: ApiOf, places: Places) -> None:
    # §4: no `crs`; a `bbox` would be an oracle of its own.
    for persona in ("organiser", "member", "nobody"):
        assert not {"crs", "bbox"} & set(_all_keys(_members(api, persona)[0]))


def test_the_features_are_the_spots_alone(api: ApiOf, places: Places) -> None:
    names = {feature["id"]: feature["properties"] for feature in _members(api, "member")[0]["features"]}
    assert set(names) == {str(places.club.pk), str(places.shared.pk), str(places.private.pk)}
    assert names[str(places.private.pk)]["precision"] == "exact"
    assert names[str(places.club.pk)]["precision"] in {"area", "water"}


def test_a_spots_ring_check_can_fail(cast: Cast) -> None:
    clockwise = [[0.0, 0.0], [0.0, 1.0], [1.0, 1.0], [1.0, 0.0], [0.0, 0.0]]
    assert _signed_area(clockwise) == -2.0
    assert _signed_area(clockwise[::-1]) == 2.0
