"""Outlines of waters from GeoJSON, GeoPackage or a zipped Shapefile, through GDAL in a process of its own."""

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import available_timezones

import shapely
from django.contrib.gis.geos import GEOSGeometry, MultiPolygon
from shapely import wkb
from shapely.geometry.base import BaseGeometry

from spots.files import outline_reader
from spots.files.report import Report, refused
from spots.geometry.equalarea import area_ha
from spots.models import Water
from spots.services import save_water

KINDS = {".geojson": "geojson", ".json": "geojson", ".gpkg": "gpkg", ".zip": "shapefile"}
_SECONDS = 60
# Repairing a self-crossing outline may move this part of its area; more needs a person.
_REPAIR_TOLERANCE = 0.001


@dataclass(frozen=True)
class Outline:
    """One area of the file, WGS 84."""

    number: int
    name: str
    timezone: str
    shape: BaseGeometry


@dataclass(frozen=True)
class WaterPlan:
    """A water that will be created, or whose outline will be set or replaced."""

    water: Water
    parts: int
    area_ha: float
    is_new: bool
    replaces: bool


@dataclass
class OutlinePlan:
    report: Report = field(default_factory=Report)
    waters: list[WaterPlan] = field(default_factory=list)


def read_outlines(data: bytes, kind: str) -> tuple[list[Outline], int]:
    """Return the areas of a file of this kind, and how many other features were passed over.

    Raises FileError in words for the sender.
    """
    with tempfile.TemporaryDirectory(prefix="outline-") as folder:
        path = Path(folder) / f"file.{kind}"
        path.write_bytes(data)
        answer_path = Path(folder) / "answer.json"
        with answer_path.open("wb") as out:
            try:
                # Only the interpreter, this project's script and a path of our own making.
                done = subprocess.run(  # noqa: S603
                    [sys.executable, "-I", outline_reader.__file__, kind, str(path)],
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=subprocess.DEVNULL,
                    cwd=folder,
                    env={"LC_ALL": "C.UTF-8", "PATH": "/usr/bin:/bin"},
                    timeout=_SECONDS,
                    check=False,
                )
            except subprocess.TimeoutExpired as error:
                raise refused(f"Reading the outline took longer than {_SECONDS} s.") from error
        if done.returncode != 0:
            raise refused("The outline cannot be read within the memory and time that an import may take.")
        answer = json.loads(answer_path.read_bytes())
    if "error" in answer:
        raise refused(answer["error"])
    outlines = [
        Outline(item["number"], item["name"], item["timezone"], wkb.loads(bytes.fromhex(item["wkb"])))
        for item in answer["features"]
    ]
    return outlines, answer["others"]


def plan_outlines(
    outlines: Iterable[Outline], *, water_name: str, timezone: str, replace: bool
) -> OutlinePlan:
    """Plan the waters of a file. Nothing is saved.

    With `water_name` every area is a part of that water; else each says its `name`, and areas of one name
    are parts of one water. `timezone` serves where the file has none.
    """
    plan = OutlinePlan()
    by_name: dict[str, list[Outline]] = {}
    for outline in outlines:
        name = water_name or outline.name
        if name:
            by_name.setdefault(" ".join(name.split()), []).append(outline)
        else:
            rule = "The area has no property `name`; give it one, or say which water it is."
            plan.report.error(0, f"feature {outline.number}, name", "", rule)
    if not by_name and not plan.report.errors:
        plan.report.error(0, "", "", "The file has no area (Polygon or MultiPolygon).")
    for name, parts in by_name.items():
        _plan_one(name, parts, timezone, replace, plan)
    return plan


def _plan_one(name: str, parts: list[Outline], timezone: str, replace: bool, plan: OutlinePlan) -> None:
    before = len(plan.report.errors)
    shape = _joined(name, parts, plan.report)
    existing = Water.objects.filter(name__iexact=name).first()
    replaces = bool(existing and existing.outline)
    if replaces and not replace:
        rule = (
            "There is a water of this name with an outline. Its outline is replaced only where that is asked"
            " for; its published zones stay as they are."
        )
        plan.report.error(0, "name", name, rule)
    if len(name) > 80:
        plan.report.error(0, "name", name, "A name has at most 80 characters.")
    zones = {part.timezone for part in parts if part.timezone}
    zone = next(iter(zones), "") or timezone or (existing.time_zone if existing else "")
    if len(zones) > 1:
        plan.report.error(0, "timezone", ", ".join(sorted(zones)), f"The parts of {name} have several.")
    elif zone not in available_timezones():
        rule = "A water needs its time zone, like America/Chicago, as the property `timezone`."
        plan.report.error(0, "timezone", zone, f"{rule} ({name})")
    if shape is None or len(plan.report.errors) > before:
        return
    water = existing or Water(name=name)
    water.time_zone = zone
    geometry = GEOSGeometry(memoryview(wkb.dumps(shape)), srid=4326)
    water.outline = geometry if isinstance(geometry, MultiPolygon) else MultiPolygon(geometry, srid=4326)
    hectares = area_ha(shape)
    plan.waters.append(WaterPlan(water, len(shapely.get_parts(shape)), hectares, existing is None, replaces))


def _joined(name: str, parts: list[Outline], report: Report) -> BaseGeometry | None:
    """Return one area of all parts, mended where it crosses itself; None after an error."""
    shapes: list[BaseGeometry] = []
    for part in parts:
        shape = part.shape
        column = f"feature {part.number}, outline"
        west, south, east, north = shape.bounds if not shape.is_empty else (0.0, 0.0, 0.0, 0.0)
        # Written so that NaN fails as well.
        if not (-180 <= west <= east <= 180 and -85 <= south <= north <= 85):
            rule = f"The outline of {name} lies outside longitude ±180 or latitude ±85."
            if -180 <= south <= north <= 180 and -85 <= west <= east <= 85:
                rule += " GeoJSON gives longitude first; they may be exchanged."
            report.error(0, column, "", rule)
            return None
        if not shape.is_valid:
            mended = _areas(shapely.make_valid(shape))
            if abs(mended.area - shape.area) > _REPAIR_TOLERANCE * max(mended.area, shape.area):
                report.error(0, column, "", f"Not a valid area: {shapely.is_valid_reason(shape)}.")
                return None
            report.warn(
                0, column, "", f"The outline crosses itself ({shapely.is_valid_reason(shape)}): mended."
            )
            shape = mended
        shapes.append(shape)
    joined = _areas(shapely.union_all(shapes))
    if joined.is_empty or joined.area == 0:
        report.error(0, "outline", "", f"The outline of {name} has no area.")
        return None
    return joined


def _areas(shape: BaseGeometry) -> BaseGeometry:
    """Keep the polygons of a shape."""
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type in ("Polygon", "MultiPolygon")]
    return shapely.union_all(polygons)


def save_outlines(plan: OutlinePlan) -> list[Water]:
    """Save the planned waters and cut the zones of those that have none."""
    return [save_water(item.water) for item in plan.waters]
