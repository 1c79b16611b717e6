"""Forecasts of later proofs: nothing of the proof leaks into its own forecast, and they beat counting."""

from __future__ import annotations

import inspect
from dataclasses import replace

import numpy as np
import pytest

from observations.inference import NO_OUTCOME, Evidence, fit
from observations.inference.prediction import held_out, predict, scored, visit_presence
from observations.inference.scores import calibration_line

from . import broken_world
from .forecasts import of_broken
from .simulate import NOW, club, tree


@pytest.fixture(scope="module")
def simulated():
    return club(2, species=4, spots=60, visits=9, proof=0.4)


@pytest.fixture(scope="module")
def fitted(simulated):
    return fit(simulated.evidence)


def test_a_forecast_does_not_change_with_what_its_look_or_later_ones_found(simulated, fitted):
    e = simulated.evidence
    finds = np.flatnonzero(e.outcome == NO_OUTCOME)
    row = finds[np.argsort(e.time[finds])][len(finds) // 2]
    later = e.time >= e.time[row]
    other = np.where(later[:, None], e.grade[::-1] * 0, e.grade)
    other[row] = 1
    same_visit = (e.spot == e.spot[row]) & (np.abs(e.time - e.time[row]) < 0.25)
    untied = replace(
        e, grade=other, count=(other > 0).astype(int), tie=np.where(later | same_visit, -1, e.tie)
    )
    assert predict(fitted, untied, np.array([row])) == pytest.approx(
        predict(fitted, e, np.array([row])), abs=1e-12
    )


def test_a_forecast_does_not_depend_on_what_is_forecast_beside_it(simulated, fitted):
    e = simulated.evidence
    rows = np.flatnonzero(e.outcome == NO_OUTCOME)[5:40]
    alone = np.concatenate([predict(fitted, e, rows[[i]]) for i in (0, 17, 34)])
    assert predict(fitted, e, rows)[[0, 17, 34]] == pytest.approx(alone, abs=1e-6)


def test_the_model_beats_counting_on_later_proofs(simulated):
    e = simulated.evidence
    made = held_out(e)
    assert made.converged
    for held in scored(e, made):
        score = {s.name: s for s in held.scores}
        for name in ("club mean", "shrunken counts", "last verified", "stated probability"):
            assert score["model"].log_score > score[name].log_score, (held.method, name)


def test_a_club_without_later_proofs_gets_an_empty_report():
    empty = Evidence.make(tree(), NOW, spots=["a"], spot=np.zeros(0, dtype=int))
    made = held_out(empty)
    assert made.found.shape == (0, 4)
    assert scored(empty, made) == ()


def test_a_visit_that_found_a_species_had_it(simulated, fitted):
    e = simulated.evidence
    spot = int(e.spot[np.flatnonzero((e.grade == 3).any(axis=1))[0]])
    mine = e.of_spot(spot)
    visit, present = visit_presence(fitted, mine, NOW)
    row, species = np.argwhere(mine.grade == 3)[0]
    assert present[visit[row], species] == pytest.approx(1.0)
    assert present.min() >= 0.0 and present.max() <= 1.0 + 1e-12


def test_the_slope_of_calibrated_forecasts_is_one_and_of_too_sure_ones_below():
    # By construction: outcomes drawn with the chances stated; doubling the logits halves the slope.
    rng = np.random.default_rng(1)
    p = rng.uniform(0.05, 0.95, 20_000)
    y = (rng.random(20_000) < p).astype(float)
    slope, error = calibration_line(y, p)
    assert slope == pytest.approx(1.0, abs=3 * error)
    sure = 1 / (1 + (1 / p - 1) ** 2)
    assert calibration_line(y, sure)[0] == pytest.approx(slope / 2, rel=1e-6)


def test_in_a_world_that_breaks_the_assumptions_the_model_still_beats_counting():
    # One club of the second simulator, all breaks at once; docs/calibration.md has twenty, and each break alone.
    made = of_broken(3, broken_world.BREAKS)
    for method in ("camera", "rod"):
        score = made[method]["score"]
        assert all(
            score["model"] > score[name] for name in ("club mean", "shrunken counts", "stated probability")
        )


def test_the_second_simulator_imports_nothing_from_the_inference():
    assert "observations" not in inspect.getsource(broken_world).split("import", 1)[1]
