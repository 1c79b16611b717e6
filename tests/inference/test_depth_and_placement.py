"""Where fish were: depths and placements counted by hand, shares against published intervals."""

from __future__ import annotations

import numpy as np
import pytest

from observations.inference import NO_ECHOES, PLACEMENTS, Evidence
from observations.inference.placing import DEPTH_EDGES_M, Fish, called_at, found_at, share_interval

from .simulate import tree

TAXA = tree(2)
IN, OVER, NAN = PLACEMENTS.index("in"), PLACEMENTS.index("over"), np.nan


def test_findings_count_once_by_depth_and_placement_and_fish_all():
    # (row, species, fish, depth, placement): three bass findings, one of a school without a depth.
    fish = Fish.of([(0, 0, 2, 4.5, IN), (1, 0, 9, NAN, -1), (2, 0, 1, 4.0, OVER), (2, 1, 1, 31.0, -1)])
    bass = found_at(fish, 0)
    assert (bass.entries, bass.fish) == (3, 12)
    assert bass.depth.tolist() == [0, 0, 0, 0, 2, *[0] * (len(DEPTH_EDGES_M) - 5)], "4 m lies in 4 to 5 m"
    assert {PLACEMENTS[i]: n for i, n in enumerate(bass.placement) if n} == {"over": 1, "in": 1}
    assert found_at(fish, 1).depth[-1] == 1, "deeper than the last edge"
    part = fish.of_rows(np.array([2]))
    assert part.row.tolist() == [0, 0] and part.species.tolist() == [0, 1]
    assert found_at(Fish.of([]), 0).entries == 0 and found_at(Fish.of([]).of_rows(np.array([1])), 0).fish == 0


def test_echoes_count_for_the_species_they_were_called_and_no_wider_kind():
    e = Evidence.make(
        TAXA, 20_000.0, spots=["a"], spot=np.zeros(4), time=np.ones(4), method=np.zeros(4),
        outcome=[TAXA.node("s0"), TAXA.node("pair"), NO_ECHOES, TAXA.node("s0")],
        depth_m=[3.0, 3.0, NAN, NAN], placement=[IN, IN, -1, OVER],
    )  # fmt: skip
    s0 = called_at(e, 0)
    assert (s0.entries, s0.depth.sum(), s0.depth[3], s0.placement.sum()) == (2, 1, 1, 2)
    assert called_at(e, 1).entries == 0
    assert called_at(e.take([]), 0).entries == 0


def test_a_share_has_its_jeffreys_interval():
    # Against draws of Beta(9.5, 1.5), as Brown, Cai and DasGupta (2001) define it.
    share, low, high = share_interval([9, 1])
    assert share.tolist() == [0.9, 0.1]
    assert (low[0], high[0]) == pytest.approx((1 - high[1], 1 - low[1]))
    rng = np.random.default_rng(1)
    drawn = rng.beta(9.5, 1.5, 400_000)
    assert (low[0], high[0]) == pytest.approx(np.quantile(drawn, [0.05, 0.95]), abs=2e-3)
    share, low, high = share_interval([0, 4])
    assert low[0] == 0.0 and high[1] == 1.0 and 0.2 < high[0] < 0.5
    share, low, high = share_interval([0, 0])
    assert np.isnan(share).all() and low.tolist() == [0, 0] and high.tolist() == [1, 1]
