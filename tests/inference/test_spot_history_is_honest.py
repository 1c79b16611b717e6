"""The fit and a spot's history: degenerate clubs, storage, reasons, intervals."""

from __future__ import annotations

import json

import numpy as np
import pytest

from observations.inference import (
    NO_ECHOES,
    NO_OUTCOME,
    VERIFIED,
    ClubFit,
    Evidence,
    fit,
    fitting,
    spot_history,
)

from .simulate import NOW, club, tree


@pytest.fixture(scope="module")
def simulated():
    return club(2, spots=40)


@pytest.fixture(scope="module")
def fitted(simulated):
    return fit(simulated.evidence)


def _camera(times, grades, taxa=None, spots=("a",), minutes=5.0):
    taxa = taxa or tree(3)
    return Evidence.make(
        taxa,
        NOW,
        spots=spots,
        spot=np.zeros(len(times)),
        time=times,
        method=np.full(len(times), 4),
        outcome=np.full(len(times), NO_OUTCOME),
        minutes=np.full(len(times), minutes),
        secchi_m=np.full(len(times), 3.0),
        grade=grades,
    )


def _well_formed(result, species):
    assert np.all((result.probability > 0) & (result.probability < 1))
    assert result.interval.shape == (species, 2) and result.month_interval.shape == (12, species, 2)
    for p, i in (
        (result.probability, result.interval),
        (result.month_probability, result.month_interval),
    ):
        assert np.all((i[..., 0] <= p) & (p <= i[..., 1])) and np.all(np.isfinite(i))


def test_a_club_without_looks_has_its_prior_and_says_so_with_a_wide_interval():
    nothing = Evidence.make(tree(3), NOW, spots=["a"])
    fitted = fit(nothing)
    assert fitted.converged and fitted.rows == 0
    result = spot_history(fitted, nothing, NOW)
    _well_formed(result, 3)
    assert np.all(result.interval[:, 1] - result.interval[:, 0] > 0.6)
    assert result.reasons == ((), (), ()) and result.visits == 0


def test_a_club_without_spots_can_be_fitted():
    assert fit(Evidence.make(tree(2), NOW, spots=[])).converged


def test_one_visit_moves_its_own_spot_and_little_else():
    e = _camera([NOW - 10], [[VERIFIED, 0, 0]], spots=("a", "b"))
    fitted = fit(e)
    here = spot_history(fitted, e.of_spot(0), NOW)
    there = spot_history(fitted, e.of_spot(1), NOW)
    _well_formed(here, 3)
    assert here.probability[0] > there.probability[0] > here.probability[1]
    assert here.reasons[0][0].row == 0 and here.reasons[0][0].change > 0


def test_one_species_can_be_fitted():
    e = _camera([NOW - 10, NOW - 5], [[VERIFIED], [0]], taxa=tree(1))
    _well_formed(spot_history(fit(e), e, NOW), 1)


def test_a_club_without_any_proof_is_fitted_and_stays_wide():
    simulated = club(3, spots=25, proof=0.0)
    fitted = fit(simulated.evidence)
    assert fitted.proofs == 0
    result = spot_history(fitted, simulated.evidence.of_spot(0), NOW)
    _well_formed(result, 4)


def test_a_stored_fit_gives_the_same_bytes(simulated, fitted):
    again = ClubFit.from_dict(json.loads(json.dumps(fitted.to_dict(), allow_nan=False)))
    assert again.options == fitted.options and again.groups == fitted.groups
    for spot in (0, 7):
        a = spot_history(fitted, simulated.evidence.of_spot(spot), NOW)
        b = spot_history(again, simulated.evidence.of_spot(spot), NOW)
        assert a.probability.tobytes() == b.probability.tobytes()
        assert a.month_interval.tobytes() == b.month_interval.tobytes()
        assert a.reasons == b.reasons


def test_a_fit_is_deterministic_and_does_not_depend_on_the_order_of_the_rows(simulated, fitted):
    e = simulated.evidence
    assert fit(e).beta.tobytes() == fitted.beta.tobytes()
    mixed = e.take(np.random.default_rng(0).permutation(len(e)))
    # Rows are sorted before anything is summed; only the order within one instant can differ.
    assert fit(mixed).beta == pytest.approx(fitted.beta, abs=1e-9)


def test_a_fit_started_from_itself_stays(simulated, fitted):
    again = fit(simulated.evidence, previous=fitted)
    assert again.iterations < fitted.iterations
    a = spot_history(fitted, simulated.evidence.of_spot(3), NOW)
    b = spot_history(again, simulated.evidence.of_spot(3), NOW)
    assert b.probability == pytest.approx(a.probability, abs=0.01)


def test_a_large_club_starts_from_a_tenth_of_its_spots_and_ends_at_the_same_place(
    simulated, fitted, monkeypatch
):
    monkeypatch.setattr(fitting, "_LARGE_CLUB_SPOTS", 30)
    again = fit(simulated.evidence, seed=4)
    assert again.converged
    a = spot_history(fitted, simulated.evidence.of_spot(3), NOW)
    b = spot_history(again, simulated.evidence.of_spot(3), NOW)
    assert b.probability == pytest.approx(a.probability, abs=0.02)


def test_the_fit_is_where_the_score_is_flat(simulated, fitted):
    assert fitted.converged and fitted.step < fitted.options.tolerance


def test_looks_after_now_are_left_out(simulated, fitted):
    e = simulated.evidence.of_spot(1)
    then = float(np.median(e.time))
    a = spot_history(fitted, e, then)
    b = spot_history(fitted, e.take(e.time <= then), then)
    assert a.probability.tobytes() == b.probability.tobytes()
    assert a.visits < spot_history(fitted, e, NOW).visits


def test_reasons_are_exact_leave_one_out_changes(simulated, fitted):
    e = simulated.evidence.of_spot(5)
    result = spot_history(fitted, e, NOW)
    assert any(result.reasons)
    for k, reasons in enumerate(result.reasons):
        assert len(reasons) <= 3
        sizes = [abs(r.change) for r in reasons]
        assert sizes == sorted(sizes, reverse=True)
        for reason in reasons:
            without = spot_history(fitted, e.take(np.delete(np.arange(len(e)), reason.row)), NOW)
            change = result.probability[k] - without.probability[k]
            assert reason.change == pytest.approx(change, abs=1e-6)


def test_reasons_are_the_largest_of_all_changes(simulated, fitted):
    e = simulated.evidence.of_spot(5)
    result = spot_history(fitted, e, NOW)
    changes = np.array(
        [
            result.probability
            - spot_history(fitted, e.take(np.delete(np.arange(len(e)), row)), NOW).probability
            for row in range(len(e))
        ]
    )
    for k, reasons in enumerate(result.reasons):
        if reasons:
            assert abs(reasons[0].change) == pytest.approx(np.max(np.abs(changes[:, k])), abs=2e-3)


def test_an_unknown_group_or_observer_takes_the_average_and_a_wider_interval(simulated, fitted):
    e = simulated.evidence.of_spot(0)
    known = spot_history(fitted, e.take([]), NOW)
    fields = {n: getattr(e, n) for n in ("spot", "time", "method", "look", "outcome", "tie", "grade")}
    other = Evidence.make(
        e.taxa,
        NOW,
        spots=["x"],
        groups=["never seen"],
        observers=[f"new{i}" for i in range(12)],
        observer=e.observer,
        **fields,
    )
    unknown = spot_history(fitted, other.take([]), NOW)
    _well_formed(spot_history(fitted, other, NOW), 4)
    assert np.mean(np.diff(unknown.interval)) > np.mean(np.diff(known.interval))


def test_blank_camera_drops_lower_and_sightings_raise(fitted, simulated):
    taxa, groups = simulated.evidence.taxa, simulated.evidence.groups

    def drops(grades, minutes=6.0):
        e = _camera(NOW - 30.0 * np.arange(1, len(grades) + 1), grades, taxa=taxa, minutes=minutes)
        e = Evidence.make(
            taxa,
            NOW,
            spots=["x"],
            groups=groups,
            spot=e.spot,
            time=e.time,
            method=e.method,
            outcome=e.outcome,
            minutes=e.minutes,
            secchi_m=e.secchi_m,
            grade=e.grade,
        )
        return spot_history(fitted, e, NOW).probability

    prior = spot_history(fitted, Evidence.make(taxa, NOW, spots=["x"], groups=groups), NOW).probability
    blank = drops([[0] * 4] * 4)
    assert np.all(blank < prior)
    assert np.all(drops([[0] * 4] * 4, minutes=0.1) > blank)
    seen = drops([[VERIFIED, 0, 0, 0]] * 3)
    assert seen[0] > prior[0] and np.all(seen[1:] < prior[1:])


def test_other_species_and_two_spots_are_refused(fitted):
    with pytest.raises(ValueError, match="one spot"):
        spot_history(fitted, Evidence.make(tree(4), NOW, spots=["a", "b"]), NOW)
    with pytest.raises(ValueError, match="refit"):
        spot_history(fitted, Evidence.make(tree(2), NOW, spots=["a"]), NOW)
    with pytest.raises(ValueError, match="finite"):
        spot_history(fitted, Evidence.make(tree(4), NOW, spots=["a"]), np.nan)


def test_a_call_sealed_after_its_proof_is_ignored_beside_it(fitted, simulated):
    taxa = simulated.evidence.taxa

    def told(sealed, with_proof):
        rows = {
            "spot": [0, 0], "time": [NOW - 3, NOW - 3], "method": [3, 4], "observer": [1, 0],
            "outcome": [taxa.node("s0"), NO_OUTCOME], "sealed": [sealed, True], "minutes": [np.nan, 5.0],
            "grade": [[0] * 4, [VERIFIED * with_proof, 0, 0, 0]],
        }  # fmt: skip
        e = Evidence.make(
            taxa,
            NOW,
            spots=["x"],
            groups=simulated.evidence.groups,
            observers=simulated.evidence.observers,
            **rows,
        )
        return e, spot_history(fitted, e, NOW).probability

    e, with_call = told(False, True)
    without = spot_history(fitted, e.take([1]), NOW).probability
    assert with_call.tobytes() == without.tobytes()
    assert told(True, True)[1].tobytes() != without.tobytes()
    # Where nothing was found, even an opinion from memory is an opinion.
    e, with_call = told(False, False)
    assert with_call[0] > spot_history(fitted, e.take([1]), NOW).probability[0]


def test_a_blank_sonar_look_lowers_every_species(fitted, simulated):
    e = Evidence.make(
        simulated.evidence.taxa, NOW, spots=["x"], groups=simulated.evidence.groups,
        observers=simulated.evidence.observers, spot=[0] * 4, time=NOW - np.array([3, 20, 40, 60]),
        method=[3] * 4, observer=[0] * 4, outcome=[NO_ECHOES] * 4,
    )  # fmt: skip
    assert np.all(
        spot_history(fitted, e, NOW).probability < spot_history(fitted, e.take([]), NOW).probability
    )
