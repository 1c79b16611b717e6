"""Spots as GeoJSON (RFC 7946), as exactly as they were released."""

import json
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

from spots.disclosures import held_back
from spots.files.gpx import NOT_FOR_NAVIGATION
from spots.precision import ReleasedSpot


def spot_feature(spot: ReleasedSpot, water_name: str) -> dict[str, Any]:
    """Return the GeoJSON feature of a released spot: a point, the squares of its zone, or no geometry."""
    properties: dict[str, Any] = {
        "name": spot.label,
        "water": water_name,
        "precision": spot.precision,
        "cover": spot.cover,
        "zone_ha": None if spot.zone_ha is None else round(spot.zone_ha, 1),
        "depth_band": None if spot.band_from_m is None else [spot.band_from_m, spot.band_to_m],
        "sharing": spot.sharing or None,
        "paused": spot.paused,
        "held_back": spot.held,
    }
    if spot.is_exact:
        properties |= {
            "structure": spot.structure,
            "depth_min_m": spot.depth_min_m,
            "depth_max_m": spot.depth_max_m,
            "provenance": spot.provenance,
            "notes": spot.notes,
        }
    return {"type": "Feature", "id": str(spot.id), "geometry": spot.geometry, "properties": properties}


def file_words(spots: Sequence[ReleasedSpot]) -> str:
    """Return what a file says of itself: not for navigation, and what the daily cap holds back in it."""
    held = held_back(sum(spot.held for spot in spots))
    return f"{NOT_FOR_NAVIGATION} {held.words}" if held else NOT_FOR_NAVIGATION


def write_geojson(spots: Sequence[ReleasedSpot], waters: Mapping[uuid.UUID, str]) -> str:
    """Return a FeatureCollection of all the spots, in their order; `waters` has their names."""
    document = {
        "type": "FeatureCollection",
        "description": file_words(spots),
        "features": [spot_feature(spot, waters[spot.water_id]) for spot in spots],
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"
