"""Counting: effort, grades and catch, in ways that can be checked by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import gammaln
from scipy.stats import gamma

from .grouping import look_numbers
from .types import CAMERA, LANDED, ROD, VERIFIED, Evidence, Float, Int

GRADES = ("called", "seen", "landed", "verified")


@dataclass(frozen=True)
class MonthEffort:
    """Effort by calendar month, January first.

    Attributes
    ----------
    looks : int (12,)
        Each look once, however many rows it has.
    camera_minutes, rod_hours : (12,)
        Minutes and rod-hours not stated count as none.
    """

    looks: Int
    camera_minutes: Float
    rod_hours: Float


def _of_looks(evidence: Evidence, values: Float) -> Float:
    """The largest value among each look's rows: an effort repeated on several rows counts once."""
    first, number = look_numbers(evidence)
    out = np.zeros(len(first))
    np.maximum.at(out, number, np.nan_to_num(values, nan=0.0))
    return out


def month_effort(evidence: Evidence) -> MonthEffort:
    """Looks, camera minutes and rod-hours by local calendar month (`evidence.month`)."""
    e = evidence
    if len(e) == 0:
        return MonthEffort(np.zeros(12, dtype=np.int64), np.zeros(12), np.zeros(12))
    first, _ = look_numbers(e)
    month = e.month[first] - 1
    minutes = _of_looks(e, np.where(e.method == CAMERA, e.minutes, 0.0))
    hours = _of_looks(e, np.where(e.method == ROD, e.rod_hours, 0.0))
    return MonthEffort(
        np.bincount(month, minlength=12).astype(np.int64),
        np.bincount(month, minutes, minlength=12).astype(np.float64),
        np.bincount(month, hours, minlength=12).astype(np.float64),
    )


def grade_counts(evidence: Evidence) -> Int:
    """Looks by species and grade, each look once for a species, at its highest grade.

    A call counts for the species it names; a wider kind counts for none. `not found` counts nowhere.

    Returns
    -------
    ndarray of int, shape (K, 4)
        Columns as in GRADES.
    """
    e = evidence
    k = len(e.taxa.species)
    out = np.zeros((k, len(GRADES)), dtype=np.int64)
    if len(e) == 0:
        return out
    # 1 called, then the grades of findings one up.
    level = np.where(e.grade > 0, e.grade + 1, 0)
    species_of = np.full(len(e.taxa.codes), -1, dtype=np.int64)
    species_of[np.flatnonzero(e.taxa.leaf)] = np.arange(k)
    calls = np.flatnonzero(e.outcome >= 0)
    calls = calls[species_of[e.outcome[calls]] >= 0]
    level[calls, species_of[e.outcome[calls]]] = 1
    first, number = look_numbers(e)
    best = np.zeros((len(first), k), dtype=np.int64)
    np.maximum.at(best, number, level)
    for column in range(len(GRADES)):
        out[:, column] = (best == column + 1).sum(axis=0)
    return out


def last_verified(evidence: Evidence) -> Float:
    """Time of the last verified finding of each species, in days, (K,); NaN: never."""
    out = np.full(len(evidence.taxa.species), np.nan)
    for k in range(len(out)):
        times = evidence.time[evidence.grade[:, k] == VERIFIED]
        if len(times):
            out[k] = times.max()
    return out


@dataclass(frozen=True)
class CatchRate:
    """Catch per rod-hour of one species.

    Attributes
    ----------
    caught : int
        Fish landed with the rod.
    rod_hours : float
    rate : float
        Fish per rod-hour, as counted; NaN without effort.
    interval : tuple of two float
        90 % interval of the rate; with no catch the lower end is 0 and the upper end about 3 fish over the
        rod-hours. NaN without effort.
    clumping : float
        Size of the negative binomial; infinite if the catches look no more clumped than chance.
    trips : int
        Looks with effort.
    """

    caught: int
    rod_hours: float
    rate: float
    interval: tuple[float, float]
    clumping: float
    trips: int


def catch_rate(evidence: Evidence, species: int) -> CatchRate:
    """Catch per rod-hour, with an interval that knows the exposure and the clumping of catches.

    Catches of a look are negative binomial with mean `rate * hours` and a common size, estimated (a
    Gamma spread of the rate from look to look, Gamma-Poisson). Clumped catches count as fewer: catch and
    effort are divided by the variance inflation at the pooled rate, then take the exact Poisson limits
    of Garwood. Looks without stated rod-hours are left out.

    Parameters
    ----------
    species : int
        Index among the K species.

    References
    ----------
    Garwood, F. (1936), Fiducial limits for the Poisson distribution, Biometrika 28, 437-442.
    """
    e = evidence
    if len(e) == 0:
        return _no_effort()
    hours = _of_looks(e, np.where(e.method == ROD, e.rod_hours, 0.0))
    landed = np.where((e.method == ROD) & (e.grade[:, species] >= LANDED), e.count[:, species], 0)
    _, number = look_numbers(e)
    caught = np.bincount(number, landed, minlength=len(hours)).astype(np.float64)
    used = hours > 0
    hours, caught = hours[used], caught[used]
    total, effort = float(caught.sum()), float(hours.sum())
    if effort == 0.0:
        return _no_effort()
    size = _clumping(caught, hours)
    inflation = 1.0
    if np.isfinite(size):
        mean = total / effort * hours
        inflation = float(np.sum(mean + mean**2 / size) / np.sum(mean))
    low, high = poisson_limits(total / inflation)
    interval = (low * inflation / effort, high * inflation / effort)
    return CatchRate(int(total), effort, total / effort, interval, size, int(used.sum()))


def poisson_limits(count: float) -> tuple[float, float]:
    """Exact 90 % limits of a Poisson mean (Garwood 1936); of a count of 0: 0 and -ln 0.05."""
    low = float(gamma.ppf(0.05, count)) if count > 0 else 0.0
    return low, float(gamma.ppf(0.95, count + 1.0))


def _no_effort() -> CatchRate:
    nan = float("nan")
    return CatchRate(0, 0.0, nan, (nan, nan), float("inf"), 0)


def _clumping(caught: Float, hours: Float) -> float:
    """Size of the negative binomial by maximum likelihood at the pooled rate; infinite if Poisson fits
    as well."""
    if caught.sum() < 2 or len(caught) < 3:
        return float("inf")
    mean = caught.sum() / hours.sum() * hours

    def minus_log(log_size: float) -> float:
        r = np.exp(log_size)
        return -float(
            np.sum(
                gammaln(caught + r)
                - gammaln(r)
                - gammaln(caught + 1.0)
                - r * np.log1p(mean / r)
                + caught * (np.log(mean) - np.log(r + mean))
            )
        )

    poisson = -float(np.sum(caught * np.log(mean) - mean - gammaln(caught + 1.0)))
    best = minimize_scalar(minus_log, bounds=(-4.0, 7.0), method="bounded")
    return float(np.exp(best.x)) if best.fun < poisson - 0.5 else float("inf")
