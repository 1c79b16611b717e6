"""The visit likelihood against enumeration of every state, and against the published special cases."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from observations.inference.kernel import target_nodes, visit_terms
from observations.inference.occupancy import conditional_presence, history_likelihood


def _random_visits(seed, visits, species):
    rng = np.random.default_rng(seed)
    psi = rng.uniform(0.01, 0.99, (visits, species))
    found, missed = rng.uniform(0.01, 1, (2, visits, species))
    missed[rng.random(missed.shape) < 0.2] = 0.0  # verified: impossible if absent
    calls = rng.uniform(0.001, 1, (visits, species + 1))
    calls[0, :-1] = 0.0  # a tie leaves one target
    calls[0, 0], calls[0, -1] = 1.0, 0.0
    return psi, found, missed, calls


def _enumerate(psi, found, missed, calls):
    """All 2^K states and all targets of one visit: likelihood, joint with presence, joint with target."""
    k = len(psi)
    total, present, target = 0.0, np.zeros((k, 2)), np.zeros(k + 1)
    for z in product((0, 1), repeat=k):
        here = [j for j in range(k) if z[j]]
        weight = np.prod([psi[j] * found[j] if z[j] else (1 - psi[j]) * missed[j] for j in range(k)])
        for t in here or [k]:
            part = weight * calls[t] / max(1, len(here))
            total += part
            target[t] += part
            for j in range(k):
                present[j, z[j]] += part
    return total, present, target


@pytest.mark.parametrize("species", [1, 2, 3, 6, 7])
def test_likelihood_presence_and_target_match_enumeration_of_all_states(species):
    psi, found, missed, calls = _random_visits(species, 20, species)
    terms = visit_terms(psi, found, missed, calls)
    for v in range(20):
        total, joint, target = _enumerate(psi[v], found[v], missed[v], calls[v])
        assert terms.likelihood[v] == pytest.approx(total, rel=1e-13)
        assert terms.present[v] * psi[v] == pytest.approx(joint[:, 1], rel=1e-12, abs=1e-18)
        assert terms.absent[v] * (1 - psi[v]) == pytest.approx(joint[:, 0], rel=1e-12, abs=1e-18)
        assert terms.target[v] == pytest.approx(target / total, rel=1e-12, abs=1e-15)


def test_half_as_many_nodes_as_species_are_needed_and_enough():
    x, w = target_nodes(12)
    assert len(x) == 6
    for n in range(1, 13):
        assert np.sum(w * x ** (n - 1)) == pytest.approx(1 / n, rel=1e-13)
    assert np.sum(w * x**12) != pytest.approx(1 / 13, rel=1e-9)


def test_one_species_without_calls_is_mackenzie_2002():
    y = np.array([[0, 0, 0], [1, 0, 1], [0, 1, np.nan]])
    present, absent = history_likelihood(y, [1, 1, 1], 0.6, 0.1)
    psi = np.full((3, 1), 0.4)
    terms = visit_terms(psi, present[:, None], absent[:, None], np.ones((3, 2)))
    assert terms.likelihood == pytest.approx(0.4 * present + 0.6 * absent)


def test_one_species_with_calls_is_miller_2011():
    # p11 = P(called | it is the target), p10 = P(called | none is): type 1 and type 2 visits together.
    y = np.array([[0, 1, 1], [1, 0, 0], [0, 0, 0], [0, 1, 0]])
    p11, p10 = 0.6, 0.1
    camera = history_likelihood(y[:, :1], [1], p11, p10)
    calls = np.stack(history_likelihood(y[:, 1:], [2, 2], p11, p10), axis=1)
    terms = visit_terms(np.full((4, 1), 0.4), camera[0][:, None], camera[1][:, None], calls)
    present, absent = history_likelihood(y, [1, 2, 2], p11, p10)
    assert terms.likelihood == pytest.approx(0.4 * present + 0.6 * absent)
    # the first two rows are the hand table: .0636 and .0384, conditional .90566038 and 1
    assert terms.likelihood[:2] == pytest.approx([0.0636, 0.0384], abs=1e-8)
    ratio = conditional_presence(0.4, terms.present[:, 0], terms.absent[:, 0])
    assert ratio[:2] == pytest.approx([0.90566038, 1.0], abs=1e-8)


def test_without_calls_the_target_is_uniform_over_the_present():
    # Two species surely present: each is the target half the time.
    terms = visit_terms(
        np.array([[0.5, 0.5, 0.3]]), np.ones((1, 3)), np.array([[0.0, 0.0, 1.0]]), np.ones((1, 4))
    )
    assert terms.likelihood[0] == pytest.approx(0.25)
    assert terms.target[0] == pytest.approx([0.5 - 0.05, 0.5 - 0.05, 0.1, 0.0])
