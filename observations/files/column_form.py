"""The choice of columns on the preview: what of a foreign table is what, in which units."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from club.models import Member
from observations.files.importer import ImportPlan
from observations.files.tables import KINDS
from observations.import_models import ImportMap
from observations.models import Method
from spots.files.mapping import ORDERS, PARTS, UNITS
from spots.files.table import RawTable

_WORDS = {
    "spot": "spot of the look", "name": "name of the spot", "water": "water", "lat": "latitude", "lon": "longitude",
    "position": "latitude and longitude in one", "started_at": "day and time of the look", "date": "day",
    "time": "clock time", "at": "day and time of the level", "observer": "observer", "method": "method",
    "minutes": "minutes", "settings": "settings", "secchi_m": "visibility (Secchi depth)",
    "water_temp_c": "water temperature", "depth_m": "depth of echoes or fish", "echoes": "number of echoes",
    "placement": "where the echoes sat", "call": "call", "call_probability": "how sure the call was",
    "call_size": "size in the call", "finding_species": "species found", "finding_count": "how many were found",
    "finding_length_mm": "lengths of the fish", "tie": "same fish or same cover", "rod_hours": "rod-hours",
    "presentation": "presentation", "response": "response", "confirmed_by": "who confirmed it",
    "depth_min_m": "least depth of the spot", "depth_max_m": "greatest depth of the spot", "cover": "cover",
    "structure": "structure", "provenance": "provenance", "placed_on": "placed on", "notes": "notes",
    "permission": "permission", "symbol": "symbol", "level_m": "level from full pool", "elevation_m": "elevation",
    "source": "source of the level",
}  # fmt: skip
MOST_COLUMNS = 100
# What of ours may be left empty by whoever keeps it for a club, and is of no use in a table of one's own.
_NOT_OFFERED = frozenset({"id", "precision", "zone_ha", "band_from_m", "band_to_m", "sharing"})


def column_choices(plan: ImportPlan) -> dict[str, Any]:
    """Return what the page needs to ask for columns: nothing where the table is one of our own."""
    if plan.raw is None or plan.chosen is None:
        return {}
    chosen = plan.chosen
    first = plan.raw.records[0][1] if plan.raw.records else [""] * len(plan.raw.header)
    offered = [name for kind in KINDS.values() for name in kind.columns if name not in _NOT_OFFERED]
    columns = [
        {
            "number": number,
            "name": name,
            "example": example[:40],
            "target": chosen.columns.get(key, ""),
            "unit": chosen.units.get(chosen.columns.get(key, ""), ""),
        }
        for number, (name, key, example) in enumerate(
            zip(plan.raw.header, plan.raw.names, first, strict=True)
        )
    ]
    return {
        "columns": columns[:MOST_COLUMNS],
        "targets": [(name, _WORDS[name]) for name in dict.fromkeys([*offered, *PARTS])],
        "all_units": list(dict.fromkeys(unit for units in UNITS.values() for unit in units)),
        "kinds": [(kind.name, kind.words) for kind in KINDS.values()],
        "orders": list(ORDERS.items()),
        "methods": list(Method.labels),
        "choice": chosen,
        "remembered": chosen.pk is not None,
        "asks_columns": chosen.pk is None and not plan.ok,
    }


def keep_choice(raw: RawTable, member: Member, posted: Mapping[str, str], moment: datetime) -> ImportMap:
    """Remember what was posted for this header. What is no choice of ours is left out."""
    kind = posted.get("kind", "")
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    for number, name in enumerate(raw.names[:MOST_COLUMNS]):
        if target := posted.get(f"column-{number}", "")[:40]:
            columns[name] = target
            if (unit := posted.get(f"unit-{number}", "")) in UNITS.get(target, ()):
                units[target] = unit
    method = posted.get("every_method", "")
    found, _ = ImportMap.objects.update_or_create(
        member=member,
        header=raw.names,
        defaults={
            "kind": kind if kind in KINDS else "looks",
            "columns": columns,
            "units": units,
            "fixed": {"method": method} if kind == "looks" and method in Method.labels else {},
            "order": order if (order := posted.get("order", "")) in ORDERS else "ymd",
            "chosen_at": moment,
        },
    )
    return found
