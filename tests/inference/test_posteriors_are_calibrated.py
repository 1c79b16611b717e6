"""A small run of the simulation-based calibration; the long one is kept in docs/calibration.md."""

from __future__ import annotations

import pytest

from .calibrate import Tally, one_club, stratum
from .prior_clubs import draw


@pytest.fixture(scope="module")
def tally():
    made = Tally()
    for seed in range(1000, 1008):
        one_club(seed, made)
    return made


def test_a_few_clubs_from_the_prior_are_fitted_and_covered(tally):
    found = tally.result()
    assert found["unconverged"] == 0
    # 960 cells, correlated within 8 clubs: the long run of 500 clubs says how near to .90 it is.
    assert 0.82 <= found["coverage"]["psi"]["coverage"] <= 0.96
    assert all(0.0 <= rank <= 1.0 for ranks in tally.ranks.values() for rank in ranks)
    assert {"no looks", "0 of n found"} <= {name.removeprefix("psi, ") for name in found["coverage"]}


def test_a_clubs_draw_depends_on_its_seed_alone():
    one, again, other = draw(5), draw(5), draw(6)
    assert one.evidence.outcome.tobytes() == again.evidence.outcome.tobytes()
    assert one.evidence.time.tobytes() != other.evidence.time.tobytes()


def test_strata_are_defined_by_the_data():
    club = draw(5)
    for s in range(len(club.evidence.spots)):
        mine = club.evidence.of_spot(s)
        assert (stratum(mine, 0) == "no looks") == (len(mine) == 0)
