"""What a fish of its length should weigh, and how long is long for its kind: published equations and categories.

Standard weight: `log10(Ws in g) = a + b log10(total length in mm)`, the 75th percentile of what populations
of the species weigh at that length, and only from the least length that the equation's authors give.
Length categories: Gabelhouse 1984 (N. Am. J. Fish. Manage. 4, 273-285) and who followed, in the *published*
metric values (inches converted would differ: Willis et al. 1993).

Coefficients as compiled in the data of the R package FSA 0.10.0 (WSlit, PSDlit), one compiler; a few were
seen elsewhere too. Each metric equation was checked against the same author's in inches and pounds: they
agree within 1 %, but for redear sunfish (4.5 %: which is right is not known). White perch's trophy length
stands there as 35 in beside 38 cm; 380 mm is taken. No equation has a published greatest length.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import beta

from .types import Float

CATEGORIES = ("stock", "quality", "preferred", "memorable", "trophy")
_LONGEST_MM = 3000.0
_HEAVIEST_G = 200_000.0


@dataclass(frozen=True)
class Standard:
    """Standard weight and length categories of one species.

    Attributes
    ----------
    a, b : float
        Of `log10(g) = a + b log10(mm total length)`.
    least_mm : int
        Below this total length the equation does not hold.
    source : str
        Of the equation.
    lengths_mm : tuple of int
        Least total lengths of the `CATEGORIES`, in order; fewer where fewer are published.
    lengths_source : str
    doubt : float
        Share by which the author's equation in inches and pounds differs, where that is more than 1 %.
    """

    a: float
    b: float
    least_mm: int
    source: str
    lengths_mm: tuple[int, ...]
    lengths_source: str
    doubt: float = 0.0


_G84 = "Gabelhouse 1984"
_AG83 = "Anderson and Gutreuter 1983"
_BISTER = "Bister et al. 2000"
_BROWN = "Brown and Murphy 1991"
_NEUMANN = "Neumann and Murphy 1991"
_CRAPPIE = (130, 200, 250, 300, 380)
_SMALL = (80, 150, 200, 250, 300)
_MIDDLE = (100, 180, 230, 280, 330)
_LARGE = (200, 300, 380, 510, 630)

STANDARDS = {
    "largemouth-bass": Standard(-5.528, 3.273, 150, "Henson 1991", _LARGE, _G84),
    "smallmouth-bass": Standard(-5.329, 3.200, 150, "Kolander et al. 1993", (180, 280, 350, 430, 510), _G84),
    "spotted-bass": Standard(-5.392, 3.215, 100, "Wiens et al. 1996", (180, 280, 350, 430, 510), _G84),
    "white-crappie": Standard(-5.642, 3.332, 100, _NEUMANN, _CRAPPIE, _G84),
    "black-crappie": Standard(-5.618, 3.345, 100, _NEUMANN, _CRAPPIE, _G84),
    "bluegill": Standard(-5.374, 3.316, 80, "Hillman 1982", _SMALL, _G84),
    "redear-sunfish": Standard(-4.968, 3.119, 70, "Pope et al. 1995", _MIDDLE, _G84, doubt=0.045),
    "green-sunfish": Standard(-4.915, 3.101, 60, _BISTER, _SMALL, _G84),
    "warmouth": Standard(-5.180, 3.241, 80, _BISTER, _SMALL, _G84),
    "rock-bass": Standard(-4.827, 3.074, 80, _BISTER, _MIDDLE, _G84),
    "channel-catfish": Standard(-5.800, 3.294, 70, "Brown et al. 1995", (280, 410, 610, 710, 910), _G84),
    "blue-catfish": Standard(-6.067, 3.400, 160, "Muoneke and Pope 1999", (300, 510, 760, 890, 1140), _G84),
    "flathead-catfish": Standard(-5.542, 3.230, 130, _BISTER, (350, 510, 710, 860, 1020), "Quinn 1991"),
    "white-bass": Standard(-5.066, 3.081, 115, _BROWN, (150, 230, 300, 380, 460), _G84),
    "striped-bass": Standard(-4.924, 3.007, 150, _BROWN, (300, 510, 760, 890, 1140), _G84),
    "palmetto-bass": Standard(-5.201, 3.139, 115, _BROWN, (250, 410, 510, 610, 710), "Dumont and Neely 2011"),
    "yellow-bass": Standard(-5.142, 3.133, 70, _BISTER, _MIDDLE, _AG83),
    "white-perch": Standard(-5.122, 3.136, 80, _BISTER, (130, 200, 250, 300, 380), _G84),
    "walleye": Standard(-5.453, 3.180, 150, "Murphy et al. 1990", (250, 380, 510, 630, 760), _G84),
    "yellow-perch": Standard(-5.386, 3.230, 100, "Willis et al. 1991", _CRAPPIE, _G84),
    "northern-pike": Standard(
        -5.437, 3.096, 100, "Anderson and Neumann 1996", (350, 530, 710, 860, 1120), _G84
    ),
    "common-carp": Standard(-4.639, 2.920, 200, _BISTER, (280, 410, 530, 660, 840), _G84),
    "freshwater-drum": Standard(-5.419, 3.204, 100, "Blackwell et al. 1995", _LARGE, _G84),
    "gizzard-shad": Standard(-5.376, 3.170, 180, _AG83, (180, 280), _AG83),
}
"""By species code of the default list. A species that a club adds has none, and gets no weight."""


def standard_weight(species: str, length_mm: ArrayLike) -> Float:
    """Standard weight in grams at total lengths in millimetres.

    Returns
    -------
    ndarray of float
        NaN for a species without an equation, below its least length, and for a NaN length.

    Raises
    ------
    ValueError
        For a length that is infinite, not above 0, or above 3 m.
    """
    length = _positive("length", length_mm, _LONGEST_MM)
    standard = STANDARDS.get(species)
    if standard is None:
        return np.full(length.shape, np.nan)
    made: Float = np.where(
        length >= standard.least_mm, 10.0 ** (standard.a + standard.b * np.log10(length)), np.nan
    )
    return made


def relative_weight(species: str, length_mm: ArrayLike, weight_g: ArrayLike) -> Float:
    """Relative weight `Wr = 100 W / Ws` (Wege and Anderson 1978, from memory): 100 is the standard.

    NaN where there is no standard weight. ValueError for impossible lengths and weights.
    """
    made: Float = 100.0 * _positive("weight", weight_g, _HEAVIEST_G) / standard_weight(species, length_mm)
    return made


def length_category(species: str, length_mm: float) -> str:
    """The greatest of the `CATEGORIES` that a total length reaches; empty below stock, or without any."""
    length = float(_positive("length", length_mm, _LONGEST_MM))
    standard = STANDARDS.get(species)
    reached = [] if standard is None else [least for least in standard.lengths_mm if length >= least]
    return CATEGORIES[len(reached) - 1] if reached else ""


@dataclass(frozen=True)
class SizeStructure:
    """Proportional size distribution: of the fish of stock length, how many are of quality length.

    Attributes
    ----------
    stock, quality : int
    psd : float
        Per cent; NaN without fish of stock length.
    interval : tuple of float
        90 % limits in per cent (Clopper and Pearson 1934), as if the fish were a random sample, which what
        hooks catch is not. NaN without fish.
    """

    stock: int
    quality: int
    psd: float
    interval: tuple[float, float]


def size_structure(species: str, lengths_mm: Sequence[float]) -> SizeStructure:
    """PSD `100 * quality / stock` from total lengths in millimetres. ValueError for impossible lengths."""
    lengths = _positive("length", lengths_mm, _LONGEST_MM)
    standard = STANDARDS.get(species)
    nan = float("nan")
    if standard is None:
        return SizeStructure(0, 0, nan, (nan, nan))
    stock = int(np.sum(lengths >= standard.lengths_mm[0]))
    quality = int(np.sum(lengths >= standard.lengths_mm[1]))
    if stock == 0:
        return SizeStructure(0, 0, nan, (nan, nan))
    low = float(beta.ppf(0.05, quality, stock - quality + 1)) if quality else 0.0
    high = float(beta.ppf(0.95, quality + 1, stock - quality)) if quality < stock else 1.0
    return SizeStructure(stock, quality, 100.0 * quality / stock, (100.0 * low, 100.0 * high))


def _positive(name: str, value: ArrayLike, most: float) -> Float:
    made: Float = np.asarray(value, dtype=np.float64)
    if np.any((made <= 0) | (made > most)):
        raise ValueError(f"{name} must be above 0 and at most {most:g}")
    return made
