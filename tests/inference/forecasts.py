"""Forecasts of later proofs on simulated clubs: `python -m tests.inference.forecasts --clubs 20 --out FILE`.

On clubs from the model (`simulate`) and from a second simulator that breaks its assumptions (`broken_world`), all
breaks at once and each alone. For camera and rod: the gain in log score over each simpler forecast, with the lower
95 % bound of its mean over the clubs; and the share that the model has of the gain over the club mean of those who
know more: the club's parameters; each spot's true chance of presence on the day (but not the visit's calls, so that the
model may pass it) and the true chance of detection; or, knowing all, whether the species was there.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from observations.inference import Evidence, fit
from observations.inference.coverage import camera_coverage
from observations.inference.prediction import MODEL, Forecasts, held_out, predict
from observations.inference.results import ClubFit
from observations.inference.scores import calibration_line
from observations.inference.types import CALL_METHODS, CAMERA, METHODS, NO_ECHOES, NO_OUTCOME, ROD

from . import broken_world
from .simulate import NOW, Club, club, tree

Array = NDArray[np.float64]
_KNOWING = ("knows the parameters", "knows the chance", "knows all")
_SONAR = dict(zip(broken_world.SONAR, CALL_METHODS[:4], strict=True))


def as_evidence(made: broken_world.World) -> Evidence:
    """Rows of the second simulator as evidence: its names of methods and calls put into ours."""
    taxa = tree(made.species)
    node = [int(i) for i in np.flatnonzero(taxa.leaf)]
    words = {None: NO_OUTCOME, "none": NO_ECHOES, "unsure": 0}  # unsure: "fish", the widest kind
    arrays: dict[str, Any] = {
        name: [row[name] for row in made.rows]
        for name in ("spot", "time", "observer", "look", "tie", "grade", "stated")
    }
    arrays["method"] = [METHODS.index(_SONAR.get(row["method"], row["method"])) for row in made.rows]
    arrays["outcome"] = [
        node[row["call"]] if isinstance(row["call"], int) else words[row["call"]] for row in made.rows
    ]
    arrays["tie"] = np.where(np.array(arrays["outcome"]) == NO_ECHOES, -1, arrays["tie"])
    arrays["stated"] = np.where(np.array(arrays["outcome"]) >= 0, arrays["stated"], np.nan)
    effort = np.array([row["effort"] for row in made.rows])
    method = np.array(arrays["method"])
    return Evidence.make(
        taxa,
        NOW,
        spots=[f"spot{i}" for i in range(made.spots)],
        observers=[f"member{i}" for i in range(made.members)],
        minutes=np.where(method == CAMERA, effort, np.nan),
        rod_hours=np.where(method == ROD, effort, np.nan),
        secchi_m=np.full(len(method), 2.0),
        cover_size_m=np.full(len(method), 4.0),
        **arrays,
    )


def known_parameters(made: Club) -> ClubFit:
    """The fit that a club of `simulate` would have if its parameters were known: its defaults of 20 September."""
    e = made.evidence
    start = fit(e)
    k = len(e.taxa.species)
    calls = start.calls
    pair = np.stack(
        [made.member_table[m, o] for m, o in zip(calls.pair_method, calls.pair_observer, strict=True)]
    )
    method = made.table.copy()
    method[4] = calls.method[4]
    log_rate, log_spread = np.log(made.rate), np.full(k, np.log(1.1))
    theta = np.concatenate([made.beta, log_spread[:, None], log_rate], axis=1)[None]
    return replace(
        start,
        beta=made.beta,
        log_spread=log_spread,
        log_rate=log_rate,
        weight=np.ones((1, k)),
        node_theta=theta,
        node_cov=np.zeros((1, k, theta.shape[2], theta.shape[2])),
        calls=replace(
            calls,
            pair=np.maximum(pair, 1e-12),
            method=np.maximum(method, 1e-12),
            copy=0.2,
            tied=0.6,
            copy_other=0.0,
        ),
        half_life_days=float("inf"),
    )


def of_model(seed: int) -> dict[str, Any]:
    """A club of the demo's size from the model itself."""
    made = club(seed, species=5, spots=156, members=20, visits=9.3, years=2.7, proof=0.49)
    e = made.evidence
    forecasts = held_out(e)
    row = forecasts.row
    effort = np.where(
        e.method[row] == ROD, e.rod_hours[row], e.minutes[row] * camera_coverage(2.0, np.nan, 4.0)
    )
    detect = -np.expm1(-made.rate.T[(e.method[row] == ROD).astype(int)] * effort[:, None])
    by = {**forecasts.by, "knows the parameters": predict(known_parameters(made), e, row)}
    by["knows the chance"] = made.row_chance[row] * detect
    by["knows all"] = made.row_present[row] * detect
    return _scores(e, replace(forecasts, by=by))


def of_broken(seed: int, breaks: tuple[str, ...]) -> dict[str, Any]:
    made = broken_world.world(seed, breaks)
    e = as_evidence(made)
    forecasts = held_out(e)
    row = forecasts.row
    by = {
        **forecasts.by,
        "knows the chance": made.chance[row] * made.detect[row],
        "knows all": made.present[row] * made.detect[row],
    }
    return _scores(e, replace(forecasts, by=by))


def _scores(e: Evidence, made: Forecasts) -> dict[str, Any]:
    out: dict[str, Any] = {"converged": made.converged}
    for name, method in (("camera", CAMERA), ("rod", ROD)):
        mine = e.method[made.row] == method
        found = made.found[mine]
        score = {}
        for key, p in made.by.items():
            q = np.clip(p[mine], 1e-3, 1 - 1e-3)
            score[key] = float(np.where(found, np.log(q), np.log1p(-q)).mean())
        stated = made.by[MODEL][mine].ravel()
        out[name] = {
            "score": score,
            "slope": calibration_line(found.ravel(), stated)[0],
            "error": calibration_error(found.ravel(), stated),
            "error_if_calibrated": float(
                np.mean([calibration_error(_rng(i).random(len(stated)) < stated, stated) for i in range(50)])
            ),
        }
    return out


def _rng(seed: int) -> np.random.Generator:
    return np.random.default_rng([99, seed])


def calibration_error(found: Any, stated: Array) -> float:
    """Mean absolute difference of frequency and forecast over ten bins of equal numbers."""
    order = np.array_split(np.argsort(stated, kind="stable"), 10)
    gaps = [abs(float(np.mean(found[i]) - np.mean(stated[i]))) * len(i) for i in order if len(i)]
    return float(np.sum(gaps) / len(stated))


def summary(clubs: list[dict[str, Any]]) -> dict[str, Any]:
    """Means over clubs, lower 95 % bounds, shares of the oracle's gain."""
    out: dict[str, Any] = {"clubs": len(clubs), "not_converged": sum(not c["converged"] for c in clubs)}
    for method in ("camera", "rod"):
        score = {k: np.array([c[method]["score"][k] for c in clubs]) for k in clubs[0][method]["score"]}
        gain = {}
        for name, values in score.items():
            if name in (MODEL, *_KNOWING):
                continue
            d = score[MODEL] - values
            half = (
                float(student.ppf(0.95, len(d) - 1) * d.std(ddof=1) / np.sqrt(len(d)))
                if len(d) > 1
                else np.nan
            )
            gain[name] = {"gain": round(float(d.mean()), 4), "lower_bound": round(float(d.mean()) - half, 4)}
        mean = score["club mean"]
        told: dict[str, Any] = {"gain_over": gain}
        for knowing in _KNOWING:
            if knowing in score:
                most = score[knowing] - mean
                told[f"share of one that {knowing}"] = {
                    "of_all": round(float((score[MODEL] - mean).sum() / most.sum()), 3),
                    "least": round(float(((score[MODEL] - mean) / most).min()), 3),
                }
        slopes = np.array([c[method]["slope"] for c in clubs])
        told["slope"] = round(float(slopes.mean()), 3)
        told["slope_error"] = (
            round(float(slopes.std(ddof=1) / np.sqrt(len(slopes))), 3) if len(slopes) > 1 else None
        )
        excess = [c[method]["error"] - c[method]["error_if_calibrated"] for c in clubs]
        told["calibration_error_above_perfect"] = round(float(np.mean(excess)), 4)
        out[method] = told
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clubs", type=int, default=20)
    parser.add_argument("--clubs-a-break", type=int, default=8)
    parser.add_argument("--worlds", nargs="*", default=[], help="only these, by their first words")
    parser.add_argument("--out", type=Path, default=Path("docs/forecasts.json"))
    asked = parser.parse_args()
    found: dict[str, Any] = {}
    worlds = [("the model", asked.clubs, of_model)]
    worlds.append(("all breaks", asked.clubs, lambda seed: of_broken(seed, broken_world.BREAKS)))
    worlds.append(("no break", asked.clubs_a_break, lambda seed: of_broken(seed, ())))
    worlds += [
        (f"{one} alone", asked.clubs_a_break, lambda seed, one=one: of_broken(seed, (one,)))
        for one in broken_world.BREAKS
    ]
    for name, clubs, draw in worlds:
        if asked.worlds and not name.startswith(tuple(asked.worlds)):
            continue
        start = time.perf_counter()
        found[name] = summary([draw(seed) for seed in range(clubs)])
        asked.out.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
        print(f"{name}: {time.perf_counter() - start:.0f} s", json.dumps(found[name]), flush=True)


if __name__ == "__main__":
    main()
