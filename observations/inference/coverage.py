"""How much of a spot a look can have seen, and the chance of finding a fish that is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .types import Float

MIN_COVERAGE = 0.01
"""Even in black water the lens sees what touches it; keeps a sighting there possible."""


SIGHT_PER_SECCHI = (0.55, 0.9)
"""How far a dark target is seen sideways, as a share of the Secchi depth: a rough band, see `sighting_range`."""


def sighting_range(secchi_m: ArrayLike) -> tuple[Float, Float]:
    """Band of the distance at which a camera still makes out a dark target, from the Secchi depth.

    A black target is seen sideways to about `4.8 / c` (Hou et al. 2007; others 4.6), and a Secchi disc to
    about `G / (c + Kd)` with G of 8 to 9.6 (Preisendorfer 1986, from memory). Their ratio is `4.8 / G * (1 +
    Kd / c)`: with Kd / c of 0.1 in murky to 0.5 in clear water (from memory) it is 0.55 to 0.9. No single
    ratio is supported. A fish shows less contrast than a black target; a lamp does not help in murk.

    Parameters
    ----------
    secchi_m : array_like of float
        Metres, finite and >= 0, or NaN.

    Returns
    -------
    low, high : ndarray of float
        Metres. `camera_coverage` stands at the Secchi depth itself, the hopeful end.
    """
    secchi = np.asarray(secchi_m, dtype=np.float64)
    if np.any((secchi < 0) | np.isinf(secchi)):
        raise ValueError("Secchi depth must be finite and >= 0, or NaN")
    low, high = SIGHT_PER_SECCHI
    return secchi * low, secchi * high


def camera_coverage(
    secchi_m: ArrayLike,
    cover_height_m: ArrayLike = np.nan,
    cover_size_m: ArrayLike = np.nan,
    *,
    default_secchi_m: float = 1.5,
    default_size_m: float = 4.0,
) -> Float:
    """Part of the cover within sight of a camera at one moment, 0.01 to 1.

    The sighted disc, with the Secchi depth as its radius, over the cover's own area: `(2 r / size)^2`,
    at most 1; and `2 r / height`, at most 1, where the cover stands higher than the disc. Taking the
    Secchi depth as the sighting range is an assumption, a little above the band of `sighting_range`: what
    it is too hopeful by, the fitted rate per minute takes up.

    Parameters
    ----------
    secchi_m, cover_height_m, cover_size_m : array_like of float, broadcast together
        Metres. NaN: visibility and size take the defaults, height does not limit. A size or height of 0
        limits nothing.

    Returns
    -------
    ndarray of float

    Raises
    ------
    ValueError
        For a negative or infinite length.
    """
    lengths = np.broadcast_arrays(
        np.asarray(secchi_m, dtype=np.float64),
        np.asarray(cover_height_m, dtype=np.float64),
        np.asarray(cover_size_m, dtype=np.float64),
    )
    if any(np.any((v < 0) | np.isinf(v)) for v in lengths):
        raise ValueError("coverage: lengths must be finite and >= 0, or NaN")
    sight, height, size = lengths
    sight = np.where(np.isnan(sight), default_secchi_m, sight)
    size = np.where(np.isnan(size), default_size_m, size)
    height = np.where(np.isnan(height), 0.0, height)
    across = np.minimum(1.0, (2.0 * sight / np.maximum(size, 1e-9)) ** 2)
    up = np.minimum(1.0, 2.0 * sight / np.maximum(height, 1e-9))
    made: Float = np.maximum(MIN_COVERAGE, across * up)
    return made


def detection(rate: ArrayLike, effort: ArrayLike, coverage: ArrayLike = 1.0) -> Float:
    """Chance of finding a present species: `1 - exp(-rate * effort * coverage)`.

    Parameters
    ----------
    rate : array_like of float, >= 0
        Per covered minute (camera) or per rod-hour.
    effort : array_like of float, >= 0
        Minutes or rod-hours. No effort finds nothing.
    coverage : array_like of float, 0 to 1

    Raises
    ------
    ValueError
        For a NaN or negative argument, or coverage above 1.
    """
    r, e, c = (np.asarray(v, dtype=np.float64) for v in (rate, effort, coverage))
    if not (np.all(r >= 0) and np.all(e >= 0) and np.all(c >= 0) and np.all(c <= 1)):
        raise ValueError("detection: rate and effort must be >= 0 and coverage 0 to 1")
    return -np.expm1(-r * e * c)
