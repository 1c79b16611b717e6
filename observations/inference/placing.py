"""How deep, and where about the cover: of what was found, and of echoes that were called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta

from .types import PLACEMENTS, Evidence, Float, Int

DEPTH_EDGES_M: Final = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 30.0)
"""Depths below the surface where one band ends and the next begins; the last is open downwards."""


@dataclass(frozen=True)
class Fish:
    """Findings with a place: one entry a species and look, (F,) each.

    Attributes
    ----------
    row, species : int
        Row of the evidence, and index among its K species.
    count : int
        Fish.
    depth_m : float
        Metres below the surface; NaN: not recorded.
    placement : int
        Index into PLACEMENTS, of the echoes that the same fish settled; -1: not known.
    """

    row: Int
    species: Int
    count: Int
    depth_m: Float
    placement: Int

    @classmethod
    def of(cls, entries: Sequence[tuple[int, int, int, float, int]]) -> Fish:
        """From (row, species, count, depth, placement) each."""
        row, species, count, depth, placement = np.array(entries, dtype=np.float64).reshape(-1, 5).T
        return cls(
            row.astype(np.int64),
            species.astype(np.int64),
            count.astype(np.int64),
            depth,
            placement.astype(np.int64),
        )

    def of_rows(self, rows: Int) -> Fish:
        """The entries of these rows of the evidence (ascending), renumbered as the evidence that takes them."""
        at = np.searchsorted(rows, self.row)
        keep = np.flatnonzero(np.isin(self.row, rows))
        return Fish(at[keep], self.species[keep], self.count[keep], self.depth_m[keep], self.placement[keep])


@dataclass(frozen=True)
class Placing:
    """Depth and placement of one species, of findings or of echoes called it.

    One finding (or group of echoes) counts once, however many fish: those of a school are not independent.

    Attributes
    ----------
    depth : int (len(DEPTH_EDGES_M),)
        By band of depth; entries without a depth are in none.
    placement : int (len(PLACEMENTS),)
    fish : int
        Fish found; of echoes, groups.
    entries : int
        Findings, or groups of echoes, with or without a place.
    """

    depth: Int
    placement: Int
    fish: int
    entries: int


def found_at(fish: Fish, species: int) -> Placing:
    """Where a species was found, by camera and rod."""
    mine = fish.species == species
    return _placing(fish.depth_m[mine], fish.placement[mine], int(fish.count[mine].sum()))


def called_at(evidence: Evidence, species: int) -> Placing:
    """Where echoes lay that were called this very species; a wider kind counts for none."""
    node = int(np.flatnonzero(evidence.taxa.leaf)[species])
    mine = evidence.outcome == node
    return _placing(evidence.depth_m[mine], evidence.placement[mine], int(mine.sum()))


def _placing(depth_m: Float, placement: Int, fish: int) -> Placing:
    known = depth_m[~np.isnan(depth_m)]
    band = np.searchsorted(np.asarray(DEPTH_EDGES_M), known, side="right") - 1
    return Placing(
        np.bincount(band, minlength=len(DEPTH_EDGES_M)).astype(np.int64),
        np.bincount(placement[placement >= 0], minlength=len(PLACEMENTS)).astype(np.int64),
        fish,
        len(depth_m),
    )


def share_interval(counts: ArrayLike) -> tuple[Float, Float, Float]:
    """Share of each count in their sum, with its 90 % interval: share, low, high, each the shape of counts.

    Jeffreys interval of each share on its own: Beta(x + 1/2, n - x + 1/2), open at 0 of n and n of n.
    Nothing counted: NaN, 0 and 1.

    References
    ----------
    Brown, L. D., Cai, T. T. and DasGupta, A. (2001), Interval estimation for a binomial proportion, Statistical
    Science 16, 101-133.
    """
    x = np.asarray(counts, dtype=np.float64)
    n = x.sum()
    low = np.where(x > 0, beta.ppf(0.05, x + 0.5, n - x + 0.5), 0.0)
    high = np.where(x < n, beta.ppf(0.95, x + 0.5, n - x + 0.5), 1.0)
    share = x / n if n else np.full(x.shape, np.nan)
    return share, low, high
