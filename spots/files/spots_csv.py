"""Spots as a CSV: one row a spot, as exactly as it was released."""

import csv
import io
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from spots.files.table import guarded
from spots.precision import ReleasedSpot

# What is known of an exact spot, and what of any.
OF_A_SPOT = (
    "id", "name", "water", "lat", "lon", "depth_min_m", "depth_max_m", "cover", "structure", "provenance",
    "placed_on", "notes", "permission",
)  # fmt: skip
AS_SHOWN = ("precision", "zone_ha", "band_from_m", "band_to_m", "sharing")
COLUMNS = (*OF_A_SPOT, *AS_SHOWN)


def write_spots_csv(spots: Sequence[ReleasedSpot], waters: Mapping[uuid.UUID, str]) -> str:
    """Return the CSV of all the spots, in their order; a cell is empty where nothing is known or shown."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    for spot in spots:
        writer.writerow({name: _cell(value) for name, value in _row(spot, waters).items()})
    return out.getvalue()


def _row(spot: ReleasedSpot, waters: Mapping[uuid.UUID, str]) -> dict[str, Any]:
    longitude, latitude = spot.geometry["coordinates"] if _has_point(spot) and spot.geometry else (None, None)
    return {
        "id": spot.id,
        "name": spot.label,
        "water": waters[spot.water_id],
        "lat": latitude,
        "lon": longitude,
        **{name: getattr(spot, name) for name in OF_A_SPOT[5:]},
        "precision": spot.precision,
        "zone_ha": None if spot.zone_ha is None else round(spot.zone_ha, 1),
        "band_from_m": spot.band_from_m,
        "band_to_m": spot.band_to_m,
        "sharing": spot.sharing,
    }


def _has_point(spot: ReleasedSpot) -> bool:
    return spot.geometry is not None and spot.geometry["type"] == "Point"


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return repr(value)
    return "" if value is None else guarded(str(value))
