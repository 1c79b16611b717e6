"""Careless and lying observers, lopsided clubs, duplicates and wrong clocks: what each does is stated and bounded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from observations.inference import Evidence, fit, reliability, spot_history
from observations.inference.types import CAMERA, NO_ECHOES, NO_OUTCOME, SEEN, VERIFIED

from .simulate import NOW, club, tree


@pytest.fixture(scope="module")
def plain():
    return club(31, species=3, spots=40, members=6, visits=8, proof=0.4, copy=0.0)


@pytest.fixture(scope="module")
def fitted(plain):
    return fit(plain.evidence)


def _calls(e):
    return np.flatnonzero(e.outcome >= 0)


def _truth_of_calls(tables):
    """By member: P(the species called is the target | call), over methods and species."""
    mine = {o: [t for t in tables if t.observer == f"member{o}"] for o in range(6)}
    return {
        o: np.mean([t.truth[t.calls.index(t.truths[k]), k] for t in ts for k in range(3)])
        for o, ts in mine.items()
    }


def _sound(e, made):
    """Converged, and no certainty or NaN anywhere at a few spots."""
    assert made.converged
    for s in range(0, len(e.spots), 9):
        told = spot_history(made, e.of_spot(s), e.now, reasons=False)
        assert np.all(np.isfinite(told.interval)) and np.all(np.isfinite(told.month_probability))
        assert np.all((told.probability > 0) & (told.probability < 1))
        assert np.all(told.interval[:, 0] <= told.probability) and np.all(
            told.probability <= told.interval[:, 1]
        )
        assert np.all(told.interval[:, 1] - told.interval[:, 0] > 0.01)


def test_a_careless_observer_is_found_out_and_drags_the_others_down_by_less(plain, fitted):
    e = plain.evidence
    rng, rows = np.random.default_rng(1), _calls(e)
    mine = rows[e.observer[rows] == 0]
    outcome = e.outcome.copy()
    outcome[mine] = rng.choice(np.flatnonzero(e.taxa.leaf), len(mine))
    careless = replace(e, outcome=outcome)
    made = fit(careless)
    _sound(careless, made)
    before, after = _truth_of_calls(reliability(fitted, e)), _truth_of_calls(reliability(made, careless))
    fall = {o: before[o] - after[o] for o in range(6)}
    # One of six: the method's table, which the others are shrunk to, is a sixth his. So theirs fall too, but less.
    assert fall[0] > 0.03
    assert fall[0] > 1.4 * max(fall[o] for o in range(1, 6))
    # Spots he never called at are told almost as before.
    apart = [s for s in range(40) if not np.any((e.spot == s) & (e.observer == 0) & (e.outcome >= 0))][:5]
    for s in apart:
        before = spot_history(fitted, e.of_spot(s), NOW, reasons=False).probability
        assert spot_history(made, e.of_spot(s), NOW, reasons=False).probability == pytest.approx(
            before, abs=0.12
        )


def test_a_liar_who_always_names_one_species_is_believed_less_than_the_honest(plain):
    e = plain.evidence
    rows = _calls(e)
    mine = rows[e.observer[rows] == 0]
    outcome = e.outcome.copy()
    first = int(np.flatnonzero(e.taxa.leaf)[0])
    outcome[mine] = first
    lying = replace(e, outcome=outcome)
    made = fit(lying)
    _sound(lying, made)
    tables = [t for t in reliability(made, lying) if t.observer is not None]
    column = tables[0].calls.index("s0")
    by = {name: [t for t in tables if t.observer == name] for name in {t.observer for t in tables}}
    told = {name: np.mean([t.truth[column, 0] for t in ts]) for name, ts in by.items()}
    assert told["member0"] < np.mean([told[f"member{o}"] for o in range(1, 6)])


def test_one_member_with_four_fifths_of_the_calls_does_not_become_the_method(plain):
    e = plain.evidence
    rng, rows = np.random.default_rng(2), np.flatnonzero(e.outcome != NO_OUTCOME)
    observer = e.observer.copy()
    observer[rows[rng.random(len(rows)) < 0.8]] = 1
    busy = replace(e, observer=observer)
    made = fit(busy)
    _sound(busy, made)
    calls = made.calls
    n = calls.counts.sum(axis=(1, 2))
    assert n[calls.pair_observer == 1].sum() > 0.7 * n.sum()
    # In the method's pool an observer counts at most kappa + 1 calls a truth, however many there are.
    assert np.all(calls.kappa + 1 < n[calls.pair_observer == 1].max())


def test_a_species_never_proved_is_called_only_and_stays_uncertain(plain):
    e = plain.evidence
    grade = e.grade.copy()
    grade[:, 2] = 0
    unproved = replace(e, grade=grade, count=np.where(grade > 0, 1, 0), tie=np.where(e.tie == 2, -1, e.tie))
    made = fit(unproved)
    _sound(unproved, made)
    tables = reliability(made, unproved, by_observer=False)
    assert all(t.called_only[2] for t in tables)


def test_a_species_found_in_every_look_is_likely_and_not_certain():
    n = 60
    e = Evidence.make(
        tree(2),
        NOW,
        spots=[f"s{i}" for i in range(20)],
        spot=np.arange(n) % 20,
        time=NOW - 3.0 * np.arange(n),
        method=np.full(n, CAMERA),
        outcome=np.full(n, NO_OUTCOME),
        minutes=np.full(n, 5.0),
        grade=np.stack([np.full(n, VERIFIED), np.zeros(n, dtype=int)], axis=1),
    )
    made = fit(e)
    _sound(e, made)
    told = spot_history(made, e.of_spot(3), NOW)
    assert 0.8 < told.probability[0] < 1.0 and told.probability[1] < 0.3


def test_a_method_never_verified_is_believed_by_the_others_and_less_surely(plain, fitted):
    e = plain.evidence
    method = np.bincount(e.method[e.tie >= 0]).argmax()
    unproved = replace(e, tie=np.where(e.method == method, -1, e.tie))
    made = fit(unproved)
    _sound(unproved, made)
    name = reliability(fitted, e, by_observer=False)[0].method
    table = {t.method: t for t in reliability(made, unproved, by_observer=False)}
    assert table[name].proofs.sum() == 0 or np.all(table[name].call_interval[..., 1] >= table[name].call)


def test_rows_imported_twice_in_one_look_move_nothing_that_is_counted_by_looks(plain, fitted):
    """A file imported twice makes looks twice; within a visit the copies speak twice, which is bounded."""
    e = plain.evidence
    s = int(np.bincount(e.spot).argmax())
    mine = e.of_spot(s)
    twice = mine.take(np.concatenate([np.arange(len(mine)), np.arange(len(mine))]))
    once = spot_history(fitted, mine, NOW, reasons=False)
    again = spot_history(fitted, twice, NOW, reasons=False)
    assert again.visits == once.visits  # duplicates fall into the visit of their original
    assert np.abs(again.probability - once.probability).max() < 0.25


def test_a_clock_an_hour_wrong_changes_little_and_one_in_the_future_is_refused(plain, fitted):
    e = plain.evidence
    late = replace(e, time=np.minimum(e.time + 1 / 24, NOW))
    for s in (0, 7, 21):
        one = spot_history(fitted, e.of_spot(s), NOW, reasons=False).probability
        other = spot_history(fitted, late.of_spot(s), NOW, reasons=False).probability
        assert other == pytest.approx(one, abs=0.02)
    with pytest.raises(ValueError, match="future"):
        replace(e, time=e.time + 1000.0)


def test_a_club_of_one_visit_one_species_and_no_proof_keeps_wide_intervals():
    e = Evidence.make(
        tree(1), NOW, spots=["a"], spot=[0], time=[NOW - 1.0], method=[0], outcome=[NO_ECHOES], grade=[[0]]
    )
    made = fit(e)
    told = spot_history(made, e, NOW)
    assert made.converged and made.proofs == 0
    assert np.ptp(told.interval[0]) > 0.3
    seen = Evidence.make(
        tree(1), NOW, spots=["a"], spot=[0], time=[NOW - 1.0], method=[CAMERA], outcome=[NO_OUTCOME], minutes=[0.0],
        grade=[[SEEN]],
    )  # fmt: skip
    assert (
        spot_history(fit(seen), seen, NOW).probability[0] > told.probability[0]
    )  # zero effort, and yet a fish


def test_a_drop_of_no_minutes_that_found_nothing_says_nothing(plain, fitted):
    e = plain.evidence
    row = np.flatnonzero((e.method == CAMERA) & (e.grade == 0).all(axis=1))[0]
    mine = e.of_spot(int(e.spot[row]))
    at = np.flatnonzero(mine.look == e.look[row])[0]
    for_nothing = replace(mine, minutes=np.where(np.arange(len(mine)) == at, 0.0, mine.minutes))
    never = mine.take(np.delete(np.arange(len(mine)), at))
    told, without, before = (
        spot_history(fitted, part, NOW, reasons=False).probability for part in (for_nothing, never, mine)
    )
    assert told == pytest.approx(without, abs=1e-6)
    assert before != pytest.approx(without, abs=1e-3)


def test_a_first_year_club_is_told_little_surely_and_what_would_narrow_it():
    """12 members, 60 spots, about 200 looks, 27 of them by camera or rod; intervals hold nine times in ten."""
    held, width, plans = [], [], []
    for seed in range(2):
        made = club(seed, species=4, spots=60, members=12, visits=1.45, years=1.0, proof=0.16)
        e = made.evidence
        young = fit(e)
        assert young.converged and 150 < len(e) < 250
        for s in range(0, 60, 4):
            told = spot_history(young, e.of_spot(s), NOW, reasons=False)
            held.append((told.interval[:, 0] <= made.psi[s]) & (made.psi[s] <= told.interval[:, 1]))
            width.append(np.ptp(told.interval, axis=1))
            plans.append(told.narrowed.max(axis=1))
    assert 0.78 < np.mean(held) < 0.99  # 120 intervals, of two clubs only
    assert np.mean(width) > 0.5 and np.min(width) > 0.15
    assert np.min(plans) > 0.0
