"""Small makers of files, and one way to import them as a persona."""

from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from django.utils import timezone

from club.models import Member
from club.viewer import viewer_of, viewing
from observations.files.importer import ImportPlan, Options, plan_import, save_import
from observations.files.looks_csv import COLUMNS


def csv_of(*rows: dict[str, Any], columns: Sequence[str] = COLUMNS, separator: str = ",") -> bytes:
    """Return a CSV of these rows; absent cells are empty."""
    lines = [separator.join(columns)]
    lines += [separator.join(str(row.get(column, "")) for column in columns) for row in rows]
    return "\n".join(lines).encode()


def sonar_row(**cells: Any) -> dict[str, Any]:
    return {
        "spot": "Old Brush",
        "started_at": "2026-05-01T06:30:00-05:00",
        "method": "2D sonar",
        "echoes": 5,
        **cells,
    }


def camera_row(**cells: Any) -> dict[str, Any]:
    return {
        "spot": "Old Brush",
        "started_at": "2026-05-01T07:00:00-05:00",
        "method": "underwater camera",
        "minutes": 4,
        **cells,
    }


def gpx_of(*points: tuple[float, float, str], extra: str = "") -> bytes:
    """Return GPX of (latitude, longitude, name); the waypoint of index n starts on line n + 3."""
    rows = "\n".join(
        f'<wpt lat="{lat!r}" lon="{lon!r}"><name>{escape(name)}</name>{extra}</wpt>'
        for lat, lon, name in points
    )
    head = (
        '<?xml version="1.0"?>\n<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
    )
    return f"{head}\n{rows}\n</gpx>".encode()


def planned(member: Member, name: str, data: bytes, **options: Any) -> ImportPlan:
    """Plan, as the page's preview does."""
    moment, viewer = timezone.now(), viewer_of(member)
    with viewing(viewer, moment):
        return plan_import(name, data, Options(**options), member, viewer, moment)


def imported(member: Member, name: str, data: bytes, **options: Any) -> ImportPlan:
    """Plan and save; the plan must be free of errors."""
    moment, viewer = timezone.now(), viewer_of(member)
    with viewing(viewer, moment):
        plan = plan_import(name, data, Options(**options), member, viewer, moment)
        assert plan.report.errors == []
        save_import(plan, viewer, moment)
    return plan


def errors(plan: ImportPlan) -> list[tuple[int, str, str, str]]:
    return [(item.line, item.column, item.value, item.rule) for item in plan.report.errors]


def warnings(plan: ImportPlan) -> list[tuple[int, str, str]]:
    return [(item.line, item.column, item.rule) for item in plan.report.warnings]
