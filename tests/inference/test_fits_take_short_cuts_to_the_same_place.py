"""What makes a fit fast changes where it ends by less than its tolerance."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from observations.inference import fit
from observations.inference.presence import SpotVisits, effect_grid, effects
from observations.inference.squarem import Extrapolation, extrapolated
from observations.inference.types import Options

from .simulate import club


def test_extrapolation_ends_where_plain_steps_do(monkeypatch: pytest.MonkeyPatch) -> None:
    evidence = club(5, species=3, spots=60, visits=6, proof=0.15).evidence  # few proofs: EM is slow
    options = Options(tolerance=2e-6, nested_below_spots=0)
    ahead = fit(evidence, options=options)
    monkeypatch.setattr(Extrapolation, "after", lambda self, parameters, step: parameters)
    plain = fit(evidence, options=options)
    assert ahead.converged and plain.converged
    print(f"{plain.iterations} plain steps, {ahead.iterations} with extrapolation")
    assert ahead.iterations < 0.75 * plain.iterations
    assert ahead.beta == pytest.approx(plain.beta, abs=2e-4)
    assert ahead.log_rate == pytest.approx(plain.log_rate, abs=2e-4)
    assert ahead.calls.pair == pytest.approx(plain.calls.pair, abs=2e-4)


def test_a_geometric_approach_is_seen_through_at_once() -> None:
    """Of steps that shrink by one factor in all directions the limit is known exactly."""
    limit, start = np.array([3.0, -1.0]), np.array([1.0, 2.0])
    x0, x1, x2 = (limit + 0.9**n * (start - limit) for n in range(3))
    assert extrapolated(x0, x1, x2) == pytest.approx(limit, abs=1e-12)
    assert extrapolated(limit, limit, limit) == pytest.approx(limit)


def test_log_products_of_long_histories_do_not_run_out_of_range() -> None:
    """400 visits that each say much: the sum of their logarithms, whatever their product would be."""
    first = np.array([0, 3, 3, 403, 411])
    n = int(first[-1])
    rng = np.random.default_rng(1)
    data = SpotVisits(
        first,
        np.repeat([0, 2, 3], [3, 400, 8]),
        np.ones((n, 3)),
        rng.normal(size=n),
        np.full(n, 1.0),
        np.exp(-rng.uniform(1.0, 60.0, n)),
        np.zeros((n, 2)),
        np.zeros((n, 2)),
    )
    grid = effect_grid(31)
    found = effects(data, 1.5, grid)
    psi = 1.0 / (1.0 + np.exp(-(data.linear[:, None] + 1.5 * grid.nodes)))
    logs = np.log(data.absent[:, None] + psi * (data.present - data.absent)[:, None])
    joint = np.stack([logs[a:b].sum(axis=0) for a, b in itertools.pairwise(first)]) + grid.log_weight
    by_hand = np.log(np.exp(joint - joint.max(axis=1, keepdims=True)).sum(axis=1)) + joint.max(axis=1)
    assert found.log_evidence == pytest.approx(by_hand, rel=1e-12)
