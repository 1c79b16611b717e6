"""Presence of one species by maximum likelihood with flat priors: what independent optimisers must agree with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from . import season
from .engine import Parameters, prior_presence, run_pass
from .grouping import Prepared
from .presence import Grid
from .priors import positive_inverse
from .types import Bool, Float

PART_VISITS = 8_000


@dataclass(frozen=True)
class MaximumFit:
    """Maximum likelihood estimate.

    Attributes
    ----------
    theta : (n,)
        The free parameters.
    loglik : float
    gradient : float
        Largest element of the gradient at the estimate.
    iterations : int
    converged : bool
    """

    theta: Float
    loglik: float
    gradient: float
    iterations: int
    converged: bool


def likelihood(
    data: Prepared, start: Parameters, free: Bool, grid: Grid
) -> Callable[[Float], tuple[float, Float, Float]]:
    """The log-likelihood of one species in its free parameters, with gradient (n,) and Hessian (n, n).

    Parameters
    ----------
    data : Prepared
    start : Parameters
        Of one species: its `theta` (1, P+3) holds season terms, log spread and log rates. Call tables stay as given.
    free : bool (P+3,)
        Which of them may move; the others stay where they are.
    grid : Grid
        Nodes of the spot effect; one node at 0 leaves it out (MacKenzie et al. 2002, with covariates).

    Raises
    ------
    ValueError
        For more than one species.
    """
    if len(start.theta) != 1:
        raise ValueError(f"one species, not {len(start.theta)}")
    at = np.flatnonzero(free)
    pieces = [data.part(low, high) for low, high in _ranges(data)]

    def of(theta: Float) -> tuple[float, Float, Float]:
        whole = start.theta.copy()
        whole[0, at] = theta
        here = replace(start, theta=whole)
        value, gradient, hessian = 0.0, np.zeros(len(at)), np.zeros((len(at), len(at)))
        for piece in pieces:
            seen, _ = run_pass(piece, here, grid, prior_presence(piece, here))
            value += seen.log_evidence
            gradient += season.spread_groups(seen.score[0], here.groups)[at]
            hessian += season.spread_groups(seen.curve[0], here.groups)[np.ix_(at, at)]
        return value, gradient, hessian

    return of


def maximise(
    of: Callable[[Float], tuple[float, Float, Float]],
    start: Float,
    *,
    tolerance: float = 1e-7,
    max_iterations: int = 100,
) -> MaximumFit:
    """Newton steps on a log-likelihood, halved where they do not climb.

    Parameters
    ----------
    tolerance : float
        Converged when the step predicts a smaller gain in log-likelihood than this.
    """
    theta = start.copy()
    value, gradient, hessian = of(theta)
    iteration, converged = 0, False
    while iteration < max_iterations and not converged:
        iteration += 1
        step = positive_inverse(-hessian) @ gradient
        step *= min(1.0, 2.0 / max(1e-300, float(np.abs(step).max())))
        converged = float(step @ gradient) < tolerance
        for _ in range(30):
            moved = of(theta + step)
            if moved[0] >= value - 1e-9 * abs(value):
                theta = theta + step
                value, gradient, hessian = moved
                break
            step /= 2.0
        else:
            break
    return MaximumFit(theta, value, float(np.abs(gradient).max()), iteration, converged)


def _ranges(data: Prepared) -> list[tuple[int, int]]:
    made, low, spots = [], 0, len(data.first) - 1
    while low < spots:
        high = int(np.searchsorted(data.first, data.first[low] + PART_VISITS, side="right")) - 1
        high = min(max(high, low + 1), spots)
        made.append((low, high))
        low = high
    return made
