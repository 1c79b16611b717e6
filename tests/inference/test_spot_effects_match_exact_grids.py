"""Posterior of spot effects: derivatives against differences, two species against an exact grid."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from observations.inference.calls import start, table_index
from observations.inference.engine import (
    Parameters,
    prior_presence,
    run_pass,
    settle,
    visit_evidence,
)
from observations.inference.findings import find_error
from observations.inference.grouping import prepare
from observations.inference.kernel import visit_terms
from observations.inference.presence import (
    SpotVisits,
    cavity_and_score,
    cavity_presence,
    effect_grid,
    effects,
    slopes,
)
from observations.inference.season import spread_groups
from observations.inference.types import Options

from .simulate import club

OPTIONS = Options()


def _prepared(seed=0, species=2, spots=6, spread=1.0):
    simulated = club(seed, species=species, spots=spots, visits=5, proof=0.5)
    e = simulated.evidence
    model = start(e.taxa, OPTIONS, e)
    data = prepare(e, OPTIONS, e.groups, table_index(model, e.observers))
    rng = np.random.default_rng(seed)
    theta = np.concatenate(
        [
            rng.normal(0, 0.5, (species, 9)),
            np.full((species, 1), np.log(spread)),
            np.log([[0.2, 0.5]] * species),
        ],
        axis=1,
    )
    return data, Parameters(theta, np.log([0.2, 0.5]), model, find_error(e, OPTIONS), 2)


def _visits_of_one_species():
    rng = np.random.default_rng(3)
    n, first = 12, np.array([0, 5, 5, 12])
    x = np.stack([np.ones(n), rng.normal(size=n), rng.normal(size=n)], axis=1)
    beta = np.array([-0.4, 0.3, 0.2])
    slope = rng.normal(size=(n, 2))
    return (
        SpotVisits(
            first,
            np.repeat([0, 2], [5, 7]),
            x,
            x @ beta,
            rng.uniform(0.1, 1, n),
            rng.uniform(0.1, 1, n),
            slope,
            rng.normal(size=(n, 2)),
        ),
        beta,
    )


def test_log_evidence_of_a_spot_matches_adaptive_quadrature():
    visits, _ = _visits_of_one_species()
    found = effects(visits, 1.3, effect_grid(31))

    def integrand(g):
        psi = expit(visits.linear[:5] + 1.3 * g)
        return norm.pdf(g) * np.prod((1 - psi) * visits.absent[:5] + psi * visits.present[:5])

    expected, _ = quad(integrand, -9, 9, epsabs=1e-14, epsrel=1e-12)
    assert found.log_evidence[0] == pytest.approx(np.log(expected), abs=2e-4)
    assert found.log_evidence[1] == pytest.approx(0.0, abs=1e-12)  # no visits: the prior


def test_gradient_and_hessian_match_finite_differences():
    visits, beta = _visits_of_one_species()
    grid = effect_grid(31)

    def evidence(theta):
        # rates act on log(present) through its first and second derivative, here taken as exact
        d = theta[4:]
        moved = visits.present * np.exp(visits.slope @ d + 0.5 * (visits.curve @ d**2))
        shifted = SpotVisits(
            visits.first,
            visits.spot,
            visits.season,
            visits.season @ theta[:3],
            moved,
            visits.absent,
            visits.slope,
            visits.curve,
        )
        return effects(shifted, float(np.exp(theta[3])), grid).log_evidence

    theta = np.concatenate([beta, [np.log(1.3)], [0.0, 0.0]])
    found = slopes(visits, effects(visits, 1.3, grid), 1.3, grid)
    h = 1e-4
    steps = h * np.eye(6)
    gradient = np.stack([(evidence(theta + s) - evidence(theta - s)) / (2 * h) for s in steps], axis=1)
    assert found.score == pytest.approx(gradient, abs=1e-6)
    cavity, score = cavity_and_score(visits, effects(visits, 1.3, grid), 1.3, grid)
    assert score == pytest.approx(found.score, abs=1e-12)
    assert cavity == pytest.approx(cavity_presence(visits, effects(visits, 1.3, grid)), abs=1e-14)
    hessian = np.empty((3, 6, 6))
    for a in range(6):
        for b in range(6):
            hessian[:, a, b] = (
                evidence(theta + steps[a] + steps[b])
                - evidence(theta + steps[a] - steps[b])
                - evidence(theta - steps[a] + steps[b])
                + evidence(theta - steps[a] - steps[b])
            ) / (4 * h * h)
    assert found.curve == pytest.approx(hessian, abs=2e-5)


def test_two_species_fixed_point_matches_the_exact_joint_grid():
    data, parameters = _prepared(spots=12)
    grid = effect_grid(31)
    terms, found = settle(data, parameters, grid)
    linear, spread = parameters.linear(data), parameters.spread
    error = []
    for spot in range(12):
        mine = np.flatnonzero(data.spot == spot)
        log_joint = grid.log_weight[:, None] + grid.log_weight[None, :]
        for v in mine:
            psi0 = expit(linear[v, 0] + spread[0] * grid.nodes)
            psi1 = expit(linear[v, 1] + spread[1] * grid.nodes)
            pairs = np.stack(np.meshgrid(psi0, psi1, indexing="ij"), axis=-1).reshape(-1, 2)
            n = len(pairs)
            visit = visit_terms(
                pairs,
                np.repeat(terms.find.found[[v]], n, axis=0),
                np.repeat(terms.find.missed[[v]], n, axis=0),
                np.repeat(terms.call.calls[[v]], n, axis=0),
            )
            log_joint = log_joint + np.log(visit.likelihood).reshape(len(grid.nodes), -1)
        joint = np.exp(log_joint - log_joint.max())
        joint /= joint.sum()
        for k in range(2):
            exact = joint.sum(axis=1 - k) @ expit(0.0 + spread[k] * grid.nodes)
            swept = found[k].weight[spot] @ expit(0.0 + spread[k] * grid.nodes)
            error.append(abs(exact - swept))
    # A trial of the same scheme found a mean error of 1e-4 and a largest of 5e-3.
    assert np.mean(error) < 1e-3
    assert np.max(error) < 5e-3


def test_score_of_one_species_is_the_gradient_of_the_whole_likelihood():
    data, parameters = _prepared(seed=4, species=1)
    grid = effect_grid(41)

    def whole(theta):
        moved = Parameters(
            theta[None], parameters.pooled, parameters.calls, parameters.error, parameters.groups
        )
        return run_pass(data, moved, grid, prior_presence(data, moved))[0].log_evidence

    theta = parameters.theta[0]
    seen, _ = run_pass(data, parameters, grid, prior_presence(data, parameters))
    gradient = spread_groups(seen.score[0], 2)
    for i in range(len(theta)):
        h = 1e-5 * np.eye(len(theta))[i]
        # With one species the sweep is exact whatever it starts from.
        difference = (whole(theta + h) - whole(theta - h)) / 2e-5
        assert gradient[i] == pytest.approx(difference, abs=2e-4, rel=1e-4), i


def test_evidence_of_a_visit_does_not_depend_on_the_other_spots():
    data, parameters = _prepared(spots=8, species=3)
    grid = effect_grid(31)
    _, whole = settle(data, parameters, grid, tolerance=1e-12, sweeps=60)
    _, part = settle(data.part(2, 5), parameters, grid, tolerance=1e-12, sweeps=60)
    for k in range(3):
        assert part[k].weight == pytest.approx(whole[k].weight[2:5], abs=1e-10)


def test_a_tie_left_out_leaves_the_calls_alone():
    data, parameters = _prepared(seed=1, spots=20, species=3)
    psi = prior_presence(data, parameters)
    known = visit_evidence(data, parameters, psi)
    blind = visit_evidence(data, parameters, psi, tie_known=False)
    tied = data.tied >= 0
    assert tied.any()
    assert np.all(known.visit.target[tied, data.tied[tied]] == pytest.approx(1.0))
    assert np.all(blind.visit.target[tied].max(axis=1) < 1.0)
    neither = ~tied & ~(data.called & data.found_any.any(axis=1))
    assert blind.visit.target[neither] == pytest.approx(known.visit.target[neither])
