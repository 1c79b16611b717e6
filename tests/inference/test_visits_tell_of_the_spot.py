"""Members come back to what is good: the count of returns, its chance, its learning, and what it cures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import nbinom

from observations.inference import fit, spot_history
from observations.inference.presence import effect_grid
from observations.inference.visiting import Returns, learn, log_factor

from . import broken_world
from .forecasts import as_evidence
from .simulate import NOW, club

GRID = effect_grid(31)


def _returns(seed: int, pull: float, spots: int = 400) -> tuple[np.ndarray, Returns]:
    """Effects known to half a standard deviation, and the returns that they drew."""
    rng = np.random.default_rng(seed)
    g, years = rng.normal(size=spots), rng.uniform(0.1, 3.0, spots)
    mean, size = years * np.exp(1.2 + pull * g), 3.0
    number = nbinom.rvs(size, size / (size + mean), random_state=rng)
    seen = g + 0.5 * rng.normal(size=spots)
    weight = np.exp(GRID.log_weight - 0.5 * ((GRID.nodes - seen[:, None]) / 0.5) ** 2)
    return (weight / weight.sum(axis=1, keepdims=True))[None], Returns(number.astype(float), years)


def test_the_chance_of_a_count_is_scipys_negative_binomial():
    returns = Returns(np.array([0.0, 3.0, 11.0]), np.array([0.4, 1.0, 2.5]))
    base, pull, size = 0.7, 0.4, 2.2
    mean = returns.years[:, None] * np.exp(base + pull * GRID.nodes)
    expected = nbinom.logpmf(returns.number[:, None], size, size / (size + mean))
    made = log_factor(np.array([[base, pull, np.log(size)]]), returns, GRID)[0]
    # Up to a constant of each spot.
    assert made - made[:, :1] == pytest.approx(expected - expected[:, :1], abs=1e-10)


@pytest.mark.parametrize("pull", [0.0, 0.4])
def test_a_pull_is_learned_where_there_is_one_and_none_is_made_up(pull: float):
    weight, returns = _returns(3, pull)
    base, found, log_size = learn(weight, returns, GRID, np.zeros((0, 3)))[0]
    assert found == 0.0 if pull == 0 else found == pytest.approx(pull, abs=0.1)
    assert base == pytest.approx(1.2, abs=0.15) and np.exp(log_size) == pytest.approx(3.0, rel=0.5)


def test_seldom_visited_spots_are_told_too_good_unless_visits_count():
    made = broken_world.world(2, ("preferential",), species=2, spots=100)
    e = as_evidence(made)
    fitted = fit(e)
    assert fitted.converged and fitted.visiting[:, 1].max() > 0.2
    seldom = [s for s in range(len(e.spots)) if 0 < len(np.unique(np.floor(e.time[e.spot == s]))) <= 3]

    def bias(model):
        told = [
            spot_history(model, e.of_spot(s), NOW, reasons=False).probability - made.now[s] for s in seldom
        ]
        return float(np.mean(told))

    assert abs(bias(fitted)) < 0.05 < 0.08 < bias(replace(fitted, visiting=np.zeros((0, 3))))


def test_a_spot_no_one_came_back_to_for_long_is_told_less_good_and_only_by_its_own_visits():
    made = club(1, spots=30, species=2)
    fitted = replace(fit(made.evidence), visiting=np.array([[1.5, 0.5, 1.0], [1.5, 0.0, 1.0]]))
    one = made.evidence.of_spot(0)
    alone = one.take(one.time == one.time.min())
    plain = replace(fitted, visiting=np.zeros((0, 3)))
    with_returns, without = (spot_history(f, alone, NOW, reasons=False).probability for f in (fitted, plain))
    assert with_returns[0] < without[0] - 0.02
    assert with_returns[1] == pytest.approx(without[1], abs=0.02)
    assert fit(one.take([])).visiting.shape[1] == 3
