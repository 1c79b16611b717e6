"""Visits, and the evidence sorted for the engine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from . import season
from .coverage import camera_coverage
from .types import (
    CALL_METHODS,
    CAMERA,
    METHODS,
    NO_ECHOES,
    NO_OUTCOME,
    ROD,
    UNCALLED,
    Bool,
    Evidence,
    Float,
    Int,
    Options,
)

_CALL_INDEX = np.array([CALL_METHODS.index(m) if m in CALL_METHODS else -1 for m in METHODS])
_LEAST_EFFORT = 1e-3
"""Effort of a sighting whose effort was given as zero, in minutes or rod-hours."""


def visits(evidence: Evidence, window_hours: float = 6.0) -> Int:
    """Visit number of each row.

    Looks at one spot form a visit while the gap to the look before is below the window. Numbers run from 0,
    by spot, then by time. All rows of a look fall into the visit of its earliest row.

    Parameters
    ----------
    evidence : Evidence
    window_hours : float
        Closure window, > 0.

    Returns
    -------
    ndarray of int, shape (N,)

    Raises
    ------
    ValueError
        For a window that is not positive.
    """
    if not window_hours > 0:
        raise ValueError(f"window_hours must be > 0, not {window_hours}")
    n = len(evidence)
    if n == 0:
        return np.zeros(0, dtype=np.int64)
    # A look may have been typed in as rows some minutes apart: it counts from its first row.
    _, look = look_numbers(evidence)
    start = np.full(int(look.max()) + 1, np.inf)
    np.minimum.at(start, look, evidence.time)
    time = start[look]
    order = np.lexsort((time, evidence.spot))
    spot, when = evidence.spot[order], time[order]
    # Minutes are the finest time people record: rounding keeps a gap of exactly the window a new visit.
    gap = np.round(np.diff(when) * 24.0 * 3600.0) >= round(window_hours * 3600.0)
    opens = np.concatenate([[False], (np.diff(spot) != 0) | gap])
    made = np.empty(n, dtype=np.int64)
    made[order] = np.cumsum(opens)
    return made


def look_numbers(evidence: Evidence) -> tuple[Int, Int]:
    """First row of each look, and the look number of each row. A look belongs to one spot."""
    names, look = np.unique(evidence.look, return_inverse=True)
    _, first, number = np.unique(evidence.spot * len(names) + look, return_index=True, return_inverse=True)
    return first.astype(np.int64), number.astype(np.int64)


@dataclass(frozen=True)
class Prepared:
    """Evidence in the engine's order: visits by spot and time, rows by visit.

    Attributes
    ----------
    spot, time : (V,)
        Of each visit (time of its first row).
    group : (V,)
        Group of its spot in the fit's numbering; G: unknown.
    season : (V, 3)
        Season features.
    first : (S+1,)
        Visits of spot s: first[s] to first[s+1]. A spot may have none.
    spot_group : (S,)
    call_row, call_visit, call_table, outcome, previous, others, counted, filtered : (n,)
        Call rows in use: row of the evidence, visit, call table, outcome column, columns that it may copy (of
        one's own call, of another's; -1: none), whether the row feeds the tables, and whether small returns
        were filtered out.
    tied : (V,)
        Species revealed by a tie, or -1.
    called : bool (V,)
        The visit has called echoes that a tie could settle.
    aside_row, aside_table, aside_outcome, aside_truth : (r,)
        Sealed, tied groups that do not speak about the visit's one target (a second group of a look, a
        second tied species): their truth is known, so they feed the tables directly.
    find_row, find_visit, find_method, effort : (m,)
        Camera and rod rows: row, visit, 0 camera or 1 rod, covered effort.
    grade, unclear : (m, K)
    """

    spot: Int
    time: Float
    group: Int
    season: Float
    first: Int
    spot_group: Int
    call_row: Int
    call_visit: Int
    call_table: Int
    outcome: Int
    previous: Int
    others: Int
    counted: Bool
    filtered: Bool
    tied: Int
    called: Bool
    aside_row: Int
    aside_table: Int
    aside_outcome: Int
    aside_truth: Int
    find_row: Int
    find_visit: Int
    find_method: Int
    effort: Float
    grade: Int
    unclear: Bool

    def part(self, low: int, high: int) -> Prepared:
        """Spots low to high - 1 only, renumbered from 0; groups tied aside stay with the part of spot 0."""
        a, b = int(self.first[low]), int(self.first[high])
        c, d = np.searchsorted(self.call_visit, [a, b])
        f, g = np.searchsorted(self.find_visit, [a, b])
        aside = slice(None) if low == 0 else slice(0, 0)
        return Prepared(
            spot=self.spot[a:b] - low,
            time=self.time[a:b],
            group=self.group[a:b],
            season=self.season[a:b],
            first=self.first[low : high + 1] - a,
            spot_group=self.spot_group[low:high],
            call_row=self.call_row[c:d],
            call_visit=self.call_visit[c:d] - a,
            call_table=self.call_table[c:d],
            outcome=self.outcome[c:d],
            previous=self.previous[c:d],
            others=self.others[c:d],
            counted=self.counted[c:d],
            filtered=self.filtered[c:d],
            tied=self.tied[a:b],
            called=self.called[a:b],
            aside_row=self.aside_row[aside],
            aside_table=self.aside_table[aside],
            aside_outcome=self.aside_outcome[aside],
            aside_truth=self.aside_truth[aside],
            find_row=self.find_row[f:g],
            find_visit=self.find_visit[f:g] - a,
            find_method=self.find_method[f:g],
            effort=self.effort[f:g],
            grade=self.grade[f:g],
            unclear=self.unclear[f:g],
        )

    @property
    def found_any(self) -> Bool:
        """Shape (V, K): the species was found in the visit."""
        out = np.zeros((len(self.spot), self.grade.shape[1]), dtype=np.bool_)
        np.logical_or.at(out, self.find_visit, self.grade > 0)
        return out


def sum_sorted(values: Float, index: Int, n: int) -> Float:
    """Sums of rows by an ascending index, shape (n, ...); the order of the sums is the order of the
    rows."""
    out = np.zeros((n, *values.shape[1:]))
    if len(index):
        starts = np.flatnonzero(np.concatenate([[True], np.diff(index) != 0]))
        out[index[starts]] = np.add.reduceat(values, starts, axis=0)
    return out


def outcome_columns(outcome: Int, nodes: int) -> Int:
    """Columns of the call tables: 0 no echoes, 1 + node, n + 1 uncalled."""
    return np.where(outcome == NO_ECHOES, 0, np.where(outcome == UNCALLED, nodes + 1, outcome + 1))


def prepare(
    evidence: Evidence,
    options: Options,
    groups: Sequence[str],
    tables: Mapping[tuple[int, str], int],
    visit: Int | None = None,
) -> Prepared:
    """Sort evidence for the engine.

    Parameters
    ----------
    groups : sequence of G str
        The fit's groups, matched by name.
    tables : mapping
        Call table of (method, observer id); a pair not in it takes that of (method, "").
    visit : (N,), optional
        From `visits`; computed if left out.
    """
    e = evidence
    if visit is None:
        visit = visits(e, options.window_hours)
    order = np.lexsort((np.arange(len(e)), e.look, e.time, visit))
    v = visit[order]
    n_visits = int(v[-1]) + 1 if len(v) else 0
    head = order[np.searchsorted(v, np.arange(n_visits))] if n_visits else np.zeros(0, dtype=np.int64)
    spot = e.spot[head]
    number = {name: i for i, name in enumerate(groups)}
    group_of = np.array([number.get(name, len(groups)) for name in e.groups], dtype=np.int64)
    spot_group = group_of[e.group] if len(e.group) else np.zeros(0, dtype=np.int64)

    method = e.method[order]
    finds = (method == CAMERA) | (method == ROD)
    find = order[finds]
    find_method = (method[finds] == ROD).astype(np.int64)
    found = np.zeros(n_visits, dtype=np.bool_)
    np.logical_or.at(found, v[finds], (e.grade[find] > 0).any(axis=1))
    every_call = order[~finds]
    calls = _calls_in_use(e, every_call, v[~finds], found)
    tied = np.full(n_visits, -1, dtype=np.int64)
    with_tie = calls[e.tie[calls] >= 0][::-1]  # the first tie of a visit stands
    tied[visit[with_tie]] = e.tie[with_tie]
    calls = calls[(e.tie[calls] < 0) | (e.tie[calls] == tied[visit[calls]])]
    aside = every_call[e.sealed[every_call] & (e.tie[every_call] >= 0) & ~np.isin(every_call, calls)]
    call_visit = visit[calls]
    columns = outcome_columns(e.outcome[calls], len(e.taxa.codes))
    called = np.zeros(n_visits, dtype=np.bool_)
    called[call_visit[columns > 0]] = True
    return Prepared(
        spot=spot,
        time=e.time[head],
        group=spot_group[spot],
        season=season.features(e.time[head]),
        first=np.searchsorted(spot, np.arange(len(e.spots) + 1)),
        spot_group=spot_group,
        call_row=calls,
        call_visit=call_visit,
        call_table=_table_of(e, calls, tables),
        outcome=columns,
        previous=_copied_from(call_visit, e.observer[calls], columns),
        others=_copied_from_another(call_visit, e.observer[calls], columns),
        counted=e.sealed[calls],
        filtered=e.filtered[calls],
        tied=tied,
        called=called,
        aside_row=aside,
        aside_table=_table_of(e, aside, tables),
        aside_outcome=outcome_columns(e.outcome[aside], len(e.taxa.codes)),
        aside_truth=e.tie[aside],
        find_row=find,
        find_visit=v[finds],
        find_method=find_method,
        effort=_effort(e, find, find_method, options),
        grade=e.grade[find],
        unclear=e.unclear[find],
    )


def _table_of(e: Evidence, rows: Int, tables: Mapping[tuple[int, str], int]) -> Int:
    """Call table of each row: that of its method and observer, else of its method."""
    observers = len(e.observers)
    pairs = _CALL_INDEX[e.method[rows]] * observers + e.observer[rows]
    unique, inverse = np.unique(pairs, return_inverse=True)
    found = []
    for code in unique:
        method, observer = divmod(int(code), observers)
        found.append(tables.get((method, e.observers[observer]), tables[method, ""]))
    return np.asarray(found, dtype=np.int64)[inverse]


def _calls_in_use(e: Evidence, rows: Int, visit: Int, found: Bool) -> Int:
    """Call rows that speak about the visit's target, in order.

    One target a visit: of the groups of one look, the tied one speaks, else the first that names a fish,
    else the first. A call sealed after its proof knows the findings, so it says nothing new beside them.
    """
    e_outcome, tie = e.outcome[rows], e.tie[rows]
    names_fish = np.zeros(len(rows), dtype=np.bool_)
    at_node = e_outcome > NO_OUTCOME
    at_node &= e_outcome >= 0
    names_fish[at_node] = e.taxa.covers[e_outcome[at_node]].any(axis=1)
    rank = np.where(tie >= 0, 0, np.where(names_fish, 1, 2))
    position = np.arange(len(rows))
    order = np.lexsort((position, rank, e.look[rows], visit))
    lead = np.ones(len(rows), dtype=np.bool_)
    lead[1:] = (np.diff(visit[order]) != 0) | (np.diff(e.look[rows][order]) != 0)
    keep = np.zeros(len(rows), dtype=np.bool_)
    keep[order[lead[: len(order)]]] = True
    keep &= e.sealed[rows] | ~found[visit]
    return rows[keep]


def _copied_from(visit: Int, observer: Int, column: Int) -> Int:
    """Column of the latest earlier outcome with echoes, by the same observer in the visit; -1: none."""
    n = len(visit)
    made = np.full(n, -1, dtype=np.int64)
    if n < 2:
        return made
    order = np.lexsort((np.arange(n), observer, visit))
    v, o, c = visit[order], observer[order], column[order]
    block = np.concatenate([[0], np.cumsum((np.diff(v) != 0) | (np.diff(o) != 0))])
    latest = np.maximum.accumulate(np.where(c > 0, np.arange(n), -1))
    before = np.concatenate([[-1], latest[:-1]])
    ok = (before >= 0) & (block[np.maximum(before, 0)] == block)
    made[order] = np.where(ok, c[np.maximum(before, 0)], -1)
    return made


def _copied_from_another(visit: Int, observer: Int, column: Int) -> Int:
    """Column of the latest earlier outcome with echoes, by another observer in the visit; -1: none."""
    n = len(visit)
    made = np.full(n, -1, dtype=np.int64)
    echoes = np.flatnonzero(column > 0)
    if n < 2 or not len(echoes):
        return made
    v, o = visit[echoes], observer[echoes]
    opens = np.concatenate([[True], (np.diff(v) != 0) | (np.diff(o) != 0)])
    before_run = np.maximum.accumulate(np.where(opens, np.arange(len(v)), 0)) - 1
    latest = np.searchsorted(echoes, np.arange(n)) - 1
    own = (latest >= 0) & (v[latest] == visit) & (o[latest] == observer)
    at = np.where(own, before_run[latest], latest)
    ok = (at >= 0) & (v[at] == visit)
    made[ok] = column[echoes[at[ok]]]
    return made


def _effort(e: Evidence, rows: Int, method: Int, options: Options) -> Float:
    """Covered minutes of camera rows, rod-hours of rod rows; a finding has at least a little effort."""
    cover = camera_coverage(
        e.secchi_m[rows],
        e.cover_height_m[rows],
        e.cover_size_m[rows],
        default_secchi_m=options.default_secchi_m,
        default_size_m=options.default_cover_size_m,
    )
    minutes = np.where(np.isnan(e.minutes[rows]), options.default_minutes, e.minutes[rows])
    hours = np.where(np.isnan(e.rod_hours[rows]), options.default_rod_hours, e.rod_hours[rows])
    effort = np.where(method == 1, hours, minutes * cover)
    return np.where(e.seen[rows].any(axis=1), np.maximum(effort, _LEAST_EFFORT), effort)
