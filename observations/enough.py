"""The rule of three: a figure that rests on fewer than three members is not told to who may not see their looks."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from observations.inference.bands import BANDS
from observations.inference.types import CAMERA, Bool, Evidence, Float, Int

ENOUGH = 3
_MONTHS = 12


@dataclass(frozen=True)
class Told:
    """Of which months (12,) and bands (BANDS,) the sum of one kind of effort is told."""

    months: Bool
    bands: Bool


def told_efforts(evidence: Evidence, bands: Int) -> tuple[Told, Told]:
    """Return what is told of camera minutes and of rod-hours; `bands` is each row's, -1 for none."""
    minutes = np.where(evidence.method == CAMERA, np.nan_to_num(evidence.minutes), 0.0)
    return _told(evidence, bands, minutes), _told(evidence, bands, np.nan_to_num(evidence.rod_hours))


def _told(evidence: Evidence, bands: Int, spent: Float) -> Told:
    months = evidence.month - 1
    told = told_cells(months, evidence.observer, spent, _MONTHS)
    # The bands of what is published are those of their months: one with a month in it that is not told would tell it.
    kept_back = (spent > 0) & ~told[months] & (bands >= 0)
    return Told(told, ~np.isin(np.arange(BANDS), bands[kept_back]))


def told_cells(cell: Int, who: Int, spent: Float, cells: int) -> Bool:
    """Return which cells' sums may be told beside the sum of all: those of nobody, or of `ENOUGH`.

    What is kept back rests together on `ENOUGH`, too, or a difference would tell it: the least other goes along.
    """
    by = [set(who[(cell == number) & (spent > 0)].tolist()) for number in range(cells)]
    sums = [float(spent[cell == number].sum()) for number in range(cells)]
    told = [not members or len(members) >= ENOUGH for members in by]
    while 0 < len(set().union(*(by[n] for n in range(cells) if not told[n]))) < ENOUGH:
        rest = [n for n in range(cells) if told[n] and by[n]]
        if not rest:
            break
        told[min(rest, key=lambda n: (sums[n], n))] = False
    return np.array(told, dtype=np.bool_)


def leave_out(cells: Sequence[dict[str, Any]], name: str, told: Bool) -> None:
    """Blank a figure of the cells that are not told, and round the rest.

    Two digits: one member's hours since the last edition are not its difference to this one.
    """
    for cell, tell in zip(cells, told, strict=False):
        cell[name] = _roughly(cell[name]) if tell else None


def _roughly(value: float) -> float:
    return float(f"{value:.2g}")


def catch_of_enough(catch: dict[str, Any], rod: Told) -> dict[str, Any]:
    """Return catch rates without the months and bands that rest on too few; what is of all stays."""
    if not catch:
        return {}

    def rounded(cell: dict[str, Any]) -> dict[str, Any]:
        return {
            **cell,
            **{name: _roughly(cell[name]) for name in ("rod_hours", "rate", "low", "high", "own")},
        }

    kept = {
        kind: [rounded(cell) if tell else None for cell, tell in zip(catch[kind], told, strict=True)]
        for kind, told in (("months", rod.months), ("bands", rod.bands))
    }
    return {**catch, **kept, "all": rounded(catch["all"])}
