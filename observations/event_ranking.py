"""Which spots are likeliest to hold the target on an event's days? Pure: numbers in, an order out.

The order goes by the middle of what is known; where the 90 % intervals overlap it says little, and the
result says so instead of hiding it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True)
class Chance:
    """Presence of one species in the event's months, 0 to 1, with its 90 % interval, and the effort behind it."""

    probability: float
    low: float
    high: float
    looks: int
    camera_minutes: float
    rod_hours: float


@dataclass(frozen=True)
class Ranked:
    """One place in the order.

    `place` counts from 1; equal chances, to the whole percent that is shown, share one. `level_with_first`
    when its interval overlaps that of the likeliest: what is known cannot tell the two apart.
    """

    key: Any
    chance: Chance
    place: int
    tied: bool
    level_with_first: bool


def month_weights(days: Sequence[date]) -> dict[int, float]:
    """Return the share of the days that fall in each month (1 to 12)."""
    if not days:
        raise ValueError("an event has one fishing day at least")
    counts: dict[int, int] = {}
    for day in days:
        counts[day.month] = counts.get(day.month, 0) + 1
    return {month: number / len(days) for month, number in sorted(counts.items())}


def chance_of(months: Sequence[Mapping[str, Any]], weights: Mapping[int, float]) -> Chance:
    """Return the chance over the event's months: each month's, weighted by its days.

    The ends of the interval are averaged like the middle. That is exact when the months' errors go together,
    as those of one spot nearly do (its own effect is shared by all months), and too wide otherwise: the safe
    side.
    """
    rows = [(months[month - 1], weight) for month, weight in weights.items()]

    def mean(name: str) -> float:
        return sum(float(row[name]) * weight for row, weight in rows)

    return Chance(
        probability=mean("probability"),
        low=mean("low"),
        high=mean("high"),
        looks=sum(int(row["looks"]) for row, _ in rows),
        camera_minutes=sum(float(row["camera_minutes"] or 0) for row, _ in rows),
        rod_hours=sum(float(row["rod_hours"] or 0) for row, _ in rows),
    )


def _percent(chance: Chance) -> int:
    return round(chance.probability * 100)


def rank(chances: Sequence[tuple[Any, str, Chance]]) -> list[Ranked]:
    """Order (key, label, chance) by chance, likeliest first; equals by label, then key as text."""
    ordered = sorted(chances, key=lambda item: (-_percent(item[2]), -item[2].low, item[1], str(item[0])))
    if not ordered:
        return []
    shown = [_percent(chance) for _, _, chance in ordered]
    first = ordered[0][2]
    return [
        Ranked(
            key=key,
            chance=chance,
            place=shown.index(_percent(chance)) + 1,
            tied=shown.count(_percent(chance)) > 1,
            level_with_first=chance.high >= first.low,
        )
        for key, _, chance in ordered
    ]
