"""Sonar geometry: what a beam covers, what a slant range and a shadow mean, how fast sound runs in a lake.

All functions take scalars or arrays that broadcast, in SI units and degrees; NaN in, NaN out; anything
infinite or outside the stated range is a ValueError that names the quantity. A flat bottom is assumed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from .types import Float

# Del Grosso & Mader 1972 (J. Acoust. Soc. Am. 52, 1442-1446), pure water at one atmosphere, 0 to 95 degC.
_DEL_GROSSO_MADER = (
    1402.38754,
    5.03711129,
    -5.80852166e-2,
    3.34198834e-4,
    -1.47800417e-6,
    3.14643091e-9,
)
SOUNDER_M_S = 1500.0
"""Speed of sound that a sounder is set to where nobody says otherwise: common practice, no source."""


def _checked(name: str, value: ArrayLike, low: float, high: float, *, open_ends: bool = False) -> Float:
    made: Float = np.asarray(value, dtype=np.float64)
    outside = (made <= low) | (made >= high) if open_ends else (made < low) | (made > high)
    if np.any(outside | np.isinf(made)):
        raise ValueError(f"{name} must lie between {low:g} and {high:g}")
    return made


def footprint_diameter(depth_m: ArrayLike, cone_deg: ArrayLike) -> Float:
    """Width of the bottom inside a sonar cone, `2 d tan(theta / 2)`.

    Parameters
    ----------
    depth_m : array_like of float
        Metres below the transducer, 0 to 1000.
    cone_deg : array_like of float
        Whole angle of the cone, above 0 and below 180. Makers state it at half power (-3 dB), common
        practice, no source: strong echoes from outside it are seen as well.

    Returns
    -------
    ndarray of float
        Metres across, on a flat bottom under a level boat.
    """
    depth = _checked("depth", depth_m, 0.0, 1000.0)
    angle = _checked("cone angle", cone_deg, 0.0, 180.0, open_ends=True)
    made: Float = 2.0 * depth * np.tan(np.radians(angle) / 2.0)
    return made


def footprint_area(depth_m: ArrayLike, cone_deg: ArrayLike) -> Float:
    """Square metres of the footprint, a disc of `footprint_diameter`."""
    made: Float = np.pi / 4.0 * footprint_diameter(depth_m, cone_deg) ** 2
    return made


def ground_range(slant_m: ArrayLike, height_m: ArrayLike) -> Float:
    """Distance along the bottom of what lies on it, `sqrt(R^2 - H^2)`.

    Parameters
    ----------
    slant_m : array_like of float
        Range read on the side-scan, metres, 0 to 1000.
    height_m : array_like of float
        Height of the transducer above the bottom, metres, 0 to 1000.

    Returns
    -------
    ndarray of float
        Metres; NaN where the range is shorter than the height: such an echo is in the water, not on the
        bottom.
    """
    slant = _checked("slant range", slant_m, 0.0, 1000.0)
    height = _checked("height above the bottom", height_m, 0.0, 1000.0)
    square = slant**2 - height**2
    made: Float = np.where(square < 0.0, np.nan, np.sqrt(np.maximum(square, 0.0)))
    return made


def shadow_height(height_m: ArrayLike, top_slant_m: ArrayLike, end_slant_m: ArrayLike) -> Float:
    """Height of a target from the end of its shadow, `H (R_end - R_top) / R_end`.

    By similar triangles: the ray that grazes the target's top meets the bottom at the end of the shadow, so
    the same holds for slant ranges and for ranges along the bottom. With the shadow's length `L = R_end -
    R_top` it is the side-scan formula `H L / (R_top + L)`.

    Parameters
    ----------
    height_m : array_like of float
        Height of the transducer above the bottom, metres, above 0.
    top_slant_m, end_slant_m : array_like of float
        Slant ranges of the target (where its shadow begins) and of the shadow's end, metres.

    Returns
    -------
    ndarray of float
        Metres. NaN where the shadow's end is nearer than the bottom below the transducer, which no shadow
        can be.

    Raises
    ------
    ValueError
        Where a shadow ends before it begins.
    """
    height = _checked("height above the bottom", height_m, 0.0, 1000.0)
    top = _checked("range of the target", top_slant_m, 0.0, 1000.0)
    end = _checked("range of the shadow's end", end_slant_m, 0.0, 1000.0)
    if np.any(end < top):
        raise ValueError("the shadow's end must not be nearer than the target")
    with np.errstate(divide="ignore", invalid="ignore"):
        made: Float = np.where(end < height, np.nan, height * (end - top) / end)
    return made


def shadow_ground_range(height_m: ArrayLike, top_slant_m: ArrayLike, end_slant_m: ArrayLike) -> Float:
    """Distance along the bottom of a standing target, from its shadow: `R_top / R_end * ground_range(R_end)`.

    `ground_range` of the target itself would put it too near, as its top is above the bottom.
    """
    height, top, end = np.asarray(height_m), np.asarray(top_slant_m), np.asarray(end_slant_m)
    shadow_height(height, top, end)
    with np.errstate(divide="ignore", invalid="ignore"):
        made: Float = top / end * ground_range(end, height)
    return made


def sound_speed(celsius: ArrayLike) -> Float:
    """Speed of sound in fresh water at the surface, m/s, by Del Grosso & Mader 1972.

    Parameters
    ----------
    celsius : array_like of float
        0 to 95. Depth adds about 0.016 m/s a metre (Mackenzie 1981), which is left out: 0.03 % at 30 m.
    """
    t = _checked("water temperature", celsius, 0.0, 95.0)
    made: Float = np.polynomial.polynomial.polyval(t, np.asarray(_DEL_GROSSO_MADER))
    return made


def true_depth(shown_m: ArrayLike, celsius: ArrayLike, set_to_m_s: ArrayLike = SOUNDER_M_S) -> Float:
    """Depth below the transducer where a sounder set to another speed of sound shows `shown_m`.

    `shown * c(T) / c_set`, with one temperature for the whole column: under a warm top layer the water is
    colder, sound slower, and the true depth a little less.
    """
    shown = _checked("depth shown", shown_m, 0.0, 1000.0)
    speed = _checked("speed set", set_to_m_s, 1300.0, 1700.0)
    made: Float = shown * sound_speed(celsius) / speed
    return made
