"""From evidence and a fit to the rows that pages read: one spot, one scope, every species."""

import uuid
from datetime import UTC, datetime
from typing import Any

import numpy as np

from observations.enough import ENOUGH, catch_of_enough, leave_out, told_efforts
from observations.evidence import Gathered
from observations.inference import effort
from observations.inference.catches import spot_catches
from observations.inference.club_season import SeasonFit
from observations.inference.hiding import hidden_by_filter
from observations.inference.narrowing import PLANS
from observations.inference.rates import rate_interval
from observations.inference.results import ClubFit, SpotResult
from observations.inference.staying import staying
from observations.inference.types import Evidence
from observations.models import History, Refit
from observations.season_rows import (
    bands_of,
    catch_of,
    cell_grades,
    cell_of_bands,
    clip,
    places_of,
    told_cell,
)


def diagnostics(fit: ClubFit, evidence: Evidence) -> dict[str, Any]:
    """Return what is kept of a refit besides its parameters: how it went, and what it found, in plain numbers."""
    low, high = np.moveaxis(rate_interval(fit), -1, 0)
    return {
        "iterations": fit.iterations,
        "step": fit.step,
        "logposterior": fit.logposterior,
        "half_life_days": fit.half_life_days if np.isfinite(fit.half_life_days) else None,
        "copied_calls": fit.calls.copy,
        "copied_from_others": fit.calls.copy_other,
        "tied": fit.calls.tied,
        "hidden_by_filter": [
            {
                "method": told.method,
                "looks": told.looks,
                "targets": {
                    code: [float(told.hidden[t]), *(float(end) for end in told.interval[t])]
                    for t, code in enumerate(told.truths)
                },
            }
            for told in hidden_by_filter(fit, evidence)
        ],
        "mistaken_sightings": float(fit.find_error[0]),
        "calls_an_observer_is_worth": [float(kappa) for kappa in fit.calls.kappa],
        "rates": {
            code: {
                method: [float(np.exp(fit.log_rate[k, m])), float(low[k, m]), float(high[k, m])]
                for m, method in enumerate(("camera", "rod"))
            }
            for k, code in enumerate(fit.taxa.species)
        },
        "drawn_by": {
            code: float(np.exp(pull))
            for code, pull in zip(fit.taxa.species, fit.visiting[:, 1], strict=False)
            if pull
        },
        "staying": [
            {
                "from_days": bin.from_days,
                "to_days": bin.to_days,
                "pairs": bin.pairs,
                "correlation": bin.correlation if np.isfinite(bin.correlation) else None,
                "error": bin.error if np.isfinite(bin.error) else None,
            }
            for bin in staying(fit, evidence)
        ],
    }


def _best_plan(result: SpotResult, k: int) -> dict[str, Any]:
    """Return the looks that are expected to narrow the interval of species k most."""
    best = int(np.argmax(result.narrowed[k]))
    plan = PLANS[best]
    return {
        "method": ("camera", "rod")[plan.method],
        "looks": plan.looks,
        "effort": plan.effort,
        "by": round(float(result.narrowed[k, best]), 3),
    }


def build_rows(
    spot_id: uuid.UUID,
    scope: str,
    gathered: Gathered,
    fit: ClubFit,
    result: SpotResult,
    refit: Refit,
    as_of: datetime,
    moment: datetime,
    season: SeasonFit | None = None,
    exact: bool = True,
) -> list[History]:
    """Return one History row a species that has evidence here or is likely enough to be worth telling.

    Depth and placement narrow a search: they are told only in the editions of exact viewers. Below exact, camera
    minutes, rod-hours and catch rates rest on three members at least, month by month, whoever else looked; fewer are
    told where each contributor said yes, or none is.
    """
    evidence = gathered.evidence
    grades = effort.grade_counts(evidence)
    monthly = effort.month_effort(evidence)
    last = effort.last_verified(evidence)
    bands = cell_of_bands(evidence)
    catches = spot_catches(season.catches, evidence) if season and np.any(evidence.rod_hours > 0) else None
    contributors = {evidence.observers[i] for i in np.unique(evidence.observer)} if len(evidence) else set()
    anglers = len(np.unique(evidence.observer[evidence.rod_hours > 0]))
    few = told_efforts(evidence, bands) if not exact and len(contributors) >= ENOUGH else None
    if few and anglers < ENOUGH:
        catches = None
    rows = []
    for k, code in enumerate(result.species):
        low, middle, high = clip(result.interval[k, 0], result.probability[k], result.interval[k, 1])
        by_month = cell_grades(evidence, evidence.month - 1, 12, k)
        months: list[dict[str, Any]] = []
        for m in range(12):
            chance = clip(
                result.month_interval[m, k, 0], result.month_probability[m, k], result.month_interval[m, k, 1]
            )
            months.append({"month": m + 1, **told_cell(chance, monthly, by_month[m], m)})
        of_bands, catch = bands_of(evidence, result, bands, k), catch_of(catches, k)
        if few:
            for name, told in zip(("camera_minutes", "rod_hours"), few, strict=True):
                leave_out(months, name, told.months)
                leave_out(of_bands, name, told.bands)
            catch = catch_of_enough(catch, few[1])
        rows.append(
            History(
                spot_id=spot_id,
                species_id=code,
                scope=scope,
                refit=refit,
                as_of=as_of,
                probability=middle,
                low=low,
                high=high,
                called=int(grades[k, 0]),
                seen=int(grades[k, 1]),
                landed=int(grades[k, 2]),
                verified=int(grades[k, 3]),
                last_verified=None if np.isnan(last[k]) else datetime.fromtimestamp(last[k] * 86400, UTC),
                months=months,
                moved_by=[
                    {"look": str(gathered.look_ids[reason.row]), "change": round(float(reason.change), 4)}
                    for reason in result.reasons[k]
                ],
                narrowed_by=_best_plan(result, k),
                bands=of_bands,
                catches=catch,
                places=places_of(evidence, gathered.fish, k) if exact else {},
                looks=int(monthly.looks.sum()),
                contributors=len(contributors),
                thick=len(contributors) >= ENOUGH,
                computed_at=moment,
            )
        )
    return rows
