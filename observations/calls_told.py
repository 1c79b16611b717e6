"""The stored reliability as the calls page tells it: confusion by method, sentences, calibration, quarters.

Nothing is estimated here; every share comes from the refit with its interval, every count from its proofs.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from club.call_figures import Bin, share_square
from observations.lessons import share_interval
from observations.models import Reliability, Species
from observations.reliability import NONE
from observations.visits import Kinds
from observations.words import SHORT_METHOD

COLUMNS, ROWS = 4, 6
# Below this many proofs a row is a hint, and no calibration is drawn.
FEW, LINE_AT = 10, 10
# Neighbouring bins of stated probabilities are drawn as one until they hold as many calls.
LEAST_IN_BIN = 5
# A sentence speaks of at least this many proofs of one kind of call.
LEAST_SAID, SENTENCES = 2, 4
UNCALLED = "uncalled"
_NAMES = {NONE: "no fish", UNCALLED: "echoes, not called"}


class Words:
    """Names of species and kinds, and which truth makes a call right."""

    def __init__(self) -> None:
        species = list(Species.objects.order_by("order", "code"))
        self.names = {item.code: item.name for item in species} | _NAMES
        self.order = {item.code: number for number, item in enumerate(species)}
        self._kinds = Kinds()

    def right(self, call: str, truth: str, modelled: Sequence[str]) -> bool:
        if truth != NONE:
            return self._kinds.covers(call, truth)
        return call != UNCALLED and not any(self._kinds.covers(call, fish) for fish in modelled)


@dataclass(frozen=True)
class Cell:
    """One truth behind one call. No share: too unlikely to be told, and never proved."""

    truth: str
    share: float | None
    low: float | None
    high: float | None
    proofs: int
    right: bool
    beside: "Cell | None" = None

    @property
    def square(self) -> str:
        return share_square(self.share or 0.0, self.proofs, self.right)


@dataclass(frozen=True)
class Row:
    """One kind of call: how often it was made, what it turned out to be, and how far it held."""

    call: str
    made: int
    proofs: int
    right_proofs: int
    right: float | None
    low: float | None
    high: float | None
    cells: list[Cell]
    every: list[Cell]

    @property
    def few(self) -> bool:
        return self.proofs < FEW


@dataclass(frozen=True)
class Matrix:
    """One method's confusion: columns are truths, rows are calls."""

    method: str
    name: str
    proofs: int
    columns: list[str]
    rows: list[Row]
    rare: list[Row]
    called_only: list[str]


def columns(rows: Sequence[Reliability], words: Words) -> list[str]:
    """Return the truths that have a column in each of these tables: the likeliest, and no fish."""
    weight: dict[str, float] = {}
    for call in (call for row in rows for call in row.body["calls"]):
        for truth in call["truths"]:
            told = call["made"] * truth["probability"] + 3 * truth["proofs"]
            weight[truth["species"]] = weight.get(truth["species"], 0.0) + told
    heaviest = sorted((code for code in weight if code != NONE), key=lambda code: (-weight[code], code))
    return [*sorted(heaviest[:COLUMNS], key=lambda code: words.order.get(code, 0)), NONE]


def matrix(row: Reliability, chosen: Sequence[str], words: Words) -> Matrix:
    """Return the table of a method. The chosen truths have a column each, the rest share the last."""
    body = row.body
    modelled = [item["species"] for item in body["echoes"] if item["species"] != NONE]
    rows = [_row(call, chosen, modelled, words) for call in body["calls"]]
    # What names no kind of fish stands last.
    unsaid = {_NAMES[UNCALLED], *(words.names.get(code, code) for code in ("fish", "not-fish"))}
    named = sorted((r for r in rows if r.call not in unsaid), key=lambda r: (-r.made, r.call))
    last = [r for r in rows if r.call in unsaid]
    if body.get("blank"):
        last.append(_blank(body, chosen, words))
    return Matrix(
        method=row.method,
        name=SHORT_METHOD[row.method],  # type: ignore[index]
        proofs=sum(call["proofs"] for call in body["calls"]),
        # A soft hyphen lets the longest names break.
        columns=[words.names[code].replace("mouth", "\u00admouth") for code in chosen] + ["other"],
        rows=named[:ROWS] + last,
        rare=named[ROWS:],
        called_only=[words.names.get(code, code) for code in body["called_only"]],
    )


def _row(call: Mapping[str, Any], chosen: Sequence[str], modelled: Sequence[str], words: Words) -> Row:
    code = call["call"]
    every = [_cell(truth, words.right(code, truth["species"], modelled), words) for truth in call["truths"]]
    low, high = call.get("right_interval") or (None, None)
    right = call.get("right")
    return Row(
        call=words.names.get(code, code),
        made=call["made"],
        proofs=call["proofs"],
        right_proofs=call.get("right_proofs", 0),
        right=None if low is None or high is None else right,
        low=low,
        high=high,
        cells=_laid(every, chosen, words, lambda truth: words.right(code, truth, modelled)),
        every=every,
    )


def _blank(body: Mapping[str, Any], chosen: Sequence[str], words: Words) -> Row:
    """Return the row of looks that showed nothing: they hold true where there was no fish."""
    every = [_cell({"proofs": 0, **truth}, truth["species"] == NONE, words) for truth in body["no_echoes"]]
    none = next((cell for cell in every if cell.right), None)
    return Row(
        call="no echoes",
        made=body["blank"],
        proofs=0,
        right_proofs=0,
        right=none.share if none else None,
        low=none.low if none else None,
        high=none.high if none else None,
        cells=_laid(every, chosen, words, lambda truth: truth == NONE),
        every=every,
    )


def _cell(truth: Mapping[str, Any], right: bool, words: Words) -> Cell:
    low, high = truth.get("interval") or (None, None)
    name = words.names.get(truth["species"], truth["species"])
    return Cell(name, truth["probability"], low, high, truth["proofs"], right)


def _laid(every: Sequence[Cell], chosen: Sequence[str], words: Words, right: Any) -> list[Cell]:
    by_name = {cell.truth: cell for cell in every}
    named = {words.names[code]: code for code in chosen}
    cells = [
        by_name.get(name) or Cell(name, None, None, None, 0, right(code)) for name, code in named.items()
    ]
    rest = [cell for cell in every if cell.truth not in named]
    right_rest, wrong_rest = (_summed([c for c in rest if c.right is held]) for held in (True, False))
    # Both kinds stand in the last column, each with its own square.
    cells.append(
        replace(right_rest, beside=wrong_rest)
        if right_rest and wrong_rest
        else (right_rest or wrong_rest or Cell("other", None, None, None, 0, False))
    )
    return cells


def _summed(cells: Sequence[Cell]) -> Cell | None:
    if not cells:
        return None
    share = min(1.0, sum(cell.share or 0.0 for cell in cells))
    low, high = (cells[0].low, cells[0].high) if len(cells) == 1 else (None, None)
    return Cell("other", share, low, high, sum(cell.proofs for cell in cells), cells[0].right)


@dataclass(frozen=True)
class Sentence:
    """What an observer is told of one kind of call: how many proofs, what they were, how sure that is."""

    method: str
    call: str
    proofs: int
    times: int
    truth: str  # empty: right
    low: float
    high: float
    sure: str


def sentences(rows: Sequence[Reliability], words: Words) -> list[Sentence]:
    """Return what is best proved of these tables, most proofs first; mistakes first where they are more."""
    found: list[Sentence] = []
    for row in rows:
        modelled = [item["species"] for item in row.body["echoes"] if item["species"] != NONE]
        for call in row.body["calls"]:
            told = _row(call, [], modelled, words)
            if call["proofs"] < LEAST_SAID or told.low is None or told.high is None:
                continue
            wrong = max((c for c in told.every if not c.right), key=lambda c: c.proofs, default=None)
            times, truth, low, high = told.right_proofs, "", told.low, told.high
            if wrong and wrong.proofs > times and wrong.low is not None and wrong.high is not None:
                times, truth, low, high = wrong.proofs, wrong.truth, wrong.low, wrong.high
            name = SHORT_METHOD[row.method]  # type: ignore[index]
            found.append(Sentence(name, told.call, told.proofs, times, truth, low, high, sure(low, high)))
    found.sort(key=lambda one: (-one.proofs, not one.truth, one.method, one.call))
    return found[:SENTENCES]


def sure(low: float, high: float) -> str:
    """Return how well a share is known, in words: by the width of its interval."""
    width = high - low
    return "well known" if width < 0.2 else "roughly known" if width < 0.4 else "hardly known yet"


@dataclass(frozen=True)
class Stated:
    """How well stated probabilities held."""

    proofs: int
    brier: float | None
    brier_error: float | None
    reliability: float | None
    resolution: float | None
    uncertainty: float | None
    log_score: float | None
    bins: list[Bin]

    @property
    def error(self) -> float | None:
        """Half the 90 % interval of the Brier score."""
        return None if self.brier_error is None else 1.645 * self.brier_error

    @property
    def drawn(self) -> bool:
        return self.proofs >= LINE_AT

    @property
    def most(self) -> Bin | None:
        """The bin that most calls fell into: what can be said with the least doubt."""
        return max(self.bins, key=lambda one: (one.count, one.stated), default=None)

    @property
    def verdict(self) -> str:
        one = self.most
        if one is None:
            return ""
        if one.high < one.stated:
            return "surer than it turned out"
        if one.low > one.stated:
            return "less sure than it turned out"
        return "in line, as far as that many calls can tell"


def stated(row: Reliability | None) -> Stated | None:
    if row is None:
        return None
    body = row.body
    bins = _pooled(body["diagram"])
    told = {name: body.get(name) for name in Stated.__dataclass_fields__ if name not in ("proofs", "bins")}
    return Stated(proofs=body["proofs"], bins=bins, **told)


def _pooled(diagram: Sequence[Mapping[str, Any]]) -> list[Bin]:
    """Return the bins, neighbours taken together until each holds `LEAST_IN_BIN` calls; Jeffreys' intervals."""
    groups: list[list[Mapping[str, Any]]] = [[]]
    for one in diagram:
        if sum(b["count"] for b in groups[-1]) >= LEAST_IN_BIN:
            groups.append([])
        groups[-1].append(one)
    if len(groups) > 1 and sum(b["count"] for b in groups[-1]) < LEAST_IN_BIN:
        groups[-2:] = [groups[-2] + groups[-1]]
    made = []
    for group in groups:
        count = sum(b["count"] for b in group)
        if count:
            hits = round(sum(b["observed"] * b["count"] for b in group))
            mean = sum(b["stated"] * b["count"] for b in group) / count
            made.append(Bin(mean, hits / count, *share_interval(hits, count), count))
    return made


@dataclass(frozen=True)
class Share:
    """So many of so many were right, with Jeffreys' 90 % interval; nothing counted is nothing said."""

    what: str
    right: int
    proofs: int
    brier: float | None = None

    @property
    def share(self) -> float:
        return self.right / self.proofs

    @property
    def low(self) -> float:
        return share_interval(self.right, self.proofs)[0]

    @property
    def high(self) -> float:
        return share_interval(self.right, self.proofs)[1]


def quarters(row: Reliability | None) -> list[Share]:
    """Return the quarters with a proof, oldest first."""
    told = row.body.get("quarters", []) if row else []
    return [Share(_quarter(q["quarter"]), q["right"], q["proofs"], q["brier"]) for q in told if q["proofs"]]


def _quarter(text: str) -> str:
    year, _, number = text.partition("-Q")
    return f"{('Jan to Mar', 'Apr to Jun', 'Jul to Sep', 'Oct to Dec')[int(number) - 1]} {year}"


def right_share(rows: Sequence[Reliability], what: str) -> Share:
    """Return how many proved calls of these tables were right."""
    calls = [call for row in rows for call in row.body["calls"] if call.get("right") is not None]
    return Share(what, sum(c["right_proofs"] for c in calls), sum(c["proofs"] for c in calls))
