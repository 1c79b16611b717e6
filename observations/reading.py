"""Reading histories: the widest scope that the reader has, in the edition that their precision allows."""

import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from club.models import Club, Level
from club.viewer import Viewer
from observations.models import History
from spots.disclosure_models import Channel
from spots.precision import ReleasedSpot, release

GRADES = ("called", "seen", "landed", "verified")

# The widest scope first. A policy has already left only scopes of the reader's own.
_WIDEST = "CASE WHEN h.scope LIKE 'member:%%' THEN 0 WHEN h.scope LIKE 'team:%%' THEN 1 ELSE 2 END"

# Members who see a spot exactly read what is live, or frozen for them; everybody else what was last
# published. Those who are not members read of species that were verified there, and of nothing else.
_READABLE = f"""
    (shown.level = {Level.EXACT} AND %(member)s) = (h.edition <> 'published') AND (%(member)s OR h.verified > 0)
"""
# Of a scope, what is frozen for the reader comes before what was live at the cut-off.
_FROZEN_FIRST = "h.edition"


def histories(spot: ReleasedSpot, viewer: Viewer) -> list[History]:
    """Return a spot's history rows for this viewer, one a species, likeliest first."""
    return histories_of([spot], viewer).get(spot.id, [])


def histories_of(
    spots: Iterable[ReleasedSpot], viewer: Viewer, species: str = ""
) -> dict[uuid.UUID, list[History]]:
    """Return the history rows of several released spots, of one species or all, likeliest species first."""
    published = {spot.id: not (spot.is_exact and viewer.is_member) for spot in spots}
    out: dict[uuid.UUID, dict[str, History]] = {}
    rows = History.objects.filter(spot_id__in=list(published)).select_related("species")
    if species:
        rows = rows.filter(species_id=species)
    for row in sorted(rows, key=lambda row: (_width(row.scope), row.edition, row.pk)):
        if (row.edition == History.Edition.PUBLISHED) != published[row.spot_id]:
            continue
        if not viewer.is_member and row.verified == 0:
            continue
        out.setdefault(row.spot_id, {}).setdefault(row.species_id, row)
    return {
        spot: sorted(found.values(), key=lambda row: (-row.probability, row.species.order))
        for spot, found in out.items()
    }


def _width(scope: str) -> int:
    return 0 if scope.startswith("member:") else 1 if scope.startswith("team:") else 2


@dataclass(frozen=True)
class ChartFilter:
    """What the chart asks for. `season` is a month, 1 to 12; `bbox` is west, south, east, north."""

    water: uuid.UUID | None = None
    species: str = ""
    grade: str = ""
    season: int | None = None
    bbox: tuple[float, float, float, float] | None = None
    limit: int = 1000
    offset: int = 0


# The history that is told of each spot is looked up spot by spot: the planner cannot know how few are shown, and
# would sort all of them anew for each. What is shown outside the box is left out first.
_CHART = f"""
inside AS MATERIALIZED (
    SELECT shown.*, COALESCE(shown.name, nullif(shown.alias, ''), 'Spot ' || shown.number) AS label FROM shown
    WHERE %(west)s::float IS NULL OR ST_Intersects(
        shown.shown_geometry, ST_MakeEnvelope(%(west)s, %(south)s, %(east)s, %(north)s, 4326))
),
page AS (
    SELECT shown.*, c.species_id, c.grade, c.probability, c.low, c.high, c.last_verified, w.name AS water_name
    FROM inside shown
    JOIN spots_water w ON w.id = shown.water_id
    LEFT JOIN LATERAL (
        SELECT told.species_id, told.last_verified, told.grade, told.probability, told.low, told.high
        FROM (
            SELECT readable.species_id, readable.last_verified,
                CASE WHEN month IS NULL THEN best ELSE nullif(month ->> 'grade', 'none') END AS grade,
                COALESCE((month ->> 'probability')::float, probability) AS probability,
                COALESCE((month ->> 'low')::float, low) AS low,
                COALESCE((month ->> 'high')::float, high) AS high
            FROM (
                SELECT DISTINCT ON (h.species_id) h.*,
                    CASE WHEN h.verified > 0 THEN 'verified' WHEN h.landed > 0 THEN 'landed'
                         WHEN h.seen > 0 THEN 'seen' WHEN h.called > 0 THEN 'called' ELSE '' END AS best,
                    h.months -> (%(season)s - 1) AS month
                FROM observations_history h
                WHERE h.spot_id = shown.id AND (%(species)s = '' OR h.species_id = %(species)s) AND {_READABLE}
                ORDER BY h.species_id, {_WIDEST}, {_FROZEN_FIRST}, h.id
            ) readable
        ) told
        ORDER BY array_position(ARRAY['verified', 'landed', 'seen', 'called'], told.grade) NULLS LAST,
            told.probability DESC, told.species_id
        LIMIT 1
    ) c ON true
    WHERE %(grade)s = '' OR array_position(ARRAY['called', 'seen', 'landed', 'verified'], c.grade)
          >= array_position(ARRAY['called', 'seen', 'landed', 'verified'], %(grade)s)
    ORDER BY label, shown.id
    LIMIT %(limit)s + 1 OFFSET %(offset)s
),
numbered AS (SELECT page.*, row_number() OVER (ORDER BY label, id) FROM page),
leaving AS (SELECT * FROM numbered WHERE row_number <= %(limit)s)
"""

_FEATURES = f"""
count(*) > %(limit)s, count(*) FILTER (WHERE held AND row_number <= %(limit)s), COALESCE(json_agg(json_build_object(
    'type', 'Feature',
    'id', id,
    'geometry', ST_AsGeoJSON(ST_ForcePolygonCCW(shown_geometry), 7)::json,
    'properties', json_build_object(
        'name', label, 'water', water_name, 'precision', precision, 'cover', cover,
        'zone', zone_id, 'zone_ha', round(zone_ha::numeric, 1),
        'depth_band', CASE WHEN band_from_m IS NOT NULL THEN json_build_array(band_from_m, band_to_m) END,
        'search_hours', round((zone_ha / %(ha_per_hour)s)::numeric, 1),
        'sharing', CASE WHEN scope LIKE 'member:%%' THEN 'only you' WHEN scope LIKE 'team:%%' THEN 'team only' END,
        'species', species_id, 'grade', COALESCE(grade, ''),
        'probability', round(probability::numeric, 4),
        'interval', CASE WHEN probability IS NOT NULL
            THEN json_build_array(round(low::numeric, 4), round(high::numeric, 4)) END,
        -- Below exact, times are months.
        'last_verified', to_char(last_verified AT TIME ZONE 'UTC',
            CASE WHEN level = {Level.EXACT} THEN 'YYYY-MM-DD' ELSE 'YYYY-MM' END),
        'paused', paused, 'rest_until', rest_until, 'held_back', held
    )) ORDER BY label, id) FILTER (WHERE row_number <= %(limit)s), '[]'::json)::text
FROM numbered
"""


@dataclass(frozen=True)
class ChartPage:
    """GeoJSON features as text, whether there are more, and how many of them the daily cap holds back."""

    features: str
    more: bool
    held_back: int


def chart_features(wanted: ChartFilter, viewer: Viewer, channel: Channel) -> ChartPage:
    """Return what the chart shows, as PostGIS's own text.

    Everything is filtered on what is shown; the text is never parsed on its way out.
    """
    club = Club.objects.first()
    parameters: dict[str, Any] = {
        "member": viewer.is_member,
        "species": wanted.species,
        "grade": wanted.grade,
        "season": wanted.season,
        "limit": wanted.limit,
        "offset": wanted.offset,
        "ha_per_hour": club.search_ha_per_hour if club else 20.0,
    }
    ((more, held_back, text),) = release(
        _CHART, _FEATURES, parameters, channel=channel, water_id=wanted.water, box=wanted.bbox
    )
    return ChartPage(text, more, held_back)


def grade_counts(row: History) -> dict[str, int]:
    return {grade: getattr(row, grade) for grade in GRADES}


def shown_time(moment: datetime | None, exact: bool) -> str | None:
    """Return a time as the reader may know it: the day for an exact viewer, else the month."""
    if moment is None:
        return None
    return moment.date().isoformat() if exact else f"{moment:%Y-%m}"


def species_payload(rows: Sequence[History], exact: bool) -> list[dict[str, Any]]:
    """Return the `species` list of the history answer (DESIGN §6)."""
    return [
        {
            "species": {"id": row.species_id, "name": row.species.name},
            "probability": round(row.probability, 4),
            "interval": [round(row.low, 4), round(row.high, 4)],
            "grades": grade_counts(row),
            "last_verified": shown_time(row.last_verified, exact),
            "months": [{"month": month["month"], **_cell(month)} for month in row.months],
            "bands": [{"from_c": band["from_c"], "to_c": band["to_c"], **_cell(band)} for band in row.bands],
            "catch": row.catches or None,
            "places": row.places or None,
        }
        for row in rows
    ]


def _cell(cell: dict[str, Any]) -> dict[str, Any]:
    """Return the chance in a month or band, and what was spent there; none where too few did (observations.enough)."""
    return {
        "probability": round(cell["probability"], 4),
        "interval": [round(cell["low"], 4), round(cell["high"], 4)],
        "effort": {
            "looks": cell["looks"],
            "camera_minutes": _rounded(cell["camera_minutes"], 1),
            "rod_hours": _rounded(cell["rod_hours"], 2),
        },
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
