"""What knowing the club's parameters is worth, block by block: `python -m tests.inference.knowing --clubs 20`.

Clubs of the demo's size from the model, forecast as in `forecasts` (two origins). Share: of the gain in log score over
the club mean that the true parameters have. The tables of the members differ from their method's, and a table has more
cells than its member has calls: so the last rows ask what the best learner could have, who is told of every past visit
what was in front of the sonar, and who knows the law that the tables are drawn by.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from observations.inference import Evidence, fit
from observations.inference.baselines import forecasts as baselines
from observations.inference.grouping import outcome_columns
from observations.inference.prediction import predict
from observations.inference.results import ClubFit
from observations.inference.types import CALL_METHODS, CAMERA, METHODS, ROD

from .forecasts import known_parameters
from .simulate import KAPPA, Club, club

Array = NDArray[np.float64]
_SIZE: dict[str, Any] = {
    "species": 5, "spots": 156, "members": 20, "visits": 9.3, "years": 2.7, "proof": 0.49,
}  # fmt: skip
_ORIGINS = (0.6, 0.8, 1.0)


def told_targets(made: Club, past: Evidence, targets: NDArray[np.int64], fitted: ClubFit) -> Array:
    """Posterior means of the pairs' tables, (J, K+1, C), given every target and the law that tables are drawn by."""
    model = fitted.calls
    index = {pair: i for i, pair in enumerate(zip(model.pair_method, model.pair_observer, strict=True))}
    columns = outcome_columns(past.outcome, len(past.taxa.codes))
    n = np.zeros(model.pair.shape)
    for row in np.flatnonzero(~np.isin(past.method, [CAMERA, ROD])):
        m = CALL_METHODS.index(METHODS[past.method[row]])
        n[index[m, past.observer[row]], targets[row], columns[row]] += 1.0
    learned: Array = (n + KAPPA * made.table[model.pair_method]) / (n.sum(axis=2, keepdims=True) + KAPPA)
    return learned


def fits(made: Club, past: Evidence, targets: NDArray[np.int64]) -> dict[str, ClubFit]:
    """The model's fit, and such that know more."""
    ours, known = fit(past), known_parameters(made)
    model = ours.calls
    true_pair = np.stack(
        [made.member_table[m, o] for m, o in zip(model.pair_method, model.pair_observer, strict=True)]
    )
    true_method = np.concatenate([made.table[:4], model.method[4:]])

    def tables(at: ClubFit, pair: Array, method: Array) -> ClubFit:
        calls = replace(model, pair=np.maximum(pair, 1e-12), method=np.maximum(method, 1e-12))
        return replace(at, calls=calls)

    true_calls = replace(tables(ours, true_pair, true_method).calls, copy=0.2, copy_other=0.0, tied=0.6)
    rest = replace(
        ours,
        beta=known.beta,
        log_spread=known.log_spread,
        log_rate=known.log_rate,
        half_life_days=float("inf"),
        visiting=np.zeros((0, 3)),
    )
    learned = told_targets(made, past, targets, ours)
    return {
        "the model": ours,
        "knows the call tables": replace(ours, calls=true_calls),
        "knows the methods' tables, members learned": tables(
            ours,
            _moved(true_method[model.pair_method], model.pair, model.method[model.pair_method]),
            true_method,
        ),
        "knows the members' deviations, methods learned": tables(
            ours,
            _moved(model.method[model.pair_method], true_pair, true_method[model.pair_method]),
            model.method,
        ),
        "knows all but the call tables": rest,
        "told every past target, and the tables' law": tables(ours, learned, true_method),
        "the same, and knows all but the members' tables": replace(
            tables(rest, learned, true_method),
            calls=replace(true_calls, pair=np.maximum(learned, 1e-12)),
        ),
        "knows all": replace(rest, calls=true_calls),
    }


def _moved(at: Array, pair: Array, method: Array) -> Array:
    """Tables `at` with the deviations of `pair` from `method`."""
    made: Array = at * pair / np.maximum(method, 1e-9)
    return made / made.sum(axis=2, keepdims=True)


def one_club(seed: int) -> dict[str, Array]:
    """Mean log score of each forecaster, (camera, rod)."""
    made = club(seed, **_SIZE)
    e = made.evidence
    finds = np.flatnonzero((e.method == CAMERA) | (e.method == ROD))
    finds = finds[np.argsort(e.time[finds], kind="stable")]
    rows, by = [], {}
    for low, high in pairwise((len(finds) * np.array(_ORIGINS)).astype(int)):
        origin = float(e.time[finds[low - 1]])
        before = e.time <= origin
        past, tested = replace(e.take(before), now=origin), finds[low:high]
        tested = tested[e.time[tested] > origin]
        rows.append(tested)
        for name, one in fits(made, past, made.row_target[before]).items():
            by.setdefault(name, []).append(predict(one, e, tested))
        by.setdefault("club mean", []).append(baselines(e, past, tested)["club mean"])
    row = np.concatenate(rows)
    found = e.grade[row] > 0
    scores = {}
    for name, parts in by.items():
        p = np.clip(np.concatenate(parts), 1e-3, 1 - 1e-3)
        score = np.where(found, np.log(p), np.log1p(-p)).mean(axis=1)
        scores[name] = np.array([score[e.method[row] == m].mean() for m in (CAMERA, ROD)])
    return scores


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clubs", type=int, default=20)
    made = [one_club(seed) for seed in range(parser.parse_args().clubs)]
    mean = np.array([one["club mean"] for one in made])
    most = (np.array([one["knows all"] for one in made]) - mean).sum(axis=0)
    print("| forecaster | camera | rod |\n| --- | --- | --- |")
    for name in made[0]:
        camera, rod = (np.array([one[name] for one in made]) - mean).sum(axis=0) / most
        print(f"| {name} | {camera:.3f} | {rod:.3f} |")


if __name__ == "__main__":
    main()
