"""Outlines from GeoJSON, GeoPackage and zipped Shapefiles, read by GDAL in a limited process of its own.

Reprojection and areas are checked against pyproj (PROJ's transformer; Karney's geodesic polygon area).
"""

import io
import json
import os
import subprocess
import sys
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from pyproj import Geod, Transformer

from spots.files import outline_reader
from spots.files.outlines import read_outlines
from spots.files.report import FileError
from spots.models import Water
from tests.conftest import Cast
from tests.observations.files_kit import errors, gpx_of, imported, planned, warnings

pytestmark = pytest.mark.usefixtures("quiet_queue")
WGS84 = Geod(ellps="WGS84")
# Longitude first (RFC 7946, section 3.1.1). Clockwise on purpose: that section's order of rings is not asked for.
RING = [[-93.30, 45.00], [-93.30, 45.02], [-93.27, 45.02], [-93.27, 45.00], [-93.30, 45.00]]
UTM15 = Transformer.from_crs(4326, 32615, always_xy=True)


def geojson(*features: tuple[dict[str, Any], Sequence[Any]], **more: Any) -> bytes:
    return json.dumps(
        {
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "properties": properties,
                    "geometry": {"type": "Polygon", "coordinates": rings},
                }
                for properties, rings in features
            ],
            **more,
        }
    ).encode()


NAMED = {"name": "Heron Lake", "timezone": "America/Chicago"}
PLAIN = geojson((NAMED, [RING]))


def written(tmp_path: Path, driver: str, suffix: str, epsg: int, ring: Sequence[Sequence[float]]) -> Path:
    """Write one polygon with GDAL in a process of its own, so that its drivers do not join this one's."""
    source = tmp_path / "source.geojson"
    # GeoJSON in WGS 84 names no system; for others GDAL reads the member of the 2008 specification.
    crs = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{epsg}"}}
    source.write_bytes(geojson((NAMED, [list(map(list, ring))]), **({} if epsg == 4326 else {"crs": crs})))
    target = tmp_path / f"heron{suffix}"
    script = (
        "import sys\nfrom django.contrib.gis.gdal.libgdal import lgdal as known\nfrom ctypes import *\n"
        "lgdal = CDLL(known._name)\n"
        "lgdal.GDALAllRegister()\n"
        "lgdal.GDALOpenEx.restype = lgdal.GDALVectorTranslate.restype = c_void_p\n"
        "lgdal.GDALVectorTranslateOptionsNew.restype = c_void_p\n"
        "words = (c_char_p * 3)(b'-f', sys.argv[3].encode(), None)\n"
        "options = lgdal.GDALVectorTranslateOptionsNew(words, None)\n"
        "source = c_void_p(lgdal.GDALOpenEx(sys.argv[1].encode(), 4, None, None, None))\n"
        "out = lgdal.GDALVectorTranslate(sys.argv[2].encode(), None, 1, byref(source), c_void_p(options), None)\n"
        "assert out\nlgdal.GDALClose(c_void_p(out))\n"
    )
    subprocess.run([sys.executable, "-c", script, str(source), str(target), driver], check=True)  # noqa: S603
    return target


def zipped(*paths: Path) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for path in paths:
            package.write(path, f"folder/{path.name}")
    return out.getvalue()


def same_ring(shape: Any, ring: Sequence[Sequence[float]], within: float) -> bool:
    corners = {(round(x / within), round(y / within)) for x, y in shape.exterior.coords}
    return corners == {(round(x / within), round(y / within)) for x, y in ring}


def test_geojson_is_longitude_first_and_its_ring_may_run_either_way(cast: Cast) -> None:
    for ring in (RING, RING[::-1]):
        (outline,), others = read_outlines(geojson((NAMED, [ring])), "geojson")
        assert same_ring(outline.shape, RING, 1e-9)
        assert (outline.name, outline.timezone, others) == ("Heron Lake", "America/Chicago", 0)


def test_a_water_gets_its_name_time_zone_area_and_zones(cast: Cast) -> None:
    hole = [[-93.29, 45.005], [-93.28, 45.005], [-93.28, 45.010], [-93.29, 45.010], [-93.29, 45.005]]
    plan = imported(cast.organiser, "heron.geojson", geojson((NAMED, [RING, hole])))
    water = Water.objects.get(name="Heron Lake")
    assert water.time_zone == "America/Chicago"
    outer, inner = (
        abs(WGS84.polygon_area_perimeter(*zip(*r, strict=True))[0]) / 10_000 for r in (RING, hole)
    )
    # pyproj's edges are geodesics, the outline's are straight in the plane of the map: apart by a hair here.
    assert water.area_ha == pytest.approx(outer - inner, rel=1e-4)
    assert plan.outlines.waters[0].area_ha == pytest.approx(water.area_ha)
    assert water.zones.exists()


def test_a_geopackage_in_another_projection_is_turned_to_wgs_84(tmp_path: Path) -> None:
    path = written(tmp_path, "GPKG", ".gpkg", 32615, [UTM15.transform(x, y) for x, y in RING])
    (outline,), _ = read_outlines(path.read_bytes(), "gpkg")
    assert same_ring(outline.shape, RING, 1e-7)
    assert (outline.name, outline.timezone) == ("Heron Lake", "America/Chicago")


def test_a_geopackage_in_wgs_84_keeps_longitude_first(tmp_path: Path) -> None:
    path = written(tmp_path, "GPKG", ".gpkg", 4326, RING)
    (outline,), _ = read_outlines(path.read_bytes(), "gpkg")
    assert same_ring(outline.shape, RING, 1e-9)


def test_a_zipped_shapefile_is_read_with_its_projection(tmp_path: Path, cast: Cast) -> None:
    path = written(tmp_path, "ESRI Shapefile", ".shp", 32615, [UTM15.transform(x, y) for x, y in RING])
    data = zipped(*tmp_path.glob("heron.*"))
    (outline,), _ = read_outlines(data, "shapefile")
    # A .prj carries the same ellipsoid; its corners agree to a centimetre.
    assert same_ring(outline.shape, RING, 1e-7)
    imported(cast.organiser, "heron.zip", data)
    assert Water.objects.get().name == "Heron Lake"
    without = zipped(*(part for part in tmp_path.glob("heron.*") if part.suffix != ".prj"))
    with pytest.raises(FileError, match=r"lacks its \.prj"):
        read_outlines(without, "shapefile")
    assert path.exists()


def test_a_zip_bomb_is_refused_while_it_unpacks() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for suffix in ("shp", "shx", "dbf", "prj"):
            package.writestr(f"a.{suffix}", bytes(40_000_000))
    assert len(out.getvalue()) < 200_000
    with pytest.raises(FileError, match="unpacks to more than 64 MB"):
        read_outlines(out.getvalue(), "shapefile")


def test_a_zip_that_points_outside_writes_nothing_there(tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        for suffix in ("shp", "shx", "dbf", "prj"):
            package.writestr(f"../../../../../../tmp/evil-{os.getpid()}.{suffix}", b"x")
    with pytest.raises(FileError):
        read_outlines(out.getvalue(), "shapefile")
    assert not list(Path("/tmp").glob(f"evil-{os.getpid()}*"))  # noqa: S108


@pytest.mark.parametrize(
    ("kind", "data", "rule"),
    [
        ("geojson", PLAIN[:80], "not GeoJSON that can be read"),
        ("geojson", b"<OGRVRTDataSource><OGRVRTLayer/></OGRVRTDataSource>", "not GeoJSON that can be read"),
        ("geojson", b"[" * 1_000_000, "not GeoJSON that can be read"),
        ("gpkg", PLAIN, "not a GeoPackage that can be read"),
        ("gpkg", b"SQLite format 3\0" + bytes(2000), "not a GeoPackage that can be read"),
        ("shapefile", PLAIN, "zip cannot be read"),
        ("shapefile", zipped(), "holds 0 Shapefiles"),
    ],
)
def test_what_is_not_what_it_says_is_refused(kind: str, data: bytes, rule: str) -> None:
    with pytest.raises(FileError, match=rule):
        read_outlines(data, kind)


def test_only_the_driver_that_was_asked_for_is_there(tmp_path: Path) -> None:
    """A virtual dataset can point to any file or address; the reader knows no driver but its own."""
    trap = tmp_path / "trap.geojson"
    trap.write_text(
        "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/etc</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    script = (
        "import sys, importlib.util as u\n"
        "spec = u.spec_from_file_location('r', sys.argv[1]); r = u.module_from_spec(spec)\n"
        "spec.loader.exec_module(r)\n"
        "try: r.read('geojson', __import__('pathlib').Path(sys.argv[2]))\n"
        "except r.UnreadableError: pass\n"
        "from django.contrib.gis.gdal.libgdal import lgdal\nprint(lgdal.GDALGetDriverCount())\n"
    )
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-I", "-c", script, outline_reader.__file__, str(trap)],
        capture_output=True,
        check=True,
    )
    assert done.stdout.decode().strip() == "1"


def test_the_reader_cannot_take_more_memory_than_it_is_given() -> None:
    script = (
        "import sys, importlib.util as u\n"
        "spec = u.spec_from_file_location('r', sys.argv[1]); r = u.module_from_spec(spec)\n"
        "spec.loader.exec_module(r); r.limit_resources()\n"
        "try: bytearray(r.MOST_MEMORY)\nexcept MemoryError: print('refused')\n"
    )
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-I", "-c", script, outline_reader.__file__], capture_output=True, check=True
    )
    assert done.stdout.decode().strip() == "refused"


def test_an_outline_with_exchanged_coordinates_says_so(cast: Cast) -> None:
    plan = planned(cast.organiser, "a.geojson", geojson((NAMED, [[[y, x] for x, y in RING]])))
    assert "GeoJSON gives longitude first; they may be exchanged." in errors(plan)[0][3]


def test_a_water_needs_a_name_and_a_time_zone(cast: Cast) -> None:
    plan = planned(cast.organiser, "a.geojson", geojson(({"timezone": "America/Chicago"}, [RING])))
    assert errors(plan)[0][1] == "feature 1, name"
    plan = planned(cast.organiser, "a.geojson", geojson(({"name": "Heron Lake", "timezone": "CST"}, [RING])))
    assert errors(plan)[0][1:3] == ("timezone", "CST")
    plan = planned(cast.organiser, "a.geojson", geojson(({}, [RING])), water="Heron", timezone="UTC")
    assert errors(plan) == [] and plan.outlines.waters[0].water.name == "Heron"


def test_areas_of_one_name_are_parts_of_one_water(cast: Cast) -> None:
    east = [[x + 0.05, y] for x, y in RING]
    plan = imported(cast.organiser, "a.geojson", geojson((NAMED, [RING]), ({**NAMED}, [east])))
    assert plan.outlines.waters[0].parts == 2
    assert Water.objects.get().outline.num_geom == 2  # type: ignore[union-attr]


def test_a_self_crossing_outline_is_refused_and_a_spike_mended(cast: Cast) -> None:
    bow = [RING[0], RING[2], RING[1], RING[3], RING[0]]
    assert "Not a valid area" in errors(planned(cast.organiser, "a.geojson", geojson((NAMED, [bow]))))[0][3]
    spike = [*RING[:2], [-93.31, 45.02], RING[1], *RING[2:]]
    plan = planned(cast.organiser, "a.geojson", geojson((NAMED, [spike])))
    assert errors(plan) == [] and "mended" in warnings(plan)[0][2]


def test_a_known_outline_is_replaced_only_when_asked_and_its_zones_stay(cast: Cast) -> None:
    imported(cast.organiser, "a.geojson", PLAIN)
    zones = {str(pk): squares.wkt for pk, squares in Water.objects.get().zones.values_list("pk", "squares")}
    larger = geojson(
        (NAMED, [[[-93.31, 45.00], [-93.27, 45.00], [-93.27, 45.03], [-93.31, 45.03], [-93.31, 45.00]]])
    )
    plan = planned(cast.organiser, "a.geojson", larger)
    assert "replaced only where that is asked for" in errors(plan)[0][3]
    imported(cast.organiser, "a.geojson", larger, replace=True)
    water = Water.objects.get()
    assert water.outline is not None and water.outline.extent == (-93.31, 45.0, -93.27, 45.03)
    assert {str(pk): squares.wkt for pk, squares in water.zones.values_list("pk", "squares")} == zones


def test_a_water_without_an_outline_gets_one_and_its_time_zone_stays(cast: Cast) -> None:
    Water.objects.create(name="Heron Lake", time_zone="America/Chicago")
    imported(cast.organiser, "a.geojson", geojson(({"name": "heron lake"}, [RING])))
    water = Water.objects.get()
    assert water.outline is not None and water.time_zone == "America/Chicago" and water.zones.exists()


def test_only_an_organiser_imports_outlines(cast: Cast) -> None:
    assert "Only an organiser" in errors(planned(cast.member, "a.geojson", PLAIN))[0][3]


def test_a_gpx_named_as_geojson_is_refused(cast: Cast) -> None:
    plan = planned(cast.organiser, "a.geojson", gpx_of((45.0, -93.0, "x")))
    assert errors(plan)[0][3] == "This is not JSON: Expecting value."
