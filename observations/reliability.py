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

from observations.inference import (
    CALL_METHODS,
    METHODS,
    NO_OUTCOME,
    UNCALLED,
    Evidence,
    reliability,
    stated_scores,
)
from observations.inference.results import CallTable, ClubFit
from observations.inference.types import Bool
from observations.models import Refit, Reliability

# What is said of one call; `none`: no fish of any species that is modelled (bait, limbs, nothing).
NONE = "none"


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
    out = [
        Reliability(
            method=table.method,
            observer_id=uuid.UUID(table.observer) if table.observer else None,
            looks=table.looks,
            body=_table_body(table, _called(evidence, table, alone)),
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
                },
            )
        )
    return out


def _called(evidence: Evidence, table: CallTable, alone: bool) -> list[int]:
    """Return how often each of the table's calls was made, sealed, in the looks behind it."""
    used = evidence.sealed & (evidence.method == METHODS.index(table.method))
    if table.observer is not None:
        used &= evidence.observer == evidence.observers.index(table.observer)
    if alone:
        used &= evidence.random_check
    outcome = evidence.outcome[used]
    counts = np.bincount(outcome[outcome >= 0], minlength=len(table.calls) - 1)
    return [*(int(n) for n in counts), int((outcome == UNCALLED).sum())]


def _table_body(table: CallTable, called: Sequence[int]) -> dict[str, Any]:
    """Return P(truth | call) of each call that was ever made, likeliest truth first."""
    calls = [
        {
            "call": call,
            "made": called[number],
            "proofs": int(table.proofs[:, number].sum()),
            "truths": _truths(
                table, table.truth[number], table.truth_interval[number], table.proofs[:, number]
            ),
        }
        for number, call in enumerate(table.calls)
        if called[number]
    ]
    return {
        "calls": calls,
        "no_echoes": [
            {"species": truth, "probability": _number(p)}
            for truth, p in sorted(
                zip(table.truths, table.truth_no_echoes, strict=True), key=lambda pair: (-pair[1], pair[0])
            )
        ],
        "echoes": [
            {"species": truth, "probability": _number(p), "interval": _pair(interval)}
            for truth, p, interval in zip(table.truths, table.echoes, table.echoes_interval, strict=True)
        ],
        # Without any proof with this method: what is said of these rests on calls alone.
        "called_only": [t for t, only in zip(table.truths, table.called_only, strict=True) if only],
    }


def _truths(table: CallTable, probability: Any, interval: Any, proofs: Any) -> list[dict[str, Any]]:
    rows = [
        {"species": truth, "probability": _number(p), "interval": _pair(pair), "proofs": int(n)}
        for truth, p, pair, n in zip(table.truths, probability, interval, proofs, strict=True)
    ]
    return sorted(rows, key=lambda row: (-row["probability"], row["species"]))


def _number(value: Any) -> float | None:
    """Return a number that JSON has: none stands for what no proof could say."""
    return round(float(value), 6) if math.isfinite(value) else None


def _pair(values: Any) -> list[float | None]:
    return [_number(values[0]), _number(values[1])]


def save_reliability(refit: Refit, rows: Sequence[Reliability], kept: Sequence[int] = ()) -> None:
    """Put the new rows in place of the old; inside the swap of the refit. Those of the refits `kept` stay."""
    for row in rows:
        row.refit = refit
    Reliability.objects.exclude(refit__in=kept).delete()
    Reliability.objects.bulk_create(rows, batch_size=200)


def current_refit() -> Refit | None:
    """Return the newest fit that the caller may know of: for a frozen member, that of their cut-off."""
    return Refit.objects.order_by("-finished_at", "-id").first()


def readable() -> list[Reliability]:
    """Return what the caller may read: the club's tables first, then their own, methods in a fixed order."""
    order = {method: number for number, method in enumerate((*CALL_METHODS, ""))}
    rows = Reliability.objects.filter(refit=current_refit()).select_related("refit")
    return sorted(
        rows,
        key=lambda row: (row.observer_id is not None, row.drawn_only, row.device_only, order[row.method]),
    )
