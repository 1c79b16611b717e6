"""A water's own chart as GeoJSON: public, and the same for everybody."""

from typing import Any

from django.db import connection

from spots.models import Water

# For drawing: five decimals are about a metre. Depths are not for navigation, and two thirds of what is sent;
# drawn within 4 m of how they are kept they halve.
_CHART = """
SELECT json_build_object('type', 'FeatureCollection', 'features', COALESCE(json_agg(f ORDER BY rank, sub), '[]'))::text
FROM (
    SELECT 0 AS rank, 0::float AS sub, json_build_object('type', 'Feature', 'geometry',
        ST_AsGeoJSON(ST_ForcePolygonCCW(outline), 5)::json, 'properties',
        json_build_object('kind', 'outline', 'text', name)) AS f
    FROM spots_water WHERE id = %(id)s AND outline IS NOT NULL
    UNION ALL
    SELECT 1, 0, json_build_object('type', 'Feature', 'geometry',
        ST_AsGeoJSON(ST_ForcePolygonCCW(ST_Multi(ST_CollectionExtract(ST_SimplifyPreserveTopology(
            ST_Difference(outline, low_outline), 0.00004), 3))), 5)::json,
        'properties', json_build_object('kind', 'bared'))
    FROM spots_water WHERE id = %(id)s AND low_outline IS NOT NULL
    UNION ALL
    SELECT 2, depth_m, json_build_object('type', 'Feature', 'geometry',
        ST_AsGeoJSON(ST_ForcePolygonCCW(ST_SimplifyPreserveTopology(area, 0.00004)), 5)::json,
        'properties', json_build_object('kind', 'depth', 'from_m', depth_m))
    FROM spots_deptharea WHERE water_id = %(id)s
    UNION ALL
    SELECT 3, row_number() OVER (ORDER BY kind, text, depth_m, id), json_build_object('type', 'Feature', 'geometry',
        ST_AsGeoJSON(ST_ForcePolygonCCW(place), 6)::json, 'properties', json_build_object('kind', kind, 'text', text,
        'of', CASE WHEN of_land THEN 'land' ELSE 'water' END, 'depth_m', depth_m))
    FROM spots_feature WHERE water_id = %(id)s
) parts
"""


def chart_text(water: Water) -> str:
    """Return the water's outline, bared shore, depths and public features as RFC 7946 text."""
    with connection.cursor() as cursor:
        cursor.execute(_CHART, {"id": water.id})
        (text,) = cursor.fetchone()
    return str(text)


_OUTLINES = """
    SELECT id, name, time_zone, ST_AsGeoJSON(ST_SimplifyPreserveTopology(outline, 0.0002), 5)::json
    FROM spots_water ORDER BY name, id
"""


def outlines() -> list[dict[str, Any]]:
    """Return each water with its outline, coarse enough (0.0002 degrees) to be carried on a phone."""
    with connection.cursor() as cursor:
        cursor.execute(_OUTLINES)
        rows = cursor.fetchall()
    return [
        {"id": str(key), "name": name, "time_zone": zone, "outline": outline}
        for key, name, zone, outline in rows
    ]
