"""Seasons in words and rows for the pages: water temperature, catch rates, depth and placement."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from club.figures import MONTHS_LONG
from club.units import Units
from observations.inference.placing import share_interval
from observations.models import History

MOSTLY = 2 / 3


@dataclass(frozen=True)
class CatchCell:
    """Catch per rod-hour of one cell, in words."""

    label: str
    caught: int
    hours: str
    rate: str
    interval: str
    rests_on: str
    borrowed: bool


@dataclass(frozen=True)
class BandRow:
    """One band of water temperature."""

    label: str
    probability: float
    low: float
    high: float
    looks: int
    effort: str
    grade: str
    rests_on: str
    catch: CatchCell | None


@dataclass(frozen=True)
class PlaceRow:
    """One band of depth and its share of what was found there (or called)."""

    label: str
    entries: int
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class PlaceWords:
    """Depth and placement: `title` with counts, depths as rows, placements as words."""

    title: str
    depths: list[PlaceRow]
    placements: str
    unknown: str


@dataclass(frozen=True)
class SpeciesSeason:
    """What the sheet tells of one species besides its months."""

    name: str
    bands: list[BandRow]
    catch: CatchCell | None
    months: list[CatchCell]
    places: list[PlaceWords]
    middle: str


def season_of(row: History, units: Units) -> SpeciesSeason:
    """Return the season of one history for the sheet."""
    catches = row.catches
    of_bands = catches["bands"] if catches else [None] * len(row.bands)
    return SpeciesSeason(
        name=row.species.name.capitalize(),
        bands=[_band(band, cell, row.looks, units) for band, cell in zip(row.bands, of_bands, strict=True)],
        catch=catch_words("All year", catches["all"]) if catches else None,
        months=[
            catch_words(name, cell)
            for name, cell in zip(MONTHS_LONG, catches.get("months", []), strict=False)
            if cell and cell["rod_hours"] > 0
        ],
        places=[
            words
            for key, one, many in (("found", "find", "finds"), ("called", "call", "calls"))
            if (words := _places(row.places.get(key), one, many, units))
        ],
        middle=_day(row.places.get("middle_day")),
    )


def _day(number: int | None) -> str:
    """`9 May`, of a day of the year from 0; a common year's, as good as the figure."""
    if number is None:
        return ""
    at = date(2001, 1, 1) + timedelta(days=number % 365)
    return f"{at.day} {at:%B}"


def chance_rests_on(looks: int, of_spot: int) -> str:
    """Say what the chance in a cell rests on: looks in it, the spot's others, or nothing of the spot's."""
    if looks:
        return f"{looks} look{'' if looks == 1 else 's'} here"
    if of_spot:
        return "not looked: from the spot’s other looks and the club’s"
    return "not looked: a guess from like spots"


def _band(band: Mapping[str, Any], cell: Mapping[str, Any] | None, of_spot: int, units: Units) -> BandRow:
    label = units.temperature_range(band["from_c"], band["to_c"])
    return BandRow(
        label=label,
        probability=band["probability"],
        low=band["low"],
        high=band["high"],
        looks=band["looks"],
        effort=effort_words(band["camera_minutes"], band["rod_hours"]),
        grade=band["grade"],
        rests_on=chance_rests_on(band["looks"], of_spot),
        catch=catch_words(label, cell) if cell and cell["rod_hours"] > 0 else None,
    )


def effort_words(camera_minutes: float | None, rod_hours: float | None) -> str:
    """`12 min camera, 3.5 h rod`, or nothing."""
    parts = []
    if camera_minutes:
        parts.append(f"{camera_minutes:.0f} min camera")
    if rod_hours:
        parts.append(f"{number(rod_hours)} h rod")
    return ", ".join(parts)


def catch_words(label: str, cell: Mapping[str, Any]) -> CatchCell:
    """Return a catch rate in words: `0.6 an hour`, of no catch only how much it may be at most."""
    caught, own = cell["caught"], cell["own"]
    high = number(cell["high"])
    if caught:
        rate, interval = number(cell["rate"]), f"{number(cell['low'])} to {high}"
    else:
        rate, interval = "none caught", f"under {high}"
    if not cell["rod_hours"]:
        rests_on = "not fished: from other months and the club’s rate"
    elif own >= MOSTLY:
        rests_on = "mostly on these hours"
    elif own >= 1 - MOSTLY:
        rests_on = "on these hours, and as much on other months and the club’s"
    else:
        rests_on = "mostly borrowed from other months and the club’s rate"
    return CatchCell(label, caught, number(cell["rod_hours"]), rate, interval, rests_on, own < MOSTLY)


def number(value: float) -> str:
    """Two significant digits, and no more than a number of fish or hours can bear."""
    if value >= 10:
        return f"{value:.0f}"
    if value >= 1:
        return f"{value:.1f}".removesuffix(".0")
    if value < 0.005:
        return "0.01" if value else "0"
    return f"{value:.2g}"


def _places(told: Mapping[str, Any] | None, one: str, many: str, units: Units) -> PlaceWords | None:
    if not told or not told["entries"]:
        return None
    entries, depths = told["entries"], told["depths"]
    share, low, high = share_interval([depth["entries"] for depth in depths])
    known = sum(depth["entries"] for depth in depths)
    placed = ", ".join(
        f"{name} {n}" for name, n in sorted(told["placements"].items(), key=lambda p: (-p[1], p[0]))
    )
    fish = f", {told['fish']} fish" if one == "find" else ""
    return PlaceWords(
        title=f"{entries} {one if entries == 1 else many}{fish}",
        depths=[
            PlaceRow(
                units.depth_band(depth["from_m"], depth["to_m"]),
                depth["entries"],
                float(at),
                float(least),
                float(most),
            )
            for depth, at, least, most in zip(depths, share, low, high, strict=True)
        ],
        placements=placed,
        unknown=f"{entries - known} without a depth" if entries > known else "",
    )
