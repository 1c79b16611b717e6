"""One's own day, drawn on the water's public chart."""

from typing import Any

from club.units import Units
from observations.debrief.packing import unpack
from observations.debrief.showing import Day
from observations.debrief_models import DebriefDraft
from observations.files.track import simplified
from spots.minimap import HEIGHT, WIDTH, ground, window_around

# Points of the line: a pixel tells no more.
_POINTS = 1500


def chart(day: Day, units: Units) -> dict[str, Any] | None:
    """Return what the template draws of the track, its stops and the waypoints; None without a track."""
    if day.track is None:
        return None
    fixes = unpack(day.track.packed)
    marks = [*day.stops, *day.places, *day.decided]
    lats = [float(fixes.lat.min()), float(fixes.lat.max()), *(one.place.y for one in marks)]
    lons = [float(fixes.lon.min()), float(fixes.lon.max()), *(one.place.x for one in marks)]
    west, south, east, north = window_around((min(lons), min(lats), max(lons), max(lats)))
    sx, sy = WIDTH / (east - west), HEIGHT / (north - south)

    def at(lat: float, lon: float) -> str:
        return f"{(lon - west) * sx:.1f} {(north - lat) * sy:.1f}"

    line = "M" + "L".join(at(lat, lon) for lat, lon in simplified(fixes.lat, fixes.lon, _POINTS))
    stops = [one for one in marks if one.kind == DebriefDraft.Kind.STOP]
    return {
        **ground(day.trip.water, (west, south, east, north), units),
        "line": line,
        "passes": ["M" + "L".join(at(lat, lon) for lon, lat in one.path.coords) for one in day.passes],
        "stops": [(at(one.place.y, one.place.x), one.spot_id in day.spots) for one in stops],
        "marks": [at(one.place.y, one.place.x) for one in marks if one.kind == DebriefDraft.Kind.WAYPOINT],
    }
