"""Squared extrapolation: most of the way that a slow EM has still to go, from three of its steps.

Varadhan & Roland 2008, Scandinavian Journal of Statistics 35:335-353, scheme S3. The optimum is that of the steps
themselves: convergence is judged on plain ones. Only what EM moves is carried ahead, the call tables with the
probabilities of a copy, of a tie and of hidden echoes; the rest takes Newton steps and follows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .engine import Parameters
from .types import Float

_LONGEST = 16.0
_WORSE = 3.0
"""A point from which the next plain step is so many times longer than the last was reached for too far."""


class Extrapolation:
    """Collects plain steps, and after every third gives the point that they lead to.

    Probabilities go as their square roots, in which the counts behind them scatter alike. Each time it reached too far
    its longest reach is halved: else it may jump from one side of the end to the other for ever.
    """

    def __init__(self, from_step: float = 0.05) -> None:
        self._from_step = from_step
        self._longest = _LONGEST
        self._before: float | None = None
        self._trail: list[Float] = []

    def restart(self) -> None:
        """Forget the steps so far: what they lead to has moved."""
        self._trail = []
        self._before = None

    def after(self, parameters: Parameters, step: float) -> Parameters:
        """The parameters to go on from, after a plain step to `parameters` that moved by `step`."""
        if self._before is not None and step > _WORSE * self._before:
            self._longest = max(1.0, 0.5 * self._longest)
        self._before = None
        if step > self._from_step:
            self.restart()
            return parameters
        self._trail.append(_flat(parameters))
        if len(self._trail) < 3:
            return parameters
        x0, x1, x2 = self._trail
        ahead = extrapolated(x0, x1, x2, self._longest)
        self.restart()
        self._before = step
        return _shaped(ahead, parameters)


def extrapolated(x0: Float, x1: Float, x2: Float, longest: float = _LONGEST) -> Float:
    """Where the steps from x0 to x1 to x2 lead to, each (n,). Without any bend, x2.

    The length is `|r| / |v|` with `r = x1 - x0` and `v = x2 - 2 x1 + x0`, between 1 (which gives x2) and `longest`.
    """
    first = x1 - x0
    bend = x2 - x1 - first
    length = float(np.sqrt((first @ first) / max(float(bend @ bend), 1e-300)))
    length = min(max(length, 1.0), longest)
    made: Float = x0 + 2.0 * length * first + length**2 * bend
    return made


def _flat(parameters: Parameters) -> Float:
    calls = parameters.calls
    chances = np.append([calls.copy, calls.copy_other, calls.tied], calls.hidden)
    made: Float = np.sqrt(np.concatenate([calls.method.ravel(), calls.pair.ravel(), chances, 1.0 - chances]))
    return made


def _shaped(flat: Float, like: Parameters) -> Parameters:
    calls = like.calls
    shapes = [calls.method.shape, calls.pair.shape, (2, 3 + calls.hidden.size)]
    ends = np.cumsum([int(np.prod(shape)) for shape in shapes])[:-1]
    method, pair, odds = (
        np.maximum(part, 1e-6).reshape(shape) ** 2
        for part, shape in zip(np.split(flat, ends), shapes, strict=True)
    )
    chances = odds[0] / odds.sum(axis=0)
    copy, other, tied = (float(p) for p in chances[:3])
    hidden = chances[3:].reshape(calls.hidden.shape)
    return replace(
        like,
        calls=replace(
            calls,
            method=_rows(method),
            pair=_rows(pair),
            copy=copy,
            copy_other=other,
            tied=tied,
            hidden=hidden,
        ),
    )


def _rows(weight: Float) -> Float:
    made: Float = weight / weight.sum(axis=-1, keepdims=True)
    return made
