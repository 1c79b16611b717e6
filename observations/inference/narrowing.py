"""What would narrow an interval most: the expected gain of looks that have not been made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit
from scipy.stats import binom

from .types import Float


@dataclass(frozen=True)
class Plan:
    """Some looks of one kind, on different days.

    Attributes
    ----------
    method : int
        0 camera, 1 rod.
    looks : int
    effort : float
        Of each: minutes with the whole cover in sight, or rod-hours.
    """

    method: int
    looks: int
    effort: float


PLANS = (Plan(0, 3, 5.0), Plan(1, 3, 1.0))
"""Three camera drops of five minutes in clear water, three times an hour with the rod."""


def expected_narrowing(where: Float, weight: Float, rate: Float, plan: Plan) -> Float:
    """By which share the standard deviation of psi is expected to fall, (K,), 0 to 1.

    Preposterior analysis (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory): with chance psi d a look finds
    the species, d its chance of detection; over all numbers of finds that may come, the mean of the variance of psi
    that would be left.

    Parameters
    ----------
    where, weight : (K, n)
        Points of the posterior of logit psi, and their weights.
    rate : (K, 2)
        Detection rates of camera and rod.
    """
    psi = expit(where)
    mass = weight / weight.sum(axis=1, keepdims=True)
    chance = psi * -np.expm1(-rate[:, plan.method] * plan.effort)[:, None]
    before = (mass * psi**2).sum(axis=1) - (mass * psi).sum(axis=1) ** 2
    left = (mass * psi**2).sum(axis=1)
    for finds in range(plan.looks + 1):
        joint = mass * binom.pmf(finds, plan.looks, chance)
        left = left - (joint * psi).sum(axis=1) ** 2 / np.maximum(joint.sum(axis=1), 1e-300)
    share = np.sqrt(np.maximum(left, 0.0) / np.maximum(before, 1e-300))
    made: Float = np.clip(1.0 - share, 0.0, 1.0)
    return made
