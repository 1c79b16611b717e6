"""Reads one uploaded outline file through GDAL, in a process of its own with little to spend.

Run as a script by `outlines.py`: `outline_reader.py KIND FILE`. Writes one JSON object to standard output:
`{"features": [{"name", "timezone", "wkb"}], "others": n}` with WGS 84 polygons as hex WKB, longitude first,
or `{"error": "why"}`. Imports nothing of the project, and of Django only its bindings of GDAL.
"""

import json
import resource
import sys
import zipfile
from pathlib import Path
from typing import Any

MEGABYTE = 1024 * 1024
MOST_MEMORY = 1024 * MEGABYTE
MOST_CPU_SECONDS = 30
MOST_UNPACKED = 64 * MEGABYTE
MOST_WRITTEN = 96 * MEGABYTE
MOST_ENTRIES = 50
MOST_FEATURES = 10_000
MOST_CORNERS = 500_000
SHAPE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
# The functions of GDAL that make one driver known; no other driver is.
DRIVERS = {"geojson": "RegisterOGRGeoJSON", "gpkg": "RegisterOGRGeoPackage", "shapefile": "RegisterOGRShape"}
KIND_WORDS = {"geojson": "GeoJSON", "gpkg": "a GeoPackage", "shapefile": "a Shapefile"}


class UnreadableError(Exception):
    """Why a file is refused, in words for its sender."""


def limit_resources() -> None:
    """Bound this process's memory, time, files and processes, before anything untrusted is read."""
    for what, most in (
        (resource.RLIMIT_AS, MOST_MEMORY),
        (resource.RLIMIT_CPU, MOST_CPU_SECONDS),
        (resource.RLIMIT_FSIZE, MOST_WRITTEN),
        (resource.RLIMIT_NOFILE, 64),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(what, (most, most))


def unpack_shapefile(archive: Path) -> Path:
    """Unpack the one Shapefile of a zip beside it, counting what really comes out, and return its .shp."""
    try:
        with zipfile.ZipFile(archive) as package:
            entries = package.infolist()
            if len(entries) > MOST_ENTRIES:
                raise UnreadableError(
                    f"The zip has {len(entries)} entries; at most {MOST_ENTRIES} are allowed."
                )
            parts = [entry for entry in entries if _is_part(entry)]
            shapes = [entry for entry in parts if entry.filename.lower().endswith(".shp")]
            if len(shapes) != 1:
                raise UnreadableError(f"The zip holds {len(shapes)} Shapefiles (.shp); it must hold one.")
            stem = Path(shapes[0].filename).with_suffix("")
            chosen = {
                Path(entry.filename).suffix.lower(): entry
                for entry in parts
                if Path(entry.filename).with_suffix("") == stem
            }
            for suffix in (".shx", ".dbf", ".prj"):
                if suffix not in chosen:
                    raise UnreadableError(
                        f"The Shapefile lacks its {suffix} file; zip all of its files together."
                    )
            left = MOST_UNPACKED
            for suffix, entry in chosen.items():
                left = _unpack(package, entry, archive.with_name(f"shape{suffix}"), left)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, ValueError) as error:
        raise UnreadableError(f"The zip cannot be read: {error}.") from error
    return archive.with_name("shape.shp")


def _is_part(entry: zipfile.ZipInfo) -> bool:
    path = Path(entry.filename)
    # Some systems add a folder of resource forks with the same endings.
    return (
        path.suffix.lower() in SHAPE_PARTS and "__MACOSX" not in path.parts and not path.name.startswith(".")
    )


def _unpack(package: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path, left: int) -> int:
    with package.open(entry) as source, target.open("wb") as out:
        while chunk := source.read(MEGABYTE):
            left -= len(chunk)
            if left < 0:
                raise UnreadableError(f"The zip unpacks to more than {MOST_UNPACKED // MEGABYTE} MB.")
            out.write(chunk)
    return left


def read(kind: str, path: Path) -> dict[str, Any]:
    """Return the polygons of the file's one polygon layer. Raises UnreadableError."""
    from django.contrib.gis.gdal import CoordTransform, DataSource, GDALException, SpatialReference
    from django.contrib.gis.gdal.libgdal import lgdal

    getattr(lgdal, DRIVERS[kind])()
    limit_resources()
    if kind == "shapefile":
        path = unpack_shapefile(path)
    try:
        source = DataSource(path)
        every = [source[index] for index in range(source.layer_count)]
        layers = [layer for layer in every if _may_hold_polygons(layer)]
        if len(layers) != 1:
            names = ", ".join(f'"{layer.name}"' for layer in every) or "none"
            raise UnreadableError(
                f"The file has {len(layers)} layers of areas, not one. Its layers: {names}."
            )
        (layer,) = layers
        if layer.srs is None:
            raise UnreadableError("The file does not say its coordinate system.")
        to_wgs84 = CoordTransform(layer.srs, SpatialReference(4326))
        return _features(layer, to_wgs84)
    except GDALException as error:
        raise UnreadableError(f"This is not {KIND_WORDS[kind]} that can be read.") from error


def _may_hold_polygons(layer: Any) -> bool:
    return "Polygon" in layer.geom_type.name or layer.geom_type.name in ("Unknown", "GeometryCollection")


def _features(layer: Any, to_wgs84: Any) -> dict[str, Any]:
    columns = {name.casefold(): name for name in layer.fields}
    features: list[dict[str, Any]] = []
    others = corners = 0
    for number, feature in enumerate(layer, 1):
        if number > MOST_FEATURES:
            raise UnreadableError(f"The file has more than {MOST_FEATURES:,} features.")
        shape = _geometry(feature)
        if shape is None or shape.geom_type.name.removesuffix("25D") not in ("Polygon", "MultiPolygon"):
            others += 1
            continue
        corners += shape.num_coords
        if corners > MOST_CORNERS:
            raise UnreadableError(f"The outlines have more than {MOST_CORNERS:,} corners; simplify them.")
        shape.set_3d(False)
        shape.set_measured(False)
        shape.transform(to_wgs84)
        texts = {
            key: str(feature.get(columns[key]) or "").strip() if key in columns else ""
            for key in ("name", "timezone")
        }
        features.append({**texts, "wkb": bytes(shape.wkb).hex(), "number": number})
    return {"features": features, "others": others}


def _geometry(feature: Any) -> Any:
    from django.contrib.gis.gdal import GDALException

    try:
        return feature.geom
    except GDALException:
        return None


def main() -> None:
    kind, path = sys.argv[1], Path(sys.argv[2])
    try:
        answer = read(kind, path)
    except UnreadableError as error:
        answer = {"error": str(error)}
    except MemoryError:
        answer = {"error": "The file needs more memory than an import may take."}
    sys.stdout.write(json.dumps(answer))


if __name__ == "__main__":
    main()
