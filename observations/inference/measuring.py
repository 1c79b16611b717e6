"""Measures read off a picture, with their error: a fish by a thing of known size, a height by its shadow, a depth.

What is stated of an input is a *bound* ("within 3 pixels"): its standard uncertainty is the bound over the
square root of 3 (rectangular, GUM, JCGM 100:2008, 4.3.7), uncertainties add by the law of propagation (5.1.2),
and limits are given at two standard uncertainties (coverage factor 2, annex G: about 19 times in 20).

Points are pixels, (..., 2) as x and y; all arguments broadcast.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .sonar import footprint_diameter, shadow_height
from .types import Float

COVERAGE_FACTOR = 2.0
_TURN_NODES = 24


@dataclass(frozen=True)
class Measured:
    """A value with the limits that hold about 19 times in 20.

    Attributes
    ----------
    value, low, high : ndarray of float
        In the unit that the function says.
    shares : dict of str to ndarray of float
        How much of the squared uncertainty each input brings; they sum to 1, or to 0 without any.
    """

    value: Float
    low: Float
    high: Float
    shares: dict[str, Float]


def fish_length(
    fish: tuple[ArrayLike, ArrayLike],
    reference: tuple[ArrayLike, ArrayLike],
    reference_mm: ArrayLike,
    *,
    click_px: ArrayLike = 3.0,
    reference_error_mm: ArrayLike = 1.0,
    distance_error: ArrayLike = 0.05,
    turned_deg: ArrayLike = 0.0,
) -> Measured:
    """Length of a fish from a still, by something of known size at the same distance from the lens.

    `reference_mm * |fish| / |reference|`, for a lens without distortion, in millimetres.

    Parameters
    ----------
    fish, reference : pair of array_like of float, (..., 2)
        Both ends of each.
    reference_mm : array_like of float
        True size of the reference, above 0.
    click_px : array_like of float
        Each end is clicked within this many pixels.
    reference_error_mm : array_like of float
        The reference's size is known within this.
    distance_error : array_like of float
        The fish is as far from the lens as the reference within this share, 0 to 0.5.
    turned_deg : array_like of float
        The fish may be turned away from the picture's plane by up to this, 0 to 60 degrees: it then looks too
        short, and the value is raised by the mean of that.

    Raises
    ------
    ValueError
        For values out of these ranges, or ends that coincide within the clicks' bound.
    """
    f, r = _apart(fish), _apart(reference)
    size = _within("size of the reference", reference_mm, 1e-6, 1e7)
    click = _within("bound of a click", click_px, 0.0, 1e4)
    known = _within("error of the reference", reference_error_mm, 0.0, 1e7)
    distance = _within("share of the distance", distance_error, 0.0, 0.5)
    turned = _within("angle", turned_deg, 0.0, 60.0)
    if np.any((f <= 2 * click) | (r <= 2 * click) | (f == 0) | (r == 0)):
        raise ValueError("both ends are nearer than two clicks' bounds: take points that lie farther apart")
    if np.any(known >= size):
        raise ValueError("error of the reference must be below its size")
    raised, turn_variance = _turn(turned)
    # Of the logarithm of the length; each end brings its own click.
    parts = {
        "clicks": 2 * click**2 / 3 * (1 / f**2 + 1 / r**2),
        "reference": (known / size) ** 2 / 3,
        "distance": distance**2 / 3,
        "turn": turn_variance,
    }
    value: Float = size * f / r * np.exp(raised)
    total = sum(parts.values(), np.zeros(()))
    spread = np.exp(COVERAGE_FACTOR * np.sqrt(total))
    return Measured(value, value / spread, value * spread, _shares(parts, total))


def target_height(
    centre: ArrayLike,
    edge: ArrayLike,
    bottom: ArrayLike,
    begins: ArrayLike,
    ends: ArrayLike,
    range_m: ArrayLike,
    *,
    click_px: ArrayLike = 2.0,
    range_error_m: ArrayLike = 0.0,
) -> Measured:
    """Height of a target on a side-scan picture, in metres, from its shadow (`sonar.shadow_height`).

    Parameters
    ----------
    centre, edge : array_like of float
        Pixel positions across the track of the boat's line and of the edge, where the range is `range_m`.
    bottom : array_like of float
        Of the first echo of the bottom, where the water column ends: the height of the transducer.
    begins, ends : array_like of float
        Of the shadow, on the same side.
    range_m : array_like of float
        Range at the edge as the screen shows it, known within `range_error_m`.
    click_px : array_like of float
        Each position is clicked within this many pixels.

    Raises
    ------
    ValueError
        For positions on both sides of the centre, or a shadow that ends before it begins or above the bottom.
    """
    far = _within("range", range_m, 0.1, 1000.0)
    spread = _within("error of the range", range_error_m, 0.0, 1000.0)
    at = [np.asarray(position, dtype=np.float64) for position in (centre, edge, bottom, begins, ends)]
    if any(np.any(~np.isfinite(position)) for position in at):
        raise ValueError("positions must be finite numbers")
    across = np.sign(at[1] - at[0])
    order = [(position - at[0]) * across for position in (at[2], at[3], at[4])]
    if np.any(
        (across == 0) | (order[0] <= 0) | (order[1] <= 0) | (order[2] <= np.maximum(order[0], order[1]))
    ):
        raise ValueError(
            "all lie on one side of the boat's line, and the shadow ends beyond its start and the bottom"
        )

    def height(*x: Float) -> Float:
        scale = x[5] / np.abs(x[1] - x[0])
        return shadow_height(*(np.abs(x[i] - x[0]) * scale for i in (2, 3, 4)))

    click = _within("bound of a click", click_px, 0.0, 1e4)
    return _propagated(height, [*at, far], [*([click] * 5), spread], ["clicks"] * 5 + ["range"])


def depth_and_width(
    surface: ArrayLike,
    known: ArrayLike,
    echo: ArrayLike,
    known_m: ArrayLike,
    cone_deg: ArrayLike,
    *,
    click_px: ArrayLike = 2.0,
    known_error_m: ArrayLike = 0.0,
    cone_error_deg: ArrayLike = 0.0,
) -> tuple[Measured, Measured]:
    """Depth of an echo on a 2D screen, and how wide the cone is there (`sonar.footprint_diameter`), in metres.

    Parameters
    ----------
    surface, known, echo : array_like of float
        Pixel positions down the screen of depth 0, of a line of known depth, and of the echo.
    known_m, cone_deg : array_like of float
        The known depth and the cone's whole angle, each with the bound of its error.

    Raises
    ------
    ValueError
        For an echo above the surface, a known line at it, or values out of range.
    """
    deep = _within("known depth", known_m, 0.01, 1000.0)
    cone = _within("cone angle", cone_deg, 0.1, 179.0)
    click = _within("bound of a click", click_px, 0.0, 1e4)
    at = [np.asarray(position, dtype=np.float64) for position in (surface, known, echo)]
    if any(np.any(~np.isfinite(position)) for position in at):
        raise ValueError("positions must be finite numbers")
    if np.any(at[1] <= at[0]) or np.any(at[2] < at[0]):
        raise ValueError("the known depth and the echo must lie below the surface")
    errors = [
        _within("error of the depth", known_error_m, 0.0, 1000.0),
        _within("error of the cone", cone_error_deg, 0.0, 90.0),
    ]

    def depth(*x: Float) -> Float:
        made: Float = x[3] * (x[2] - x[0]) / (x[1] - x[0])
        return made

    def width(*x: Float) -> Float:
        return footprint_diameter(np.maximum(depth(*x), 0.0), np.clip(x[4], 1e-3, 179.9))

    names = ["clicks"] * 3 + ["known depth", "cone"]
    inputs, bounds = [*at, deep, cone], [click, click, click, *errors]
    return (
        _propagated(depth, inputs[:4], bounds[:4], names[:4]),
        _propagated(width, inputs, bounds, names),
    )


def _propagated(
    of: Callable[..., Float], inputs: list[Float], bounds: list[Float], names: list[str]
) -> Measured:
    """Value of a function with its limits, derivatives by central differences; limits do not go below 0."""
    value = of(*inputs)
    parts: dict[str, Float] = {}
    for i, (name, bound) in enumerate(zip(names, bounds, strict=True)):
        step = np.maximum(np.abs(inputs[i]), 1.0) * 1e-5
        up, down = list(inputs), list(inputs)
        up[i], down[i] = inputs[i] + step, inputs[i] - step
        slope = (of(*up) - of(*down)) / (2 * step)
        parts[name] = parts.get(name, np.zeros(())) + (slope * bound) ** 2 / 3
    total = sum(parts.values(), np.zeros(()))
    spread = COVERAGE_FACTOR * np.sqrt(total)
    return Measured(value, np.maximum(value - spread, 0.0), value + spread, _shares(parts, total))


def _shares(parts: dict[str, Float], total: Float) -> dict[str, Float]:
    least = np.where(total > 0, total, 1.0)
    return {name: np.asarray(part / least) for name, part in parts.items()}


def _turn(turned_deg: Float) -> tuple[Float, Float]:
    """Mean and variance of `-log cos` of an angle that is uniform from 0 to a bound."""
    nodes, weights = np.polynomial.legendre.leggauss(_TURN_NODES)
    angles = np.radians(turned_deg)[..., None] * (nodes + 1) / 2
    logs = -np.log(np.cos(angles))
    mean = np.sum(logs * weights, axis=-1) / 2
    return mean, np.sum((logs - mean[..., None]) ** 2 * weights, axis=-1) / 2


def _apart(ends: tuple[ArrayLike, ArrayLike]) -> Float:
    one, other = (np.asarray(end, dtype=np.float64) for end in ends)
    if one.shape[-1:] != (2,) or other.shape[-1:] != (2,):
        raise ValueError("a point has an x and a y")
    if not (np.all(np.isfinite(one)) and np.all(np.isfinite(other))):
        raise ValueError("points must be finite numbers")
    made: Float = np.hypot(*np.moveaxis(one - other, -1, 0))
    return made


def _within(name: str, value: ArrayLike, low: float, high: float) -> Float:
    made: Float = np.asarray(value, dtype=np.float64)
    if not np.all((made >= low) & (made <= high)):
        raise ValueError(f"{name} must lie between {low:g} and {high:g}")
    return made
