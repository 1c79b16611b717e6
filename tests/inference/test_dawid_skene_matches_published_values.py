"""Dawid & Skene 1979: the anaesthetists' data, and the Bayesian variants."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from observations.inference.dawid_skene import dawid_skene

from .crowd_kit import EVERY, FILE, ITERATIONS, SEEDS, random_calls

MAP_CLASS = "1 4 2 2 2 2 1 3 2 2 4 3 1 2 1 1 1 1 2 2 2 2 2 2 1 1 2 1 1 1 1 3 1 2 2 4 2 3 3 1 1 1 2 1 2"


def _anaesthetists(folder: Path):
    with (folder / "dawid_skene_1979.csv").open() as f:
        rows = list(csv.DictReader(f))
    columns = ["obs1_1", "obs1_2", "obs1_3", "obs2", "obs3", "obs4", "obs5"]
    observer = [0, 0, 0, 1, 2, 3, 4]
    item = np.repeat(np.arange(len(rows)), len(columns))
    call = np.array([[int(r[c]) - 1 for c in columns] for r in rows]).ravel()
    return item, np.tile(observer, len(rows)), call


def _moved(fitted):
    """Patients (from 1) whose likeliest class is another than the maximum likelihood solution's, and which."""
    new = fitted.posterior.argmax(axis=1) + 1
    return {i: int(b) for i, (a, b) in enumerate(zip(MAP_CLASS.split(), new, strict=True), 1) if int(a) != b}


def test_published_solution_is_reproduced_from_vote_shares(references):
    fitted = dawid_skene(*_anaesthetists(references))
    # Class marginals, printed .40 .42 .11 .07; own EM and crowd-kit run to convergence agree to 1e-10.
    assert fitted.marginals == pytest.approx([0.3996, 0.4220, 0.1118, 0.0667], abs=5e-4)
    assert fitted.loglik == pytest.approx(-192.8909, abs=1e-3)
    expected = json.loads((references / "dawid_skene_1979_em.json").read_text())["error_rates"]
    for o in range(5):
        assert fitted.error_rates[o] == pytest.approx(np.array(expected[f"observer{o + 1}"]), abs=5e-4)
    assert fitted.error_rates[0][0] == pytest.approx([0.8895, 0.1105, 0, 0], abs=5e-4)
    assert list(fitted.posterior.argmax(axis=1) + 1) == [int(c) for c in MAP_CLASS.split()]
    assert fitted.posterior[6, :2] == pytest.approx([0.981, 0.019], abs=1e-3)
    assert fitted.posterior[34, 1:3] == pytest.approx([0.948, 0.052], abs=1e-3)
    assert fitted.posterior[37, 1:3] == pytest.approx([0.0212, 0.9788], abs=1e-3)
    certain = np.delete(fitted.posterior.max(axis=1), [6, 34, 37])
    assert certain.min() > 0.999


def test_the_one_cell_that_another_copy_of_the_data_has_differently_moves_the_solution_as_computed(
    references,
):
    # R package rater 1.3.2.9000 has 1 where the two others have 2: patient 7, observer 1, second reading. Own EM.
    item, observer, call = _anaesthetists(references)
    at = np.flatnonzero((item == 6) & (observer == 0))[1]
    assert call[at] == 1
    fitted = dawid_skene(item, observer, np.where(np.arange(len(call)) == at, 0, call))
    assert fitted.marginals == pytest.approx([0.4000, 0.4216, 0.1118, 0.0667], abs=5e-4)
    assert fitted.error_rates[0][0] == pytest.approx([0.9074, 0.0926, 0, 0], abs=5e-4)
    assert fitted.loglik == pytest.approx(-190.7310, abs=1e-3)


def test_add_one_prior_matches_the_reference_map_solution(references):
    # Independent MAP-EM: p ~ Dir(1,1,1,1), each row ~ Dir(2,2,2,2).
    fitted = dawid_skene(*_anaesthetists(references), row_prior=1.0)
    assert fitted.marginals == pytest.approx([0.4163, 0.4496, 0.1114, 0.0227], abs=5e-4)
    assert fitted.error_rates[0][2] == pytest.approx([0.0526, 0.0559, 0.7867, 0.1048], abs=5e-4)
    assert fitted.error_rates[2][2] == pytest.approx([0.1110, 0.2252, 0.3302, 0.3336], abs=5e-4)
    assert _moved(fitted) == {2: 3, 3: 1, 12: 2, 36: 3, 38: 2}


def test_diagonal_prior_matches_the_reference_map_solution(references):
    # The defaults of R package rater: p ~ Dir(3, ...), rows 4.8 on the diagonal and 1.0667 off it.
    prior = np.full((4, 4), 0.0667) + np.eye(4) * (3.8 - 0.0667)
    fitted = dawid_skene(*_anaesthetists(references), row_prior=prior, marginal_prior=2.0)
    assert fitted.marginals == pytest.approx([0.3773, 0.3976, 0.1501, 0.0750], abs=5e-4)
    assert fitted.error_rates[0][2] == pytest.approx([0.0030, 0.2239, 0.7686, 0.0044], abs=5e-4)
    assert fitted.error_rates[2][2] == pytest.approx([0.0067, 0.2044, 0.5814, 0.2075], abs=5e-4)
    assert _moved(fitted) == {2: 3}


def test_two_step_example_is_right_by_hand():
    # One observer, items called 0 and 1: vote shares are the truth, rates certain, logL = 2 ln(1/2).
    fitted = dawid_skene([0, 1], [0, 0], [0, 1])
    assert fitted.posterior == pytest.approx(np.eye(2))
    assert fitted.error_rates[0] == pytest.approx(np.eye(2))
    assert fitted.loglik == pytest.approx(2 * np.log(0.5))


def test_the_order_of_calls_does_not_matter():
    rng = np.random.default_rng(5)
    item = np.repeat(np.arange(40), 5)
    observer, call = np.tile(np.arange(5), 40), rng.integers(0, 3, 200)
    shuffled = rng.permutation(200)
    a = dawid_skene(item, observer, call, iterations=30)
    b = dawid_skene(item[shuffled], observer[shuffled], call[shuffled], iterations=30)
    assert a.posterior == pytest.approx(b.posterior, abs=1e-9)


def test_bad_calls_are_refused():
    with pytest.raises(ValueError, match="one length"):
        dawid_skene([], [], [])
    with pytest.raises(ValueError, match="beyond"):
        dawid_skene([0], [0], [4], classes=3)
    with pytest.raises(ValueError, match="every item"):
        dawid_skene([0, 2], [0, 0], [0, 1])


def _by_the_paper(item, observer, call, steps):
    """EM written out as the paper's equations 2.3 to 2.5, one sum at a time; shares no code with ours."""
    items, observers, classes = item.max() + 1, observer.max() + 1, call.max() + 1
    n = np.zeros((items, observers, classes))
    for i, o, c in zip(item, observer, call, strict=True):
        n[i, o, c] += 1
    t = n.sum(axis=1) / n.sum(axis=(1, 2))[:, None]
    for _ in range(steps):
        p = t.mean(axis=0)
        pi = np.zeros((observers, classes, classes))
        for o in range(observers):
            for j in range(classes):
                row = (t[:, j, None] * n[:, o]).sum(axis=0)
                pi[o, j] = row / row.sum() if row.sum() > 0 else row
        with np.errstate(divide="ignore", invalid="ignore"):
            log_pi = np.where(n[:, :, None, :] > 0, n[:, :, None, :] * np.log(pi)[None], 0.0)
        joint = p * np.exp(log_pi.sum(axis=(1, 3)))
        t = joint / joint.sum(axis=1, keepdims=True)
    return t, p, pi


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_calls_give_what_the_papers_equations_give(seed):
    calls = random_calls(seed)
    posterior, marginals, rates = _by_the_paper(*calls, steps=25)
    ours = dawid_skene(*calls, iterations=25, tolerance=-1.0)
    assert ours.posterior == pytest.approx(posterior, abs=1e-9)
    assert ours.marginals == pytest.approx(marginals, abs=1e-9)
    assert ours.error_rates == pytest.approx(rates, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_random_calls_give_what_crowd_kit_gives(seed):
    """crowd-kit 1.4.2, whose posteriors `tests/inference/crowd_kit.py` has written down."""
    theirs = np.array(json.loads(FILE.read_text(encoding="utf-8"))[str(seed)])
    ours = dawid_skene(*random_calls(seed), iterations=ITERATIONS, tolerance=-1.0).posterior[::EVERY]
    assert theirs.shape == (30, 4) and np.ptp(theirs[:, 0]) > 0.9
    assert ours == pytest.approx(theirs, abs=1e-9)
