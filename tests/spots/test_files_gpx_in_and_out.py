"""GPX 1.1: waypoints in by a streaming reader, checked against gpxpy (an independent reader); spots out."""

from collections.abc import Callable

import gpxpy
import pytest
from django.test import Client

from spots.disclosure_models import Channel
from spots.files.gpx import read_gpx, write_gpx
from spots.files.report import FileError
from spots.models import Position, Sheet, Spot, Water
from spots.precision import released_spots
from tests.conftest import Cast, Places, see
from tests.observations.files_kit import errors, gpx_of, imported, planned, warnings

pytestmark = pytest.mark.usefixtures("quiet_queue")

PLOTTER = b"""<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="urn:x">
<wpt lat="45.0123456" lon="-93.2876543">
  <ele>271.5</ele>
  <name>A &amp; B</name>
  <cmt>on the point</cmt>
  <desc>18 ft</desc>
  <sym>Fish</sym>
  <extensions><x:name>not this</x:name></extensions>
</wpt>
<wpt lat="45.02" lon="-93.28"><name><![CDATA[Brush <3>]]></name></wpt>
<rte><name>r</name><rtept lat="45" lon="-93"><name>no</name></rtept></rte>
<trk><name>t</name><trkseg><trkpt lat="45" lon="-93"/></trkseg></trk>
</gpx>"""


def test_the_reader_finds_what_gpxpy_finds() -> None:
    ours, theirs = read_gpx(PLOTTER), gpxpy.parse(PLOTTER.decode())
    assert [
        (
            float(w.lat),
            float(w.lon),
            w.texts.get("name"),
            w.texts.get("cmt"),
            w.texts.get("desc"),
            w.texts.get("sym"),
        )
        for w in ours.waypoints
    ] == [(w.latitude, w.longitude, w.name, w.comment, w.description, w.symbol) for w in theirs.waypoints]
    assert (ours.tracks, ours.routes) == (len(theirs.tracks), len(theirs.routes)) == (1, 1)
    assert [w.line for w in ours.waypoints] == [3, 11]


def test_comment_description_and_symbol_are_kept_as_text(cast: Cast, water: Water) -> None:
    plan = imported(cast.member, "plotter.gpx", PLOTTER)
    sheet = Sheet.objects.get(name="A & B")
    assert sheet.notes == "18 ft\non the point\nsymbol: Fish"
    assert (sheet.cover, sheet.structure, sheet.depth_min_m) == ("", "", None)
    assert Position.objects.get(spot=sheet.spot_id).typed == "45.0123456 -93.2876543"
    assert [rule for _, _, rule in warnings(plan)] == [
        "Routes are not imported here: 1 left out.",
        "Tracks are not imported here: 1 left out.",
    ]


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (
            b'<!DOCTYPE gpx [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><gpx>&b;</gpx>',
            "document type or entities",
        ),
        (b'<!DOCTYPE gpx SYSTEM "file:///etc/passwd"><gpx/>', "document type or entities"),
        (b"<gpx><wpt", "not well-formed XML"),
        (b"<kml/>", "outermost element is kml, not gpx"),
        (b'<?xml version="1.0" encoding="nonsense"?><gpx/>', "encoding cannot be read|not well-formed"),
        (b'<gpx><wpt lat="1" lon="2"><name>\xe9</name></wpt></gpx>', "not well-formed XML"),
        (b"<gpx>" + b"<a>" * 60 + b"</a>" * 60 + b"</gpx>", "nested too deep"),
    ],
)
def test_a_hostile_or_broken_file_is_refused(data: bytes, rule: str) -> None:
    with pytest.raises(FileError, match=rule):
        read_gpx(data)


def test_bad_coordinates_are_named_by_line_and_value(cast: Cast, water: Water) -> None:
    data = (
        b'<gpx>\n<wpt lat="NaN" lon="-93.29"/>\n<wpt lat="45.01" lon="-193"/>\n<wpt lon="-93.29"/>\n'
        b'<wpt lat="inf" lon="1e3"/>\n</gpx>'
    )
    told = errors(planned(cast.member, "a.gpx", data))
    assert [(line, column, value) for line, column, value, _ in told] == [
        (2, "lat", "NaN"),
        (3, "lon", "-193"),
        (4, "lat", ""),
        (5, "lat", "inf"),
        (5, "lon", "1e3"),
    ]
    assert "within ±180" in told[1][3]


def test_a_waypoint_joins_the_water_that_holds_it(cast: Cast, water: Water) -> None:
    from spots.services import save_water
    from tests.conftest import square_outline

    other = save_water(Water(name="Other water", time_zone="UTC", outline=square_outline(-92.0, 44.0, 0.02)))
    imported(cast.member, "a.gpx", gpx_of((45.01, -93.29, "Here"), (44.01, -91.99, "There")))
    assert Sheet.objects.get(name="Here").spot.water == water
    assert Sheet.objects.get(name="There").spot.water == other


def test_on_no_water_is_an_error_unless_left_out(cast: Cast, water: Water) -> None:
    data = gpx_of(
        (45.01, -93.29, "On"), (46.0, -93.27, "Off"), (-93.29, 45.01, "Swapped"), (45.27, -93.2, "N")
    )
    data = data.replace(b'lat="-93.29" lon="45.01"', b'lat="45.01" lon="93.29"')
    plan = planned(cast.member, "a.gpx", data)
    assert [(line, column, value) for line, column, value, _ in errors(plan)] == [
        (4, "position", "46.0 -93.27"),
        (5, "position", "45.01 93.29"),
        (6, "position", "45.27 -93.2"),
    ]
    assert "The nearest is Test water, 104 km away" in errors(plan)[0][3]
    plan = imported(cast.member, "a.gpx", data, skip_outside=True)
    assert plan.spots.left_out == {"on no water of the club": 3}
    assert Spot.objects.count() == 1


def test_exchanged_latitude_and_longitude_are_recognised(cast: Cast) -> None:
    from spots.services import save_water
    from tests.conftest import square_outline

    save_water(Water(name="Warm water", time_zone="UTC", outline=square_outline(20.0, 10.0)))
    plan = planned(cast.member, "a.gpx", gpx_of((20.01, 10.01, "Swapped")))
    assert "With latitude and longitude exchanged it would lie on Warm water." in errors(plan)[0][3]
    plan = planned(cast.member, "a.gpx", gpx_of((20.01, 10.01, "Swapped")), water="Warm water")
    assert "exchanged it would lie on the water" in errors(plan)[0][3]


def test_with_a_water_named_every_waypoint_must_lie_on_it(cast: Cast, water: Water) -> None:
    data = gpx_of((45.01, -93.29, "On"), (45.5, -93.27, "Off"))
    plan = planned(cast.member, "a.gpx", data, water="test WATER")
    assert [(line, column) for line, column, _, _ in errors(plan)] == [(4, "position")]
    assert "off Test water; at most 50 m is allowed" in errors(plan)[0][3]
    plan = imported(cast.member, "a.gpx", data, water="Test water", skip_outside=True)
    assert plan.spots.left_out == {"more than 50 m off Test water": 1}
    assert errors(planned(cast.member, "a.gpx", data, water="Nowhere"))[0][2:] == (
        "Nowhere",
        "There is no water of this name.",
    )


def test_the_same_file_again_adds_nothing(cast: Cast, water: Water) -> None:
    data = gpx_of((45.01, -93.29, "One"), (45.02, -93.28, "Two"))
    imported(cast.member, "a.gpx", data)
    plan = imported(cast.member, "a.gpx", data)
    assert plan.is_empty and plan.spots.left_out == {"there already": 2}
    assert Spot.objects.count() == 2


def test_a_known_name_elsewhere_on_the_water_gets_a_number(cast: Cast, water: Water) -> None:
    data = gpx_of((45.01, -93.29, "Brush"), (45.02, -93.28, "brush"), (45.03, -93.27, ""))
    plan = imported(cast.member, "a.gpx", data)
    assert sorted(Sheet.objects.values_list("name", flat=True)) == ["Brush", "Waypoint", "brush (2)"]
    assert [(line, column) for line, column, _ in warnings(plan)] == [(4, "name"), (5, "name")]


def test_a_hidden_spot_of_the_same_name_and_place_does_not_exist(cast: Cast, places: Places) -> None:
    point = Position.objects.get(spot=places.private).point
    plan = imported(cast.rival, "a.gpx", gpx_of((point.y, point.x, "Canary Private Laydown")))
    assert warnings(plan) == [] and len(plan.spots.drafts) == 1


@pytest.mark.parametrize(
    ("persona", "scope", "owner"),
    [
        ("organiser", "", "organisers"),
        ("organiser", "self", "member"),
        ("member", "", "member"),
        ("member", "club", "member"),
        ("captain", "team", "team"),
        ("captain", "Team Alder", "team"),
    ],
)
def test_whose_an_import_becomes(cast: Cast, water: Water, persona: str, scope: str, owner: str) -> None:
    imported(getattr(cast, persona), "a.gpx", gpx_of((45.01, -93.29, "One")), scope=scope)
    spot = Spot.objects.get()
    assert spot.owner.partition(":")[0] == owner
    wanted = {"club": "club", "self": "member", "team": "team", "Team Alder": "team"}
    assert spot.scope.partition(":")[0] == wanted.get(scope, "club" if persona == "organiser" else "member")


def test_a_scope_that_is_not_the_importers_is_refused(cast: Cast, water: Water) -> None:
    plan = planned(cast.member, "a.gpx", gpx_of((45.01, -93.29, "One")), scope="Team Alder")
    assert errors(plan)[0][1] == "scope" and "not a scope of yours" in errors(plan)[0][3]


def test_out_come_only_spots_seen_exactly_and_gpxpy_reads_them(
    cast: Cast, places: Places, client_of: Callable[..., Client]
) -> None:
    shared, club = (Position.objects.get(spot=spot).point for spot in (places.shared, places.club))
    response = client_of("newcomer").get("/export/spots.gpx")
    document = gpxpy.parse(response.content.decode())
    assert [(w.name, w.latitude, w.longitude) for w in document.waypoints] == [
        ("Canary Shared Pile", shared.y, shared.x)
    ]
    assert document.waypoints[0].description == "brush pile. Not for navigation."
    assert response["Cache-Control"] == "private, no-store"
    body = response.content.decode()
    assert "<bounds" not in body and "Canary Club" not in body and str(club.x) not in body
    own = gpxpy.parse(client_of("member").get("/export/spots.gpx").content.decode())
    assert {w.name for w in own.waypoints} == {"Canary Shared Pile", "Canary Private Laydown"}
    assert client_of("nobody").get("/export/spots.gpx").status_code == 302
    assert gpxpy.parse(client_of("guest").get("/export/spots.gpx").content.decode()).waypoints == []


def test_what_goes_out_comes_back_in_at_the_same_place(cast: Cast, water: Water) -> None:
    imported(cast.member, "a.gpx", gpx_of((45.0123456, -93.2876543, "A & B <c>")))
    with see(cast, "member"):
        text = write_gpx(released_spots(channel=Channel.EXPORT))
    (back,) = read_gpx(text.encode()).waypoints
    assert (back.name, float(back.lat), float(back.lon)) == ("A & B <c>", 45.0123456, -93.2876543)
    assert planned(cast.member, "a.gpx", text.encode()).spots.left_out == {"there already": 1}
