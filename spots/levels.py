"""The level of a water at a time, between the readings that there are."""

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import connection

from club.units import Units
from spots.level_models import PoolLevel
from spots.models import Water

# Agencies publish levels by the day or the week; between two readings no farther apart the level is taken as a
# straight line. Beyond the first and the last it is taken as theirs for a day. Common practice, no source.
BETWEEN = timedelta(days=8)
BESIDE = timedelta(days=1)


def levels_at(asked: Sequence[tuple[uuid.UUID, datetime]]) -> list[float | None]:
    """Return for each (water, time) the metres from full pool, or None where no reading is near enough."""
    if not asked:
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            """
            SELECT b.at, b.level_m, a.at, a.level_m
            FROM unnest(%s::uuid[], %s::timestamptz[]) WITH ORDINALITY AS q (water, at, n)
            LEFT JOIN LATERAL (SELECT at, level_m FROM spots_poollevel l
                WHERE l.water_id = q.water AND l.at <= q.at ORDER BY l.at DESC LIMIT 1) b ON true
            LEFT JOIN LATERAL (SELECT at, level_m FROM spots_poollevel l
                WHERE l.water_id = q.water AND l.at > q.at ORDER BY l.at LIMIT 1) a ON true
            ORDER BY q.n
            """,
            [[water for water, _ in asked], [at for _, at in asked]],
        )
        rows = cursor.fetchall()
    return [_between(at, row) for (_, at), row in zip(asked, rows, strict=True)]


Neighbours = tuple[datetime | None, float | None, datetime | None, float | None]


def _between(at: datetime, row: Neighbours) -> float | None:
    before, low, after, high = row
    if before is not None and low is not None and after is not None and high is not None:
        if after - before <= BETWEEN:
            return round(low + (high - low) * ((at - before) / (after - before)), 3)
        before, low = (before, low) if at - before <= after - at else (after, high)
    elif before is None or low is None:
        before, low = after, high
    return low if before is not None and abs(at - before) <= BESIDE else None


def level_words(level_m: float, units: Units) -> str:
    """Say a level in the reader's units."""
    away = units.depth_text(abs(level_m)) if units.length == "ft" else f"{abs(level_m):.2f}\u00a0m"
    if abs(level_m) < 0.005:
        return "at full pool"
    return f"{away} {'above' if level_m > 0 else 'below'} full pool"


@dataclass(frozen=True)
class Series:
    """What a page says of a water's levels."""

    number: int
    first: datetime
    last: datetime
    words: str
    source: str


def series_of(water: Water, units: Units) -> Series | None:
    """Return a summary of the readings at the water's clock, or None where there are none."""
    readings = PoolLevel.objects.filter(water=water).order_by("at")
    first, last = readings.first(), readings.last()
    if first is None or last is None:
        return None
    zone = ZoneInfo(water.time_zone)
    words = level_words(last.level_m, units)
    return Series(readings.count(), first.at.astimezone(zone), last.at.astimezone(zone), words, last.source)
