"""Presence, and how far calls can be believed: arrays in, arrays out.

The model. At a visit (looks at one spot with gaps below a window) each of K species is present or not,
with `logit psi = season terms by cover/structure group + sigma * spot effect`. The screen shows one
*target*, drawn uniformly from the present species, or none. Sonar looks and looks by eye call that
target through a table P(outcome | target) by method and observer; a later call may copy one's own earlier one or
another's; a filter of small returns hides some of the echoes (`filtering`); how often a spot is visited goes with
its effect (`visiting`); camera and rod find a present species with probability
`1 - exp(-rate * effort * coverage)`; a *same fish* tie reveals the target and is itself an outcome. With one species
and no calls this is MacKenzie et al. 2002, with a call table per species Miller et al. 2011; the call tables with
the target latent are Dawid & Skene 1979.

The interface:

    taxa = Taxa(codes, parent, leaf)               # tree; K = number of True in leaf, in node order
    evidence = Evidence.make(taxa, now, spots=[...], observers=[...], groups=[...], group=[...],
                             spot=..., time=..., method=..., observer=..., look=..., outcome=..., ...)
                                                   # arrays (N,) and (N, K): see Evidence
    evidence.of_spot(i), evidence.take(rows)       # parts

    visits(evidence, window_hours=6.0) -> int (N,) # visit number of each row
    fit(evidence, *, seed=None, previous=None, options=None) -> ClubFit
    ClubFit.to_dict() / ClubFit.from_dict(d)       # JSON-safe, bit-exact
    spot_history(fit, evidence_of_one_spot, now, *, reasons=True) -> SpotResult
    reliability(fit, evidence, *, by_observer=True, random_only=False) -> tuple[CallTable, ...]
    hiding.hidden_by_filter(fit, evidence)         # what filters of small returns hide, by method and target
    stated_scores(evidence) -> StatedScores        # Brier, log score, reliability diagram

    effort.month_effort(evidence) -> MonthEffort   # looks, camera minutes, rod-hours: (12,) each
    effort.grade_counts(evidence) -> int (K, 4)    # called, seen, landed, verified: once, at its highest
    effort.last_verified(evidence) -> float (K,)   # NaN: never
    effort.catch_rate(evidence, k) -> CatchRate    # per rod-hour, with interval
    club_season.fit_season(fit, evidence) -> SeasonFit  # the club's bands of temperature and catch rates
    spot_history(..., bands=SeasonFit.bands)       # also the chance in each band
    catches.spot_catches(SeasonFit.catches, e)     # per rod-hour: all, months, bands, with what is borrowed
    placing.found_at(fish, k), placing.called_at(evidence, k) -> Placing   # depths and placements, counted
    prediction.held_out(evidence) -> Forecasts     # later looks forecast from earlier ones; prediction.scored
    prediction.visit_presence(fit, evidence_of_one_spot, now) -> visit (N,), P(present) (V, K)
    coverage.camera_coverage(secchi_m, cover_height_m, cover_size_m)
    coverage.detection(rate, effort, coverage); coverage.sighting_range(secchi_m)
    sonar.*                                        # cone, slant range, shadow, speed of sound
    condition.*                                    # standard and relative weight, length categories
    measuring.*                                    # lengths, heights, depths off a picture, with their error
    occupancy.*, dawid_skene.*                     # the special cases, maximum likelihood

Sonar outcome of a row: index of the called node, NO_ECHOES or UNCALLED; camera and rod rows: NO_OUTCOME
and `grade` (N, K) of SEEN, LANDED, VERIFIED. Times are days since 1970-01-01T00:00Z. Nothing here reads a
clock, a file or a global random state: the same arrays give the same bytes.

What is not modelled, and so to be said where results are shown: a spot that was never visited is told too good, as
members choose what looks good; presence at visits some days apart is taken as independent given the season and the
spot; settings of a sonar other than a filter of small returns; of several echo groups in one look, one speaks for the
visit's target.

Rows after `now` are an error in Evidence and are left out by `spot_history` when its `now` is earlier
than the evidence's (history as of a day). `spot_history` costs what that spot's evidence costs; a spot
without rows gets its group's prior with its wide interval. The nightly job should call the same
`spot_history` at the new fit: the two are then equal by construction.
"""

from .believing import makes_right, reliability
from .fitting import fit
from .grouping import visits
from .history import spot_history
from .results import CallTable, ClubFit, Reason, SpotResult
from .scores import StatedScores, stated_scores
from .types import (
    CALL_METHODS,
    FIND_METHODS,
    LANDED,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    PLACEMENTS,
    SEEN,
    UNCALLED,
    VERIFIED,
    Evidence,
    Options,
    Taxa,
)

__all__ = [
    "CALL_METHODS",
    "FIND_METHODS",
    "LANDED",
    "METHODS",
    "NO_ECHOES",
    "NO_OUTCOME",
    "PLACEMENTS",
    "SEEN",
    "UNCALLED",
    "VERIFIED",
    "CallTable",
    "ClubFit",
    "Evidence",
    "Options",
    "Reason",
    "SpotResult",
    "StatedScores",
    "Taxa",
    "fit",
    "makes_right",
    "reliability",
    "spot_history",
    "stated_scores",
    "visits",
]
