"""Calls that repeat an earlier one of the visit, one's own or another's, are found out and count for less."""

from __future__ import annotations

import numpy as np

from observations.inference import fit
from observations.inference.grouping import _copied_from_another

from . import broken_world
from .forecasts import as_evidence


def test_the_latest_call_of_another_is_the_one_that_a_loop_finds():
    rng = np.random.default_rng(0)
    for _ in range(200):
        n = rng.integers(0, 15)
        visit, observer, column = np.sort(rng.integers(0, 4, n)), rng.integers(0, 3, n), rng.integers(0, 4, n)
        expected = []
        for i in range(n):
            earlier = (
                column[j]
                for j in range(i - 1, -1, -1)
                if visit[j] == visit[i] and observer[j] != observer[i] and column[j] > 0
            )
            expected.append(next(earlier, -1))
        assert _copied_from_another(visit, observer, column).tolist() == expected


def test_copies_of_anothers_call_are_learned_where_half_are_and_not_made_up():
    small = {"species": 3, "spots": 70}
    copied, honest = (fit(as_evidence(broken_world.world(0, b, **small))) for b in (("copied",), ()))
    assert copied.converged and honest.converged
    assert 0.3 < copied.calls.copy_other < 0.6  # half of the later calls repeat the visit's first
    assert honest.calls.copy_other < 0.12
