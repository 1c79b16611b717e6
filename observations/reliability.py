"""How far calls can be believed, as the club is told: made with each refit, stored, and read by right.

Only club-scope evidence enters. A method's table is for all members; an observer's own for that observer
alone. The database keeps that (observations/policies.py), so nothing here is computed when somebody reads.
"""

import math
import uuid
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from django.db.models import QuerySet
from numpy.typing import NDArray

from observations.inference import (
    CALL_METHODS,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    UNCALLED,
    Evidence,
    makes_right,
    reliability,
    stated_scores,
)
from observations.inference.results import CallTable, ClubFit
from observations.inference.scores import brier
from observations.inference.types import Bool
from observations.models import Refit, Reliability

# What is said of one call; `none`: no fish of any species that is modelled (bait, limbs, nothing).
NONE = "none"
# A truth behind a call that no proof backs and that is less likely than this is summed up as `other`.
LEAST_TOLD = 0.05
# Parts of the calls that are told apart: all, those of looks that the draw asked for, those a device sealed.
WHOLE = "whole"
PARTS: dict[str, dict[str, bool]] = {
    WHOLE: {},
    "drawn": {"drawn_only": True},
    "device": {"device_only": True},
}
_PART_FIELDS = ("drawn_only", "device_only")


def reliability_rows(fit: ClubFit, evidence: Evidence, on_device: Bool) -> list[Reliability]:
    """Return unsaved rows for everybody: all sealed looks; again those alone that the draw asked for; and those
    alone whose calls a device sealed (`on_device`, one for each row of the evidence).
    """
    calling = evidence.sealed & (evidence.outcome != NO_OUTCOME)
    if not calling.any():
        return []
    rows = _rows(fit, evidence)
    # The inference has one way to look at a part of the calls alone; which part that is, is said here.
    for part, chosen in (("drawn_only", evidence.random_check), ("device_only", on_device)):
        if (calling & chosen).any():
            rows += _rows(fit, replace(evidence, random_check=chosen), part)
    return rows


def _rows(fit: ClubFit, evidence: Evidence, part: str = "") -> list[Reliability]:
    """Return the rows of all calls, or of the `part` (a field's name) that `random_check` marks alone."""
    alone, said = bool(part), {part: True} if part else {}
    right = makes_right(fit.taxa)
    out = [
        Reliability(
            method=table.method,
            observer_id=uuid.UUID(table.observer) if table.observer else None,
            looks=table.looks,
            body=_table_body(table, _called(evidence, table, alone), right),
            **said,
        )
        for table in reliability(fit, evidence, random_only=alone)
    ]
    observers = {None, *(row.observer_id for row in out)}
    for observer in sorted(observers, key=str):
        index = None if observer is None else evidence.observers.index(str(observer))
        scores = stated_scores(evidence, index, random_only=alone)
        out.append(
            Reliability(
                method="",
                observer_id=observer,
                looks=scores.proofs,
                **said,
                body={
                    "proofs": scores.proofs,
                    "brier": _number(scores.murphy.score),
                    "brier_error": _number(_brier_error(evidence, index, alone)),
                    "reliability": _number(scores.murphy.reliability),
                    "resolution": _number(scores.murphy.resolution),
                    "uncertainty": _number(scores.murphy.uncertainty),
                    "log_score": _number(scores.log_score),
                    "diagram": [
                        {"stated": _number(s), "observed": _number(o), "interval": _pair(i), "count": int(n)}
                        for s, o, i, n in zip(
                            scores.bins.stated,
                            scores.bins.observed,
                            scores.bins.interval,
                            scores.bins.count,
                            strict=True,
                        )
                    ],
                    "quarters": _quarters(evidence, index, alone),
                },
            )
        )
    return out


def _proved(
    evidence: Evidence, observer: int | None, alone: bool
) -> tuple[NDArray[np.int64], Bool, NDArray[np.float64]]:
    """Return the quarter since 1970 (UTC) of each proved sealed call, whether it was right, and what was stated."""
    used = evidence.sealed & (evidence.tie >= 0) & (evidence.outcome >= 0)
    if observer is not None:
        used &= evidence.observer == observer
    if alone:
        used &= evidence.random_check
    rows = np.flatnonzero(used)
    right = evidence.taxa.covers[evidence.outcome[rows], evidence.tie[rows]]
    months = evidence.time[rows].astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return months // 3, right, evidence.stated[rows]


def _brier_error(evidence: Evidence, observer: int | None, alone: bool) -> float:
    """Return the standard error of the Brier score: that of a mean. NaN below two calls."""
    _, right, stated = _proved(evidence, observer, alone)
    missed = (stated - right)[~np.isnan(stated)] ** 2
    return float(missed.std(ddof=1) / math.sqrt(len(missed))) if len(missed) > 1 else math.nan


def _quarters(evidence: Evidence, observer: int | None, alone: bool) -> list[dict[str, Any]]:
    """Return how many of the proved calls were right, and their Brier score, by the quarter of the call."""
    quarter, right, stated = _proved(evidence, observer, alone)
    told = []
    for number in np.unique(quarter):
        mine = quarter == number
        said = mine & ~np.isnan(stated)
        told.append(
            {
                "quarter": f"{1970 + number // 4}-Q{number % 4 + 1}",
                "proofs": int(mine.sum()),
                "right": int(right[mine].sum()),
                "brier": _number(brier(right[said], stated[said])),
            }
        )
    return told


def _called(evidence: Evidence, table: CallTable, alone: bool) -> list[int]:
    """Return how often each of the table's calls was made, sealed, in the looks behind it; last, no echoes."""
    used = evidence.sealed & (evidence.method == METHODS.index(table.method))
    if table.observer is not None:
        used &= evidence.observer == evidence.observers.index(table.observer)
    if alone:
        used &= evidence.random_check
    outcome = evidence.outcome[used]
    counts = np.bincount(outcome[outcome >= 0], minlength=len(table.calls) - 1)
    return [*(int(n) for n in counts), int((outcome == UNCALLED).sum()), int((outcome == NO_ECHOES).sum())]


def _table_body(table: CallTable, called: Sequence[int], right: Bool) -> dict[str, Any]:
    """Return P(truth | call) of each call that was ever made, likeliest truth first.

    `right`: which truths make each call right, (C-1, K+1).
    """
    calls = []
    for number, call in enumerate(table.calls):
        if not called[number]:
            continue
        proofs = table.proofs[:, number]
        truths = _truths(table, table.truth[number], table.truth_interval[number], proofs)
        told = [row for row in truths if row["proofs"] or row["probability"] >= LEAST_TOLD]
        calls.append(
            {
                "call": call,
                "made": called[number],
                "proofs": int(proofs.sum()),
                "right": _share(table.right[number]),
                "right_interval": _pair(table.right_interval[number]),
                "right_proofs": int(proofs[right[number]].sum()),
                "truths": told,
                "other": _share(max(0.0, 1.0 - sum(row["probability"] for row in told))),
            }
        )
    blank = zip(table.truths, table.truth_no_echoes, table.truth_no_echoes_interval, strict=True)
    return {
        "calls": calls,
        "blank": called[-1],
        "no_echoes": [
            {"species": truth, "probability": _share(p), "interval": _pair(interval)}
            for truth, p, interval in sorted(blank, key=lambda row: (-row[1], row[0]))
            if p >= LEAST_TOLD
        ],
        "echoes": [
            {"species": truth, "probability": _share(p), "interval": _pair(interval)}
            for truth, p, interval in zip(table.truths, table.echoes, table.echoes_interval, strict=True)
        ],
        # Without any proof with this method: what is said of these rests on calls alone.
        "called_only": [t for t, only in zip(table.truths, table.called_only, strict=True) if only],
    }


def _truths(table: CallTable, probability: Any, interval: Any, proofs: Any) -> list[dict[str, Any]]:
    rows = [
        {"species": truth, "probability": _share(p), "interval": _pair(pair), "proofs": int(n)}
        for truth, p, pair, n in zip(table.truths, probability, interval, proofs, strict=True)
    ]
    return sorted(rows, key=lambda row: (-row["probability"], row["species"]))


def _number(value: Any) -> float | None:
    """Return a number that JSON has: none stands for what no proof could say."""
    return round(float(value), 6) if math.isfinite(value) else None


def _share(value: Any) -> float | None:
    """Return a cell of a table: nothing here is known to the ten-thousandth."""
    return round(float(value), 4) if math.isfinite(value) else None


def _pair(values: Any) -> list[float | None]:
    return [_share(values[0]), _share(values[1])]


def save_reliability(refit: Refit, rows: Sequence[Reliability], kept: Sequence[int] = ()) -> None:
    """Put the new rows in place of the old; inside the swap of the refit. Those of the refits `kept` stay."""
    for row in rows:
        row.refit = refit
    Reliability.objects.exclude(refit__in=kept).delete()
    Reliability.objects.bulk_create(rows, batch_size=200)


def current_refit() -> Refit | None:
    """Return the newest fit that the caller may know of: for a frozen member, that of their cut-off.

    Its parameters are megabytes and stay where they are, with its seasons, until they are asked for.
    """
    return Refit.objects.defer("parameters", "season").order_by("-finished_at", "-id").first()


def chosen_part(rows: QuerySet[Reliability], part: str) -> QuerySet[Reliability]:
    """Return the rows of one of `PARTS`. KeyError for another."""
    return rows.filter(**{field: PARTS[part].get(field, False) for field in _PART_FIELDS})


def readable(
    part: str = WHOLE, method: str | None = None, observers: Sequence[uuid.UUID | None] | None = None
) -> list[Reliability]:
    """Return what the caller may read of one part: the club's tables first, methods in a fixed order.

    `observers`: only theirs (None: everybody's together). What the caller may not read is not there.
    """
    order = {name: number for number, name in enumerate((*CALL_METHODS, ""))}
    refit = current_refit()
    found = chosen_part(Reliability.objects.filter(refit=refit), part)
    if method is not None:
        found = found.filter(method=method)
    rows = [row for row in found if observers is None or row.observer_id in observers]
    for row in rows:
        assert refit is not None  # noqa: S101 - there are rows of it
        row.refit = refit
    return sorted(
        rows, key=lambda row: (row.observer_id is not None, str(row.observer_id), order[row.method])
    )
