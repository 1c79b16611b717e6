"""MacKenzie et al. 2002 and Miller et al. 2011, against published and independent numbers."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from observations.inference.occupancy import (
    conditional_presence,
    false_positive_occupancy,
    history_likelihood,
    occupancy,
)


def _toad(folder: Path):
    """MacKenzie et al. 2002's own data, from the Ecology supplement: sites x days, pond flag, temperature."""
    with (folder / "occu" / "mackenzie2002_american_toad_long.csv").open() as f:
        rows = list(csv.DictReader(f))
    sites = sorted({int(r["site"]) for r in rows})
    days = sorted({int(r["day"]) for r in rows})
    y = np.full((len(sites), len(days)), np.nan)
    temperature, pond = y.copy(), np.zeros(len(sites))
    for r in rows:
        at = sites.index(int(r["site"])), days.index(int(r["day"]))
        y[at] = float(r["detected"])
        temperature[at] = float(r["temp_c"])
        pond[at[0]] = float(r["pond"])
    one = np.ones_like(y)
    return y, np.stack([np.ones(len(sites)), pond], axis=1), np.stack([one, temperature], axis=2)


def _salamander(folder: Path):
    """Blue Ridge salamander, MacKenzie et al. 2006 p. 99."""
    with (folder / "occu" / "salamander.csv").open() as f:
        return np.array([[float(r[f"v{i}"]) for i in range(1, 6)] for r in csv.DictReader(f)])


def test_american_toad_constant_model_matches_presence_and_unmarked(references):
    # psi .49 is in the paper's abstract; the other digits: PRESENCE 4.0 and R unmarked outputs.
    y, _, _ = _toad(references)
    fitted = occupancy(y)
    psi = 1 / (1 + np.exp(-fitted.psi_coefficients[0]))
    p = 1 / (1 + np.exp(-fitted.p_coefficients[0]))
    se = np.sqrt(np.diag(fitted.covariance)) * [psi * (1 - psi), p * (1 - p)]
    assert y.shape[0] == 29 and int(np.sum(~np.isnan(y))) == 258
    assert psi == pytest.approx(0.4918, abs=1e-3)
    assert p == pytest.approx(0.1887, abs=1e-3)
    assert se == pytest.approx([0.1324, 0.0355], abs=1e-3)
    assert fitted.minus2loglik == pytest.approx(179.8594, abs=1e-3)


@pytest.mark.parametrize(
    ("use_pond", "use_temperature", "psi", "p", "minus2"),
    [  # PRESENCE 4.0, identical in R unmarked
        (True, False, [-0.5576, 1.7276], [-1.4622], 177.6511),
        (False, True, [-0.0280], [-2.1896, 0.04859], 177.5818),
        (True, True, [-0.5661, 1.8948], [-2.2311, 0.05078], 175.1601),
    ],
)
def test_american_toad_covariate_models_match_presence(references, use_pond, use_temperature, psi, p, minus2):
    y, pond, temperature = _toad(references)
    fitted = occupancy(
        y, pond if use_pond else pond[:, :1], temperature if use_temperature else temperature[:, :, :1]
    )
    assert fitted.psi_coefficients == pytest.approx(psi, abs=1e-3)
    assert fitted.p_coefficients == pytest.approx(p, abs=1e-3)
    assert fitted.minus2loglik == pytest.approx(minus2, abs=1e-3)


def test_salamander_constant_model_matches_published_values(references):
    # MacKenzie et al. 2006; RMark and PRESENCE outputs agree.
    y = _salamander(references)
    fitted = occupancy(y)
    psi, p = (1 / (1 + np.exp(-c[0])) for c in (fitted.psi_coefficients, fitted.p_coefficients))
    assert (psi, p) == pytest.approx((0.5946, 0.2587), abs=1e-3)
    assert fitted.minus2loglik == pytest.approx(161.7586, abs=1e-3)
    low, high = (
        1 / (1 + np.exp(-(fitted.psi_coefficients[0] + s * 1.959964 * np.sqrt(fitted.covariance[0, 0]))))
        for s in (-1, 1)
    )
    assert (low, high) == pytest.approx((0.3512, 0.7990), abs=1e-3)
    blank = np.flatnonzero(y.sum(axis=1) == 0)
    assert fitted.conditional[blank] == pytest.approx(0.2472, abs=1e-3)


def test_salamander_detection_by_visit_matches_unmarked(references):
    y = _salamander(references)
    fitted = occupancy(y, p_design=np.broadcast_to(np.eye(5), (len(y), 5, 5)))
    p = 1 / (1 + np.exp(-fitted.p_coefficients))
    assert 1 / (1 + np.exp(-fitted.psi_coefficients[0])) == pytest.approx(0.5799, abs=1e-3)
    assert p == pytest.approx([0.1769, 0.1327, 0.3980, 0.3537, 0.2653], abs=1e-3)
    assert fitted.minus2loglik + 2 * 6 == pytest.approx(167.7144, abs=1e-3)


def test_conditional_presence_after_blanks_is_the_closed_form():
    # psi (1-p)^J / (1 - psi + psi (1-p)^J), MacKenzie et al. 2002.
    y = np.array([[0, 0, 0], [1, 0, np.nan], [0, 1, 1], [0, 0, np.nan], [1, 1, 0.0]])
    fitted = occupancy(y)
    psi, p = (1 / (1 + np.exp(-c[0])) for c in (fitted.psi_coefficients, fitted.p_coefficients))
    blank = psi * (1 - p) ** np.array([3, 2])
    assert fitted.conditional[[0, 3]] == pytest.approx(blank / (1 - psi + blank), abs=1e-9)
    assert fitted.conditional[[1, 2, 4]] == pytest.approx(1.0)


def test_a_species_found_everywhere_is_said_to_be_at_the_boundary():
    fitted = occupancy(np.ones((6, 4)))
    assert fitted.at_boundary
    assert np.all(np.isnan(fitted.covariance))


@pytest.mark.parametrize(
    ("kinds", "history", "likelihood", "conditional"),
    [  # by hand from Miller et al. 2011: psi .4, p11 .6, p10 .1, b .5
        ((1, 1, 1), (0, 0, 0), 0.6256, 0.04092072),
        ((1, 1, 1), (1, 0, 1), 0.0576, 1.0),
        ((2, 2, 2), (0, 0, 0), 0.4630, 0.05529158),
        ((2, 2, 2), (1, 0, 0), 0.0870, 0.44137931),
        ((2, 2, 2), (1, 1, 0), 0.0630, 0.91428571),
        ((3, 3, 3), (1, 0, 0), 0.0678, 0.28318584),
        ((3, 3, 3), (2, 0, 1), 0.0144, 1.0),
        ((1, 2, 2), (0, 1, 1), 0.0636, 0.90566038),
        ((1, 2, 2), (1, 0, 0), 0.0384, 1.0),
    ],
)
def test_false_positive_histories_match_the_hand_table(kinds, history, likelihood, conditional):
    present, absent = history_likelihood(np.array([history]), kinds, 0.6, 0.1, 0.5)
    assert 0.4 * present[0] + 0.6 * absent[0] == pytest.approx(likelihood, abs=1e-8)
    assert conditional_presence(0.4, present, absent)[0] == pytest.approx(conditional, abs=1e-8)


@pytest.mark.parametrize(
    ("name", "kinds", "estimates", "minus_loglik"),
    [  # R unmarked 1.5.0 occuFP
        ("occuFP_A.csv", (1, 1, 1, 2, 2, 2, 2), (0.511310, 0.575726, 0.099440), 740.8722),
        ("occuFP_B.csv", (3, 3, 3, 3), (0.454730, 0.591121, 0.112237, 0.548734), 646.0020),
    ],
)
def test_false_positive_fits_match_unmarked(references, name, kinds, estimates, minus_loglik):
    with (references / "occu" / name).open() as f:
        y = np.array([[float(r[f"X{i + 1}"]) for i in range(len(kinds))] for r in csv.DictReader(f)])
    fitted = false_positive_occupancy(y, kinds)
    found = (fitted.psi, fitted.p11, fitted.p10, fitted.certain)[: len(estimates)]
    assert found == pytest.approx(estimates, abs=1e-4)
    assert fitted.minus_loglik == pytest.approx(minus_loglik, abs=1e-3)


def test_bad_histories_are_refused():
    with pytest.raises(ValueError, match="values 0, 1"):
        history_likelihood(np.array([[2.0]]), [2], 0.6, 0.1)
    with pytest.raises(ValueError, match="of 0, 1 or NaN"):
        occupancy(np.array([[0.0, 3.0]]))
    with pytest.raises(ValueError, match="at least one visit"):
        occupancy(np.full((2, 2), np.nan))
