"""Half-life of a spot's evidence."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from observations.inference import NO_OUTCOME, VERIFIED, Evidence, fit, spot_history
from observations.inference.ageing import power

from .simulate import NOW, tree


def _changing_spots(every_days):
    """40 spots with a camera each fortnight or so; what lives at a spot is drawn anew after some days."""
    rng = np.random.default_rng(8)
    spots, times, grades = [], [], []
    for s in range(40):
        when = np.sort(NOW - rng.uniform(1, 1200, 40))
        era = ((NOW - when) // every_days).astype(int)
        chance = rng.choice([0.05, 0.95], size=era.max() + 1)[era]
        present = rng.random(40) < chance
        seen = present & (rng.random(40) < 0.9)
        spots += [s] * 40
        times += list(when)
        grades += [[VERIFIED * int(g)] for g in seen]
    return Evidence.make(
        tree(1),
        NOW,
        spots=[f"{s}" for s in range(40)],
        spot=spots,
        time=times,
        method=np.full(len(spots), 4),
        outcome=np.full(len(spots), NO_OUTCOME),
        minutes=np.full(len(spots), 10.0),
        secchi_m=np.full(len(spots), 3.0),
        grade=grades,
    )


def test_evidence_of_one_half_life_counts_half():
    assert power(np.array([0.0, 90.0, 180.0]), 90.0) == pytest.approx([1, 0.5, 0.25])
    assert power(np.array([0.0, 1e6]), np.inf) == pytest.approx([1, 1])


def test_where_spots_change_old_evidence_is_discounted_and_where_they_stay_it_is_not():
    assert fit(_changing_spots(150)).half_life_days <= 180
    assert fit(_changing_spots(10_000)).half_life_days >= 365


def test_a_handful_of_visits_cannot_tell_so_evidence_does_not_age():
    e = _changing_spots(150)
    assert np.isinf(fit(e.take(e.spot == 0).take(np.arange(20))).half_life_days)


def test_an_old_sighting_counts_less_with_a_shorter_half_life():
    e = _changing_spots(10_000)
    fitted = fit(e)
    one = Evidence.make(
        e.taxa, NOW, spots=["x"], spot=[0], time=[NOW - 365.0], method=[4], outcome=[NO_OUTCOME],
        minutes=[10.0], grade=[[VERIFIED]],
    )  # fmt: skip
    chance = [
        float(spot_history(replace(fitted, half_life_days=h), one, NOW).probability[0])
        for h in (90.0, 365.0, np.inf)
    ]
    prior = float(spot_history(fitted, one.take([]), NOW).probability[0])
    assert prior < chance[0] < chance[1] < chance[2]
