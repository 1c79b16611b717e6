"""Counting: effort, grades and catch, in ways that can be checked by hand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import gammainc, gammaln
from scipy.stats import gamma, norm
from scipy.stats import t as student

from .grouping import look_numbers
from .types import CAMERA, LANDED, ROD, VERIFIED, Evidence, Float, Int

GRADES = ("called", "seen", "landed", "verified")


@dataclass(frozen=True)
class MonthEffort:
    """Effort by calendar month, January first (or by other cells, as many as there are).

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
    return cell_effort(evidence, evidence.month - 1, 12)


def cell_effort(evidence: Evidence, cell: Int, cells: int) -> MonthEffort:
    """The same by any cells, (cells,) each: `cell` is each row's number from 0, (N,); rows of -1 count nowhere."""
    e = evidence
    if len(e) == 0:
        return MonthEffort(np.zeros(cells, dtype=np.int64), np.zeros(cells), np.zeros(cells))
    first, _ = look_numbers(e)
    where = cell[first]
    minutes = _of_looks(e, np.where(e.method == CAMERA, e.minutes, 0.0))
    hours = _of_looks(e, np.where(e.method == ROD, e.rod_hours, 0.0))
    known = where >= 0
    where, minutes, hours = where[known], minutes[known], hours[known]
    return MonthEffort(
        np.bincount(where, minlength=cells).astype(np.int64),
        np.bincount(where, minutes, minlength=cells).astype(np.float64),
        np.bincount(where, hours, minlength=cells).astype(np.float64),
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
        90 % interval of the rate; with no catch the lower end is 0 and the upper end 2.3 fish over the
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
    effort are divided by the variance inflation at the pooled rate, then take the mid-P Poisson limits.
    Looks without stated rod-hours are left out.

    Parameters
    ----------
    species : int
        Index among the K species.

    References
    ----------
    Cohen, G. R. & Yang, S.-Y. (1994), Mid-P confidence intervals for the Poisson expectation, Statistics in
    Medicine 13, 2189-2203.
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
        # The inflation is itself estimated, from so many trips: Student's t for the normal, as with any mean.
        inflation *= float(student.ppf(0.95, len(caught) - 1) / norm.ppf(0.95)) ** 2
    low, high = poisson_limits(total / inflation)
    interval = (low * inflation / effort, high * inflation / effort)
    return CatchRate(int(total), effort, total / effort, interval, size, int(used.sum()))


def poisson_limits(count: float) -> tuple[float, float]:
    """90 % mid-P limits of a Poisson mean (Cohen & Yang 1994); of a count of 0: 0 and -ln 0.1.

    Exact limits (Garwood 1936) hold more than 90 %, because a count is whole: here half of the chance of the count
    itself goes to either side. Counts need not be whole: their chances run on through the incomplete gamma function.
    """

    def at_least(mean: float) -> float:  # P(more) + P(the same) / 2
        above = gammainc(count + 1.0, mean)
        return float(0.5 * (above + (gammainc(count, mean) if count > 0 else 1.0)))

    most = float(gamma.ppf(0.95, count + 1.0))
    high = float(brentq(lambda m: at_least(m) - 0.95, 0.0, most))
    if count <= 0:
        return 0.0, high
    low = float(gamma.ppf(0.05, count))
    return float(brentq(lambda m: at_least(m) - 0.05, low, most)), high


def _no_effort() -> CatchRate:
    nan = float("nan")
    return CatchRate(0, 0.0, nan, (nan, nan), float("inf"), 0)


def _clumping(caught: Float, hours: Float) -> float:
    """Size of the negative binomial by maximum likelihood at the pooled rate; infinite if nothing fits better than
    Poisson. To ask first whether it fits much better would leave intervals too narrow where one cannot tell."""
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
    return float(np.exp(best.x)) if best.fun < poisson else float("inf")
