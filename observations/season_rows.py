"""Seasons as they are stored with a history: by water temperature, catch rates, depth and placement."""

from typing import Any

import numpy as np

from observations.inference import effort
from observations.inference.bands import BANDS, band_of, ends_of, temperatures
from observations.inference.catches import MONTHS, SpotCatches
from observations.inference.placing import DEPTH_EDGES_M, Fish, Placing, called_at, found_at
from observations.inference.results import SpotResult
from observations.inference.season import circular_mean
from observations.inference.types import LANDED, PLACEMENTS, SEEN, VERIFIED, Evidence, Int

SOME, GATHERED = 3, 0.5
"""Finds without which no middle day is told, and how close they must lie (length of their mean direction)."""
GRADES = {0: "", SEEN: "seen", LANDED: "landed", VERIFIED: "verified"}


def cell_grades(evidence: Evidence, cell: Int, cells: int, k: int) -> list[str]:
    """Return the best grade of each cell (a month, a band) for species k; `none` where looks found nothing of it.

    `cell` is each row's, from 0; -1 is none.
    """
    covers = evidence.taxa.covers[:, k]
    called = (evidence.outcome >= 0) & covers[np.maximum(evidence.outcome, 0)]
    out = []
    for number in range(cells):
        rows = cell == number
        best = int(evidence.grade[rows, k].max(initial=0))
        if best:
            out.append(GRADES[best])
        elif bool((called & rows).any()):
            out.append("called")
        else:
            out.append("none" if bool(rows.any()) else "")
    return out


def cell_of_bands(evidence: Evidence) -> Int:
    """Return the band of each row, -1 where no temperature is known."""
    return band_of(temperatures(evidence))


def clip(low: float, middle: float, high: float) -> tuple[float, float, float]:
    """Keep the order that the table demands: a mean may leave the 5-95 % band of a very skew distribution."""
    low, middle, high = (min(max(float(value), 0.0), 1.0) for value in (low, middle, high))
    return min(low, middle), middle, max(high, middle)


def told_cell(
    chance: tuple[float, float, float], spent: effort.MonthEffort, grade: str, number: int
) -> dict[str, Any]:
    """Return a month or a band as it is stored: its chance (low, middle, high), what was spent there, its grade."""
    low, middle, high = chance
    return {
        "probability": middle,
        "low": low,
        "high": high,
        "looks": int(spent.looks[number]),
        "camera_minutes": float(spent.camera_minutes[number]),
        "rod_hours": float(spent.rod_hours[number]),
        "grade": grade,
    }


def bands_of(evidence: Evidence, result: SpotResult, cell: Int, k: int) -> list[dict[str, Any]]:
    """Return the profile by band of water temperature; nothing where the club knows no temperatures."""
    if not len(result.band_probability):
        return []
    spent = effort.cell_effort(evidence, cell, BANDS)
    grades = cell_grades(evidence, cell, BANDS, k)
    out = []
    for band in range(BANDS):
        chance = clip(
            result.band_interval[band, k, 0],
            result.band_probability[band, k],
            result.band_interval[band, k, 1],
        )
        from_c, to_c = ends_of(band)
        out.append({"from_c": from_c, "to_c": to_c, **told_cell(chance, spent, grades[band], band)})
    return out


def catch_of(catches: SpotCatches | None, k: int) -> dict[str, Any]:
    """Return catch rates: of the whole, the months and the bands; nothing where no rod-hours are stated here."""
    if catches is None or not catches.rod_hours[0] > 0:
        return {}
    cells = [
        {
            "caught": int(catches.caught[c, k]),
            "rod_hours": _short(catches.rod_hours[c]),
            "rate": _short(catches.rate[c, k]),
            "low": _short(catches.interval[c, k, 0]),
            "high": _short(catches.interval[c, k, 1]),
            "own": round(float(catches.own[c, k]), 3),
        }
        for c in range(1 + MONTHS + BANDS)
    ]
    return {
        "all": cells[0],
        "months": cells[1 : 1 + MONTHS],
        "bands": cells[1 + MONTHS :],
        "inflation": _short(catches.inflation[k]),
    }


def places_of(evidence: Evidence, fish: Fish, k: int) -> dict[str, Any]:
    """Return depths and placements of what was found, and of echoes called this species. For exact viewers alone."""
    days = evidence.time[fish.row[fish.species == k]]
    middle = circular_mean(days, least=GATHERED) if len(days) >= SOME else float("nan")
    return {
        "found": _placing(found_at(fish, k)),
        "called": _placing(called_at(evidence, k)),
        # Day of the year about which the finds gather, 1 January 0; none where they do not.
        "middle_day": None if np.isnan(middle) else int(middle),
    }


def _placing(placing: Placing) -> dict[str, Any]:
    """Return what is there, from `top_m` down; the bands and placements with nothing in them are left out."""
    return {
        "entries": placing.entries,
        "fish": placing.fish,
        "depths": [
            {
                "from_m": DEPTH_EDGES_M[i],
                "to_m": DEPTH_EDGES_M[i + 1] if i + 1 < len(DEPTH_EDGES_M) else None,
                "entries": int(n),
            }
            for i, n in enumerate(placing.depth)
            if n
        ],
        "placements": {PLACEMENTS[i]: int(n) for i, n in enumerate(placing.placement) if n},
    }


def _short(value: float) -> float:
    """Four significant digits: more would be noise, and these are stored by the hundred thousand."""
    return float(f"{float(value):.4g}")
