"""Seasons by water temperature: the bands, when of the year each is met, and what they add to the season.

A spot's presence is fitted by the time of the year. In a band it is that of the band's own days, as the club has
met them (spring and autumn together), moved by what the club found in the band beyond what the days explain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from scipy.special import expit, logit

from . import season
from .calls import table_index
from .engine import of_species, settle
from .fitting import parameters_of
from .grouping import look_numbers, prepare, visits
from .packing import pack, unpack
from .presence import cavity_presence, effect_grid
from .results import ClubFit
from .types import Evidence, Float, Int

EDGES_C: Final = (5.0, 10.0, 15.0, 20.0, 25.0)
"""Where one band ends and the next begins, degrees Celsius (41, 50, 59, 68, 77 Fahrenheit): round numbers."""
BANDS: Final = len(EDGES_C) + 1

_MOST_VISITS = 20_000
"""Visits that the deviations are learned from; more would cost time and tell nothing new."""
_PART_SPOTS = 500
_DEVIATION_SD = 0.5
"""Prior sd, in logits, of what a band adds to the season: a weak guess without a source."""
_CURVE_MEAN, _CURVE_SD, _NOISE = np.array([14.0, 0.0, 0.0]), 10.0, 3.0
"""Prior of the yearly curve of temperature and of the scatter about it, degrees: weak guesses without a source."""
_NOISE_WORTH = 4.0
_NEWTON = 12


def band_of(water_temp_c: Float) -> Int:
    """Band 0 to BANDS - 1 of temperatures, each band with its lower edge; -1 where there is none (NaN)."""
    at = np.asarray(water_temp_c, dtype=np.float64)
    made = np.searchsorted(np.asarray(EDGES_C), at, side="right").astype(np.int64)
    return np.where(np.isnan(at), -1, made)


def ends_of(band: int) -> tuple[float | None, float | None]:
    """Lower and upper edge of a band, degrees Celsius; None: open."""
    return (EDGES_C[band - 1] if band else None), (EDGES_C[band] if band < BANDS - 1 else None)


def temperatures(evidence: Evidence, window_hours: float = 6.0) -> Float:
    """Water temperature of each row: its own, else the nearest in time of the same visit, else NaN; (N,).

    Only of the same spot and evidence: what was read elsewhere on the same trip may be nobody's to know here.
    """
    e = evidence
    out = np.array(e.water_temp_c)
    if not len(e) or not np.isnan(out).any() or np.isnan(out).all():
        return out
    visit = visits(e, window_hours)
    order = np.lexsort((np.arange(len(e)), e.time, visit))
    place = np.arange(len(e))
    has = ~np.isnan(out[order])
    v, t = visit[order], e.time[order]
    before = np.maximum.accumulate(np.where(has, place, -1))
    after = np.minimum.accumulate(np.where(has, place, len(e))[::-1])[::-1]
    gaps = []
    for near in (before, after):
        at = np.clip(near, 0, len(e) - 1)
        ok = (near >= 0) & (near < len(e)) & (v[at] == v)
        gaps.append((np.where(ok, np.abs(t[at] - t), np.inf), at))
    (gap_before, b), (gap_after, a) = gaps
    chosen = np.where(gap_before <= gap_after, b, a)
    known = np.isfinite(np.minimum(gap_before, gap_after))
    filled = np.full(len(e), np.nan)
    filled[order] = np.where(known, out[order][chosen], np.nan)
    return filled


@dataclass(frozen=True)
class BandFit:
    """What the club knows of its bands. Made by `fit_bands`; store with `to_dict`.

    Attributes
    ----------
    species : tuple of K str
    readings : int
        Looks with a temperature. 0: nothing is known, and there are no bands to show.
    curve : (3,)
        Temperature through the year, degrees, in the features of `season.features`.
    scatter : float
        Standard deviation about the curve, degrees.
    features : (BANDS, 3)
        Season features of each band, the mean over its days.
    days : (BANDS,)
        Share of the year that each band takes.
    deviation, variance : (K, BANDS)
        What each band adds to logit psi beyond its days, and how sure that is.
    visits : int (BANDS,)
        Visits that the deviations rest on.
    """

    species: tuple[str, ...]
    readings: int
    curve: Float
    scatter: float
    features: Float
    days: Float
    deviation: Float
    variance: Float
    visits: Int

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe form; numbers are kept bit for bit."""
        return {name: pack(value) for name, value in vars(self).items()}

    @classmethod
    def from_dict(cls, packed: Mapping[str, Any]) -> BandFit:
        """Inverse of `to_dict`. KeyError for a missing part."""
        return cls(**{f.name: unpack(packed[f.name]) for f in fields(cls)})

    def usual(self, month: Int) -> Float:
        """The curve in the middle of calendar months 1 to 12."""
        middle = (np.asarray(month, dtype=np.float64) - 0.5) / 12.0 * season.YEAR_DAYS
        made: Float = season.features(middle) @ self.curve
        return made


def fit_bands(fitted: ClubFit, evidence: Evidence) -> BandFit:
    """Learn the yearly curve of water temperature, and what each band adds to the season.

    The curve is a ridge regression on the year's first harmonic. A band's deviation d maximises, over visits in
    the band, the log of `(1 - psi(d)) P(data | absent) + psi(d) P(data | present)`, with `logit psi(d)` that of
    the spot's other visits plus d, under `d ~ N(0, 0.5^2)`: a pseudo-likelihood, one species at a time.

    Parameters
    ----------
    fitted : ClubFit
    evidence : Evidence
        Of club scope. Without any temperature the result has `readings` 0 and no deviations.
    """
    first, _ = look_numbers(evidence)
    read = first[~np.isnan(evidence.water_temp_c[first])]
    curve, scatter = _curve(evidence.time[read], evidence.water_temp_c[read])
    features, days = _band_days(curve, scatter)
    k = len(fitted.taxa.species)
    deviation, variance = np.zeros((k, BANDS)), np.full((k, BANDS), _DEVIATION_SD**2)
    number = np.zeros(BANDS, dtype=np.int64)
    if len(read):
        band, psi, present, absent = _visits_in_bands(fitted, evidence)
        number = np.bincount(band, minlength=BANDS).astype(np.int64)
        for b in np.flatnonzero(number):
            mine = band == b
            deviation[:, b], variance[:, b] = _deviations(psi[mine], present[mine], absent[mine])
    return BandFit(
        fitted.taxa.species, len(read), curve, scatter, features, days, deviation, variance, number
    )


def _curve(time: Float, temp: Float) -> tuple[Float, float]:
    x = season.features(time) if len(time) else np.zeros((0, season.FEATURES))
    weight = np.eye(season.FEATURES) * (_NOISE / _CURVE_SD) ** 2
    curve = np.linalg.solve(x.T @ x + weight, x.T @ temp + weight @ _CURVE_MEAN)
    square = float(((temp - x @ curve) ** 2).sum())
    return curve, float(np.sqrt((square + _NOISE_WORTH * _NOISE**2) / (len(time) + _NOISE_WORTH)))


def _band_days(curve: Float, scatter: float) -> tuple[Float, Float]:
    """Mean season features of each band's days, and the share of the year it takes.

    A day is in a band as far as its usual temperature and the scatter make that likely; a band that the curve
    never meets takes the days that come nearest.
    """
    x = season.features(np.arange(0.5, season.YEAR_DAYS))
    usual = x @ curve
    edges = np.concatenate([[-np.inf], EDGES_C, [np.inf]])
    outside = np.maximum(np.maximum(edges[:-1, None] - usual, usual - edges[1:, None]), 0.0) / scatter
    near = np.exp(-0.5 * (outside**2 - outside.min(axis=1, keepdims=True) ** 2))
    share = near / near.sum(axis=1, keepdims=True)
    return share @ x, np.bincount(band_of(usual), minlength=BANDS) / len(usual)


def _visits_in_bands(fitted: ClubFit, evidence: Evidence) -> tuple[Int, Float, Float, Float]:
    """Visits with a temperature: band (v,), logit of presence by the spot's other visits (v, K), and P(data)."""
    e = _first_spots(evidence)
    temp = temperatures(e, fitted.options.window_hours)
    parameters, grid = parameters_of(fitted), effect_grid(fitted.options.grid_nodes)
    tables = table_index(fitted.calls, fitted.observers)
    visit = visits(e, fitted.options.window_hours)
    data = prepare(e, fitted.options, fitted.groups, tables, visit)
    band = np.full(len(data.spot), -1, dtype=np.int64)
    has = ~np.isnan(temp)
    order = np.argsort(-e.time[has], kind="stable")  # the first of each visit is written last
    band[visit[has][order]] = band_of(temp[has])[order]
    out: list[tuple[Int, Float, Float, Float]] = []
    taken = 0
    for low in range(0, len(e.spots), _PART_SPOTS):
        high = min(low + _PART_SPOTS, len(e.spots))
        part = data.part(low, high)
        mine = band[data.first[low] : data.first[high]]
        terms, found = settle(part, parameters, grid)
        linear = parameters.linear(part)
        each = [of_species(part, terms, linear, k) for k in range(linear.shape[1])]
        psi = np.stack(
            [cavity_presence(one, effect) for one, effect in zip(each, found, strict=True)], axis=1
        )
        keep = mine >= 0
        out.append(
            (mine[keep], logit(np.clip(psi[keep], 1e-9, 1 - 1e-9)), terms.present[keep], terms.absent[keep])
        )
        taken += int(keep.sum())
        if taken >= _MOST_VISITS:
            break
    band, psi, present, absent = (np.concatenate([part[i] for part in out]) for i in range(4))
    return band, psi, present, absent


def _first_spots(evidence: Evidence) -> Evidence:
    """As many spots as hold enough rows, without those that have none: nothing may hang on their number."""
    e = evidence
    rows = np.bincount(e.spot, minlength=len(e.spots))
    busy = np.flatnonzero(rows)
    busy = busy[: int(np.searchsorted(np.cumsum(rows[busy]), 4 * _MOST_VISITS)) + 1]
    part = e.take(np.isin(e.spot, busy))
    return replace(
        part,
        spots=tuple(e.spots[spot] for spot in busy),
        group=e.group[busy],
        paused=e.paused[busy],
        spot=np.searchsorted(busy, part.spot),
    )


def _deviations(where: Float, present: Float, absent: Float) -> tuple[Float, Float]:
    """Mode and variance (K,) of the deviation of one band, by Newton steps of at most one logit."""
    precision = _DEVIATION_SD**-2.0
    d = np.zeros(where.shape[1])
    for _ in range(_NEWTON):
        slope, curve = _slopes(where + d, present, absent)
        step = (slope - precision * d) / (np.maximum(curve, 0.0) + precision)
        d = d + np.clip(step, -1.0, 1.0)
        if np.max(np.abs(step)) < 1e-10:
            break
    _, curve = _slopes(where + d, present, absent)
    return d, 1.0 / (np.maximum(curve, 0.0) + precision)


def _slopes(at: Float, present: Float, absent: Float) -> tuple[Float, Float]:
    psi = expit(at)
    spread = psi * (1.0 - psi)
    gain = (present - absent) / (absent + psi * (present - absent))
    slope = spread * gain
    return slope.sum(axis=0), (slope**2 - slope * (1.0 - 2.0 * psi)).sum(axis=0)


def as_usual(bands: BandFit, evidence: Evidence) -> Evidence:
    """The evidence with each month's usual temperature in place of what was read.

    For what is shown below `exact`: a reading may be that of one warm arm, and so tell the place.
    """
    if not bands.readings:
        return replace(evidence, water_temp_c=np.full(len(evidence), np.nan))
    return replace(evidence, water_temp_c=np.clip(bands.usual(evidence.month), -2.0, 45.0))
