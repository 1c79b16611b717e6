"""Search time and fuel-hours per spot found, by method and by structure. Plain sums; nothing of Django."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Search:
    """One day with a track: what it was searched with, the seconds, and the structure of each spot found."""

    method: str
    searching_s: float
    running_s: float
    found: tuple[str, ...] = ()


@dataclass(frozen=True)
class Effort:
    """A row: hours in all, spots found, and hours per spot (None where none was found)."""

    what: str
    days: int
    search_h: float
    fuel_h: float
    spots: int

    @property
    def search_per_spot(self) -> float | None:
        return self.search_h / self.spots if self.spots else None

    @property
    def fuel_per_spot(self) -> float | None:
        return self.fuel_h / self.spots if self.spots else None


def by_method(searches: Iterable[Search]) -> list[Effort]:
    """Return a row a method, days that found nothing included: they cost as well."""
    of: dict[str, list[Search]] = {}
    for one in searches:
        of.setdefault(one.method, []).append(one)
    return [
        _row(method, own, sum(len(one.found) for one in own), [1.0] * len(own)) for method, own in of.items()
    ]


def by_structure(searches: Iterable[Search]) -> list[Effort]:
    """Return a row a structure: of each day that found some, the share that its spots have in the day's finds.

    No track says which structure was searched for: a day's hours are divided evenly over what it found.
    """
    of: dict[str, list[tuple[Search, int]]] = {}
    for one in searches:
        for structure in dict.fromkeys(one.found):
            of.setdefault(structure, []).append((one, one.found.count(structure)))
    return [
        _row(
            structure,
            [one for one, _ in own],
            sum(number for _, number in own),
            [number / len(one.found) for one, number in own],
        )
        for structure, own in of.items()
    ]


def _row(what: str, searches: Sequence[Search], spots: int, shares: Sequence[float]) -> Effort:
    pairs = list(zip(searches, shares, strict=True))
    return Effort(
        what,
        len(searches),
        sum(one.searching_s * share for one, share in pairs) / 3600,
        sum(one.running_s * share for one, share in pairs) / 3600,
        spots,
    )
