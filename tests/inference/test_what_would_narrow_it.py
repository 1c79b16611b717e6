"""What would narrow an interval most: against drawing the looks, and against a case done by hand."""

from __future__ import annotations

import numpy as np
import pytest

from observations.inference import fit, spot_history
from observations.inference.narrowing import PLANS, Plan, expected_narrowing

from .simulate import NOW, club


def test_expected_narrowing_is_what_drawing_the_looks_gives():
    rng = np.random.default_rng(3)
    where = np.linspace(-3, 3, 40)[None]
    weight = np.exp(-0.5 * (where + 0.4) ** 2)
    rate, plan = np.array([[0.2, 0.5]]), Plan(0, 3, 5.0)
    psi, mass = 1 / (1 + np.exp(-where[0])), weight[0] / weight.sum()
    detect = 1 - np.exp(-0.2 * 5.0)
    left = []
    for chance in rng.choice(psi, 40_000, p=mass):
        finds = rng.binomial(3, chance * detect)
        posterior = mass * (psi * detect) ** finds * (1 - psi * detect) ** (3 - finds)
        posterior /= posterior.sum()
        left.append(posterior @ psi**2 - (posterior @ psi) ** 2)
    before = mass @ psi**2 - (mass @ psi) ** 2
    assert expected_narrowing(where, weight, rate, plan)[0] == pytest.approx(
        1 - np.sqrt(np.mean(left) / before), abs=0.005
    )


def test_a_sure_detector_tells_a_coin_of_two_values_apart_by_hand():
    # psi is 0 or 1 with equal chance and every look finds what is there: one look leaves no doubt at all.
    gain = expected_narrowing(
        np.array([[-40.0, 40.0]]), np.array([[0.5, 0.5]]), np.array([[50.0, 0.0]]), Plan(0, 1, 5.0)
    )
    assert gain[0] == pytest.approx(1.0)
    nothing = expected_narrowing(
        np.array([[-40.0, 40.0]]), np.array([[0.5, 0.5]]), np.array([[50.0, 0.0]]), Plan(1, 1, 5.0)
    )
    assert nothing[0] == pytest.approx(0.0)


def test_more_is_to_be_learned_where_less_is_known():
    simulated = club(7, species=3, spots=40, visits=10, proof=0.5)
    e = simulated.evidence
    fitted = fit(e)
    many = e.of_spot(int(np.bincount(e.spot).argmax()))
    known, blank = spot_history(fitted, many, NOW), spot_history(fitted, many.take([]), NOW)
    assert known.narrowed.shape == (3, len(PLANS))
    assert blank.narrowed.mean() > known.narrowed.mean() > 0.0
