"""A sonar set so that small returns do not show: what it hides is learned, and its bare screen says less."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from observations.inference import Evidence, fit, spot_history
from observations.inference.calls import call_terms, table_index
from observations.inference.grouping import prepare
from observations.inference.hiding import hidden_by_filter
from observations.inference.results import ClubFit
from observations.inference.types import NO_ECHOES

from .simulate import NOW, club, tree

HIDDEN = (0.6, 0.5, 0.1, 0.3)
SMALL = {"species": 3, "spots": 60, "members": 8, "visits": 8.0, "proof": 0.4}


def test_what_filters_hide_is_recovered_with_intervals_that_cover_it():
    held, told = [], []
    for seed in range(4):
        made = club(seed, filtered=0.4, hidden=HIDDEN, **SMALL)
        fitted = fit(made.evidence)
        assert fitted.converged
        for one in hidden_by_filter(fitted, made.evidence):
            held.append((one.interval[:, 0] <= HIDDEN) & (np.array(HIDDEN) <= one.interval[:, 1]))
            told.append(one.hidden)
    assert len(told) == 16  # four sonar methods a club
    assert 0.82 <= np.mean(held) <= 0.98  # 64 intervals of 90 %: two standard errors are .08
    small, large = np.mean(told, axis=0)[:2], np.mean(told, axis=0)[2]
    assert small.min() > large + 0.1 and small.min() > 0.35


def test_a_filter_that_hides_nothing_is_told_as_next_to_none():
    made = club(1, filtered=0.4, hidden=(0.0,) * 4, **SMALL)
    told = hidden_by_filter(fit(made.evidence), made.evidence)
    assert np.mean([one.hidden for one in told]) < 0.15
    assert np.mean([one.interval[:, 0] < 0.05 for one in told]) > 0.9


def test_a_bare_screen_behind_a_filter_says_less_and_without_one_a_fit_holds_nothing_of_filters():
    made = club(2, **SMALL)
    fitted = fit(made.evidence)
    assert fitted.calls.hidden.size == 0 and hidden_by_filter(fitted, made.evidence) == ()
    assert ClubFit.from_dict(fitted.to_dict()).calls.hidden.shape == fitted.calls.hidden.shape
    bare = Evidence.make(
        tree(3),
        NOW,
        spots=["a"],
        spot=[0],
        time=[NOW - 1.0],
        method=[0],
        outcome=[NO_ECHOES],
        groups=["group0"],
    )
    behind = replace(bare, filtered=np.array([True]))
    none = spot_history(fitted, bare.take([]), NOW, reasons=False).probability
    plain, filtered = (spot_history(fitted, e, NOW, reasons=False).probability for e in (bare, behind))
    # A club that knows nothing of filters takes the prior's fifth as hidden.
    assert np.all(plain < filtered) and np.all(filtered < none)


def test_the_likelihood_behind_a_filter_is_that_of_hiding_echoes_by_hand():
    made = club(3, filtered=0.4, hidden=HIDDEN, **SMALL)
    fitted = fit(made.evidence)
    calls = fitted.calls
    data = prepare(made.evidence, fitted.options, fitted.groups, table_index(calls, fitted.observers))
    terms = call_terms(data, calls, tie_known=False)
    single = np.flatnonzero(np.bincount(data.call_visit, minlength=len(data.spot)) == 1)
    for visit in single[:40]:
        row = int(np.flatnonzero(data.call_visit == visit)[0])
        table = calls.pair[data.call_table[row]]
        hide = calls.hidden[calls.pair_method[data.call_table[row]]] * data.filtered[row]
        shown = (1.0 - table[:, 0]) * (1.0 - hide)
        column = data.outcome[row]
        by_hand = 1.0 - shown if column == 0 else table[:, column] * (1.0 - hide)
        np.testing.assert_allclose(terms.calls[visit] * np.exp(terms.log_scale[visit]), by_hand, rtol=1e-12)
