"""A target seen from the boat: the boat's point, a bearing from true north and a range.

The target's point is the geodesic's end on WGS 84, by PostGIS (GeographicLib, Karney 2013). How far it may be off
is put together from the parts: the boat's fix, a bearing read to about ten degrees and a range read to about a
tenth (common practice, no source).
"""

import math
from dataclasses import dataclass

from django.contrib.gis.geos import GEOSGeometry, Point
from django.core.exceptions import ValidationError
from django.db import connection

FURTHEST_M = 1000.0
BEARING_READ_DEG, RANGE_READ = 10.0, 0.1
# A phone's receiver under open sky, where it does not say (common practice, no source).
FIX_M = 5.0


@dataclass(frozen=True)
class Sighting:
    """The boat's point, and the target's bearing in degrees from true north and range in metres."""

    boat: Point
    bearing_deg: float
    range_m: float

    def target(self) -> Point:
        """Return the target's point. Raises ValidationError naming the field, its value and the rule."""
        if not (math.isfinite(self.bearing_deg) and 0 <= self.bearing_deg <= 360):
            raise ValidationError(
                {"bearing": f"{self.bearing_deg:g} is not a bearing: it must lie between 0 and 360 degrees."}
            )
        if not (math.isfinite(self.range_m) and 0 < self.range_m <= FURTHEST_M):
            raise ValidationError(
                {"range": f"{self.range_m:g} m is not possible: above 0, at most {FURTHEST_M:g} m."}
            )
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT ST_Project(ST_SetSRID(ST_MakePoint(%s, %s), 4326)::geography, %s, %s)::geometry",
                [self.boat.x, self.boat.y, self.range_m, math.radians(self.bearing_deg)],
            )
            (found,) = cursor.fetchone()
        end = GEOSGeometry(found)
        assert isinstance(end, Point)  # noqa: S101 - of a point
        return Point(end.x, end.y, srid=4326)

    def error_m(self, fix_m: float | None) -> float:
        """Return how far the target may be off, in metres, when the boat's fix is good to `fix_m`."""
        across = self.range_m * math.tan(math.radians(BEARING_READ_DEG))
        return math.hypot(FIX_M if fix_m is None else fix_m, across, self.range_m * RANGE_READ)
