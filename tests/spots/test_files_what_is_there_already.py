"""Duplicates are recognised: the same id, the same name nearby, the same place within a chosen distance.

And spots that go out as GeoJSON or CSV come back in as they were.
"""

import json
from typing import Any

import defusedxml.ElementTree
import gpxpy
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from club.models import Level
from observations.models import Observation
from spots.disclosure_models import Channel, Disclosure
from spots.files.features import write_geojson
from spots.files.geojson_spots import features_of, read_json, read_spots
from spots.files.gpx import read_gpx, write_gpx
from spots.files.report import FileError, Report
from spots.files.spots_csv import NEEDED, READ, read_spots_csv, write_spots_csv
from spots.files.table import read_table
from spots.models import Grant, Position, Sheet, Spot, Water
from spots.precision import ReleasedSpot, released_spots
from tests.conftest import Cast, Places, see
from tests.observations.files_kit import csv_of, errors, gpx_of, imported, planned, sonar_row, warnings

pytestmark = pytest.mark.usefixtures("quiet_queue")
# 0.0001 degree of latitude at 45 degrees is 11.1 m (pyproj).
HERE, ELEVEN_METRES_NORTH = (45.01, -93.29, "Here"), (45.0101, -93.29, "There")


@pytest.mark.parametrize(("near", "new"), [(5.0, 1), (12.0, 0), (0.0, 1)])
def test_the_same_place_is_as_near_as_the_importer_says(
    cast: Cast, water: Water, near: float, new: int
) -> None:
    imported(cast.member, "a.gpx", gpx_of(HERE))
    plan = planned(cast.member, "b.gpx", gpx_of(ELEVEN_METRES_NORTH), near_m=near)
    assert len(plan.spots.drafts) == new
    if not new:
        assert warnings(plan) == [(3, "position", 'The spot "Here" is there already, 11 m away: left out.')]


def test_a_look_on_a_known_place_under_another_name_is_of_that_spot(cast: Cast, water: Water) -> None:
    imported(cast.member, "a.gpx", gpx_of(HERE))
    row = sonar_row(spot="My pile", lat="45.010001", lon="-93.29")
    plan = imported(cast.member, "a.csv", csv_of(row))
    assert Observation.objects.get().spot == Sheet.objects.get().spot and Spot.objects.count() == 1
    assert 'Taken for the spot "Here"' in str(plan.report.warnings[0])
    again = imported(cast.member, "b.csv", csv_of(row | {"spot": "Pile mine"}))
    assert again.is_empty and again.spots.left_out == {"there already": 1}


def test_only_what_is_near_is_disclosed_and_what_is_hidden_is_not_there(cast: Cast, places: Places) -> None:
    shared = Position.objects.get(spot=places.shared).point
    private = Position.objects.get(spot=places.private).point
    data = gpx_of((shared.y, shared.x, "A"), (private.y, private.x, "B"), (45.005, -93.295, "C"))
    plan = imported(cast.rival, "a.gpx", data)
    assert [draft.name for draft in plan.spots.drafts] == ["B", "C"]
    rows = Disclosure.objects.filter(viewer_id=cast.rival.pk)
    assert [(row.spot_id, row.channel) for row in rows] == [(places.shared.pk, Channel.IMPORT)]


def test_a_spot_that_was_never_opened_before_is_recognised_too(cast: Cast, places: Places) -> None:
    """Nothing else of the file lies near a spot: the first answer is empty until the position is opened."""
    Grant.objects.create(
        spot=places.private,
        water_id=places.private.water_id,
        owner=places.private.owner,
        audience=f"member:{cast.rival.pk}",
        level=Level.EXACT,
    )
    private = Position.objects.get(spot=places.private).point
    plan = imported(cast.rival, "a.gpx", gpx_of((private.y, private.x, "B"), (45.005, -93.295, "C")))
    assert [draft.name for draft in plan.spots.drafts] == ["C"]
    rows = Disclosure.objects.filter(viewer_id=cast.rival.pk)
    assert [(row.spot_id, row.channel, row.counts) for row in rows] == [
        (places.private.pk, Channel.IMPORT, True)
    ]


def test_ones_own_export_comes_back_as_there_already(cast: Cast, places: Places) -> None:
    with see(cast, "newcomer"):
        spots = released_spots(channel=Channel.EXPORT)
        geojson = write_geojson(spots, {places.club.water_id: "Test water"}).encode()
        table = write_spots_csv(spots, {places.club.water_id: "Test water"}).encode()
    for name, data in (("a.geojson", geojson), ("a.csv", table)):
        plan = planned(cast.newcomer, name, data, near_m=0)
        assert plan.report.errors == [] and plan.is_empty
        assert sum(plan.spots.left_out.values()) == 2, "one by its id, and one known by its zone alone"
    # To somebody else the id says nothing: there it is a place like any other.
    plan = planned(cast.member, "a.geojson", geojson.replace(b"Canary Shared Pile", b"Found"), near_m=0)
    assert plan.is_empty  # by its id: a member sees the shared one exactly
    with see(cast, "member"):
        own = [
            spot for spot in released_spots(channel=Channel.EXPORT) if spot.label == "Canary Private Laydown"
        ]
        mine = write_geojson(own, {places.club.water_id: "Test water"}).encode()
    plan = planned(cast.rival, "a.geojson", mine)
    assert [draft.name for draft in plan.spots.drafts] == ["Canary Private Laydown"] and warnings(plan) == []
    assert plan.spots.drafts[0].id != places.private.pk


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b'{"type": "FeatureCollection", "features": [', "not JSON"),
        (b"[" * 100_000, "nested too deep"),
        (b'{"type": "FeatureCollection", "features": [{"geometry": {"type": "Point", "coordinates": [NaN, 1]}}]}',
         "nested too deep, or has no numbers"),
        ("{}".encode("utf-16"), "not UTF-8"),
    ],
)  # fmt: skip
def test_a_broken_document_is_refused(data: bytes, rule: str) -> None:
    with pytest.raises(FileError, match=rule):
        read_json(data)


def test_a_bad_feature_is_named_by_its_number(cast: Cast, water: Water) -> None:
    def point(*at: Any, **more: Any) -> dict[str, Any]:
        return {"type": "Feature", "geometry": {"type": "Point", "coordinates": list(at)}, "properties": more}

    document = {
        "type": "FeatureCollection",
        "features": [
            point(-93.29, 45.01, name="Good"),
            point("x", 45.01, name="Bad"),
            point(-93.29, 45.01, name="Bad depth", depth_min_m="deep"),
            point(-193.0, 45.01, name="Off the world"),
            point(-93.29, 45.02, name="Elsewhere", water="Nowhere"),
        ],
    }
    told = errors(planned(cast.member, "a.geojson", json.dumps(document).encode(), near_m=0))
    assert [(line, column) for line, column, _, _ in told] == [
        (2, "coordinates"), (2, "water"), (3, "depth_min_m"), (4, "lon"), (5, "water"),
    ]  # fmt: skip


def test_plotter_symbols_are_shown_as_text(cast: Cast, water: Water) -> None:
    plan = imported(cast.member, "a.gpx", gpx_of(HERE, extra="<sym>Brush &amp; pile</sym>"))
    assert list(plan.symbols.values()) == ["Brush & pile"]
    assert Sheet.objects.get().notes == "symbol: Brush & pile"


# Texts as XML 1.0 and PostgreSQL can hold them; names as a form leaves them.
_TEXT = st.text(
    st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\ufffe\uffff"), max_size=20
)
_NAME = _TEXT.map(lambda text: " ".join(text.split())).filter(bool)
_DEGREES = 10_000_000
_SPOTS = st.builds(
    ReleasedSpot,
    id=st.uuids(version=4), water_id=st.uuids(version=4), number=st.just(1), level=st.just(3), paused=st.just(False),
    rest_until=st.none(), come_back=st.none(),
    name=_NAME, alias=st.just(""), cover=_TEXT.map(str.strip), structure=_TEXT.map(str.strip),
    depth_min_m=st.none() | st.floats(-20, 500), depth_max_m=st.none() | st.floats(-20, 500),
    provenance=st.sampled_from(["agency", "club", "found"]), placed_on=st.none() | st.dates(),
    notes=_TEXT.map(str.strip), permission=_TEXT.map(str.strip),
    zone_id=st.none(), zone_ha=st.none(), zone_number=st.none(), zone_rung_ha=st.none(), band_from_m=st.none(),
    band_to_m=st.none(), precision=st.just("exact"), owned=st.just(True), scope=st.just("club"), held=st.just(False),
    geometry=st.builds(
        lambda x, y: {"type": "Point", "coordinates": [x / _DEGREES, y / _DEGREES]},
        st.integers(-180 * _DEGREES, 180 * _DEGREES - 1), st.integers(-85 * _DEGREES, 85 * _DEGREES),
    ),
)  # fmt: skip
_FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@_FEW
@given(spot=_SPOTS)
def test_geojson_and_csv_bring_back_what_they_took_out(spot: ReleasedSpot) -> None:
    report, waters = Report(), {spot.water_id: 'A, "B" & C'}
    (by_json,), _ = read_spots(features_of(read_json(write_geojson([spot], waters).encode())), report)
    table = read_table(write_spots_csv([spot], waters).encode(), READ, NEEDED)
    (by_csv,), _ = read_spots_csv(table, report)
    assert report.errors == [] and spot.geometry is not None
    depths = {n: getattr(spot, n) for n in ("depth_min_m", "depth_max_m") if getattr(spot, n) is not None}
    texts = {n: v for n in ("cover", "structure", "permission") if (v := getattr(spot, n))}
    for row in (by_json, by_csv):
        assert (row.name, row.notes, row.water, row.id) == (spot.name, spot.notes, 'A, "B" & C', str(spot.id))
        assert [float(row.lon), float(row.lat)] == spot.geometry["coordinates"]
        assert {n: row.sheet.get(n) for n in depths} == depths and row.sheet["provenance"] == spot.provenance
    assert by_csv.sheet == texts | depths | {"provenance": spot.provenance} | (
        {"placed_on": spot.placed_on} if spot.placed_on else {}
    )


@_FEW
@given(spot=_SPOTS)
def test_gpx_brings_back_the_place_and_the_name(spot: ReleasedSpot) -> None:
    text = write_gpx([spot])
    (back,) = read_gpx(text.encode()).waypoints
    assert spot.geometry is not None
    assert (back.name, [float(back.lon), float(back.lat)]) == (spot.name, spot.geometry["coordinates"])


# The schema of GPX 1.1 (http://www.topografix.com/GPX/1/1/gpx.xsd): what may stand in each element, in this order.
_NAMESPACE = "{http://www.topografix.com/GPX/1/1}"
_ORDER = {
    "gpx": "metadata wpt rte trk extensions",
    "metadata": "name desc author copyright link time keywords bounds extensions",
    "wpt": "ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop ageofdgpsdata"
    " dgpsid extensions",
}


@_FEW
@given(spots=st.lists(_SPOTS, max_size=3))
def test_gpx_out_keeps_the_rules_of_gpx_1_1(spots: list[ReleasedSpot]) -> None:
    text = write_gpx(spots)
    root = defusedxml.ElementTree.fromstring(text.encode())
    assert root.tag == f"{_NAMESPACE}gpx" and root.get("version") == "1.1" and root.get("creator")
    for element in (root, *root.iter(f"{_NAMESPACE}metadata"), *root.iter(f"{_NAMESPACE}wpt")):
        allowed = _ORDER[element.tag.removeprefix(_NAMESPACE)].split()
        places = [allowed.index(child.tag.removeprefix(_NAMESPACE)) for child in element]
        assert places == sorted(places)
    for point in root.iter(f"{_NAMESPACE}wpt"):
        assert set(point.attrib) == {"lat", "lon"}
        # The schema: latitude within 90, longitude from -180 to below 180.
        assert -90 <= float(point.attrib["lat"]) <= 90 and -180 <= float(point.attrib["lon"]) < 180
    read = gpxpy.parse(text).waypoints
    assert [(w.longitude, w.latitude) for w in read] == [
        tuple(s.geometry["coordinates"]) for s in spots if s.geometry
    ]
