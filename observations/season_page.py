"""A water's season for one species: what the spots that the reader may see say together. No query here."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from observations.inference.effort import poisson_limits
from observations.models import History

FOUND = ("verified", "landed", "seen")


@dataclass(frozen=True)
class Cell:
    """One month, or one band of water temperature, over all the spots shown.

    `probability`, `low`, `high` are means over the spots: the chance at a spot taken at random. Spots share the
    club's parameters, so their errors go together: the mean of the intervals' ends is as wide as that allows.
    """

    probability: float
    low: float
    high: float
    looks: int
    camera_minutes: float
    rod_hours: float
    grade: str
    spots_looked: int
    spots_found: int
    spots_verified: int
    caught: int
    catch: tuple[float, float, float] | None
    """Fish in a rod-hour with its 90 % interval; none without rod-hours."""


@dataclass(frozen=True)
class Season:
    """Twelve months and the bands (from, to in degrees Celsius), over `spots` spots with looks."""

    spots: int
    months: list[Cell]
    bands: list[tuple[float | None, float | None, Cell]]


def season_of_spots(rows: Iterable[History]) -> Season | None:
    """Return the season over these histories of one species, one a spot; None where nobody looked at any."""
    looked = [row for row in rows if row.looks]
    if not looked:
        return None
    months = [
        _cell([row.months[m] for row in looked], [_catch(row, "months", m) for row in looked])
        for m in range(12)
    ]
    with_bands = [row for row in looked if row.bands]
    bands = []
    for number, band in enumerate(with_bands[0].bands if with_bands else []):
        cell = _cell(
            [row.bands[number] for row in with_bands], [_catch(row, "bands", number) for row in with_bands]
        )
        bands.append((band["from_c"], band["to_c"], cell))
    return Season(len(looked), months, bands)


def _catch(row: History, kind: str, number: int) -> tuple[float, float, float] | None:
    """Fish, rod-hours and inflation of one spot's cell; none without hours."""
    if not row.catches:
        return None
    cell = row.catches[kind][number]
    fished = cell and cell["rod_hours"] > 0
    return (cell["caught"], cell["rod_hours"], row.catches["inflation"]) if fished else None


def _cell(cells: Sequence[Mapping[str, Any]], catches: Sequence[tuple[float, float, float] | None]) -> Cell:
    n = len(cells)
    grades = [cell["grade"] for cell in cells if cell["looks"]]
    best = next((grade for grade in (*FOUND, "called") if grade in grades), "none" if grades else "")
    fished = [catch for catch in catches if catch]
    return Cell(
        probability=sum(cell["probability"] for cell in cells) / n,
        low=sum(cell["low"] for cell in cells) / n,
        high=sum(cell["high"] for cell in cells) / n,
        looks=sum(cell["looks"] for cell in cells),
        camera_minutes=sum(cell["camera_minutes"] or 0.0 for cell in cells),
        rod_hours=sum(cell["rod_hours"] or 0.0 for cell in cells),
        grade=best,
        spots_looked=len(grades),
        spots_found=sum(grade in FOUND for grade in grades),
        spots_verified=grades.count("verified"),
        caught=round(sum(caught for caught, _, _ in fished)),
        catch=pooled_catch(fished) if fished else None,
    )


def pooled_catch(fished: Sequence[tuple[float, float, float]]) -> tuple[float, float, float]:
    """Fish in a rod-hour over several spots, with its 90 % interval, from (fish, rod-hours, inflation) of each.

    Ratio of the sums; the mid-P Poisson limits (Cohen & Yang 1994) of the catch, clumping taken out by the inflation of
    its variance. Inflation is weighted by fish, or by hours where nothing was caught.
    """
    caught, hours = sum(f for f, _, _ in fished), sum(h for _, h, _ in fished)
    weights = [(f if caught else h, inflation) for f, h, inflation in fished]
    blow = sum(w * inflation for w, inflation in weights) / sum(w for w, _ in weights)
    low, high = poisson_limits(caught / blow)
    return caught / hours, low * blow / hours, high * blow / hours
