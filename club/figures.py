"""Figures drawn on the server as SVG or HTML strings: doubt, seasons, effort, depth.

No Django and no colours in here beyond fallbacks: shapes carry classes that ``figures.css`` paints. No inline
styles, no ids (two worlds that differ in a secret must answer with the same bytes), no scripts. Horizontal
places are percentages of the figure's own width, so that a figure fits any column while its words keep their
size. Probabilities are 0 to 1; every one is drawn with its 90 % interval.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import Any, Final

from club.signs import DRAWINGS, GRADE_WORDS, sign

MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
MONTHS_LONG: Final = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
NO_BREAK: Final = "\u00a0"

#: Tally marks are drawn up to this many; beyond, a number reads faster.
TALLY_MOST: Final = 10
_PLOT: Final = 66  # px, height of one species' band in the ribbon
_PLUMB: Final = DRAWINGS["plumb"]


@dataclass(frozen=True)
class Month:
    """One month of a season profile.

    month: 1 to 12. probability, lo, hi: 0 to 1, estimate and 90 % interval. looks: how many.
    camera_minutes: minutes. rod_hours: hours. grade: best grade of the month, 'none' when looked and none
    found, '' when not looked.
    """

    month: int
    probability: float
    lo: float
    hi: float
    looks: int = 0
    camera_minutes: float = 0.0
    rod_hours: float = 0.0
    grade: str = ""

    @classmethod
    def of(cls, item: Month | Mapping[str, Any]) -> Month:
        """From a mapping with the same names, or with the API's ``interval`` and ``effort``."""
        if isinstance(item, Month):
            return item
        interval = item["interval"] if "interval" in item else (item["lo"], item["hi"])
        effort = item.get("effort") or item
        return cls(
            month=int(item["month"]),
            probability=float(item["probability"]),
            lo=float(interval[0]),
            hi=float(interval[1]),
            looks=int(effort.get("looks") or 0),
            camera_minutes=float(effort.get("camera_minutes") or 0),
            rod_hours=float(effort.get("rod_hours") or 0),
            grade=str(item.get("grade") or ""),
        )


def percent(p: float) -> str:
    """'64', or 'under 1' and 'over 99' at the ends: nothing here is known to be 0 or 100 % so."""
    _check(p)
    if p < 0.005:
        return "under 1"
    if p >= 0.995:
        return "over 99"
    return f"{p * 100:.0f}"


def interval_words(lo: float, hi: float, unit: str = f"{NO_BREAK}%") -> str:
    """'41 to 82 %'. ValueError unless 0 <= lo <= hi <= 1."""
    _check(lo, hi)
    return f"{percent(lo)} to {percent(hi)}{unit}"


def doubt_words(p: float, lo: float, hi: float) -> str:
    """'64 %, 90 % interval 41 to 82 %': how a probability is spoken."""
    return f"{percent(p)}{NO_BREAK}%, 90{NO_BREAK}% interval {interval_words(lo, hi)}"


def _check(*values: float) -> None:
    for value in values:
        if not 0 <= value <= 1:  # NaN fails this too
            raise ValueError(f"a probability must lie between 0 and 1, not {value}")
    if any(a > b for a, b in pairwise(values)):
        raise ValueError(f"an interval must run from low to high, not {values}")


def _pc(p: float) -> str:
    """A probability as an SVG percentage, at most two decimals."""
    return f"{p * 100:.2f}".rstrip("0").rstrip(".") + "%"


def _number(value: float) -> str:
    """'6', '0.5', '3.5': at most one decimal."""
    return f"{value:.1f}".removesuffix(".0")


def interval_bar(p: float, lo: float, hi: float, *, spoken: bool = True, width: int | None = None) -> str:
    """List and map size: line 0 to 100, band the 90 % interval, tick the estimate.

    ``spoken`` False where the same figures stand beside it in words. ``width`` px, else the column's.
    """
    _check(lo, hi)
    _check(p)
    named = f'role="img" aria-label="{doubt_words(p, lo, hi)}"' if spoken else 'aria-hidden="true"'
    return (
        f'<svg class="bar" {named} width="{width or "100%"}" height="16" focusable="false">'
        '<path class="bar-end" d="M.5 4v8"/><line class="bar-line" x1="0" y1="8" x2="100%" y2="8"/>'
        '<svg x="100%" overflow="visible"><path class="bar-end" d="M-.5 4v8"/></svg>'
        f'<rect class="bar-band" x="{_pc(lo)}" y="3" width="{_pc(hi - lo)}" height="10"/>'
        f'<line class="bar-tick" x1="{_pc(p)}" y1="1" x2="{_pc(p)}" y2="15"/></svg>'
    )


def ruled_scale(p: float, lo: float, hi: float) -> str:
    """Full size: a rule from 0 to 100 %, a band for the 90 % interval, a plumb on the estimate."""
    _check(lo, hi)
    _check(p)
    ticks = "".join(
        f'<line class="scale-tick" x1="{at}%" y1="36" x2="{at}%" y2="{46 if at % 10 == 0 else 41}"/>'
        for at in range(0, 101, 5)
    )
    # The two figures are set outward from the band's ends where they would otherwise run together.
    near = hi - lo < 0.14
    left, right = ("end", "start") if near else ("middle", "middle")
    return (
        f'<svg class="scale" role="img" aria-label="{doubt_words(p, lo, hi)}" width="100%" height="66"'
        ' focusable="false">'
        f'<rect class="bar-band" x="{_pc(lo)}" y="20" width="{_pc(hi - lo)}" height="16"/>'
        f'<text class="scale-ends" x="{_pc(lo)}" y="14" text-anchor="{left}">{percent(lo)}</text>'
        f'<text class="scale-ends" x="{_pc(hi)}" y="14" text-anchor="{right}">{percent(hi)}</text>'
        f'<line class="scale-rule" x1="0" y1="36" x2="100%" y2="36"/>{ticks}'
        '<text class="axis" x="0" y="62">0</text>'
        '<text class="axis" x="50%" y="62" text-anchor="middle">50</text>'
        '<text class="axis" x="100%" y="62" text-anchor="end">100 %</text>'
        f'<svg x="{_pc(p)}" overflow="visible"><line class="scale-line" x1="0" y1="-4" x2="0" y2="10"/>'
        f'<svg class="scale-plumb" x="-14" y="7" width="28" height="30" viewBox="0 0 24 24">{_PLUMB}</svg>'
        "</svg>"
        "</svg>"
    )


def tally(n: int) -> str:
    """Tally marks in fives; a plain number beyond ``TALLY_MOST``; 'none' for 0. ValueError below 0."""
    if n < 0:
        raise ValueError(f"a tally cannot be negative: {n}")
    if n == 0:
        return '<span class="tally-none">none</span>'
    if n > TALLY_MOST:
        return f'<span class="tally-number">{n}</span>'
    path: list[str] = []
    x = 1.0
    for start in range(0, n, 5):
        count = min(5, n - start)
        for stroke in range(min(count, 4)):
            path.append(f"M{x + stroke * 4:g} 2v11")
        if count == 5:
            path.append(f"M{x - 1.5:g} 11.5L{x + 14:g} 3.5")
        x += 19 if count == 5 else count * 4
    width = x - 2
    return (
        f'<svg class="tally" role="img" aria-label="{n}" width="{width:g}" height="15"'
        f' viewBox="0 0 {width:g} 15" focusable="false"><path d="{"".join(path)}"/></svg>'
    )


def _hatch_lines() -> str:
    return "".join(f"M{x} {_PLOT}l{_PLOT}-{_PLOT}" for x in range(-_PLOT, 150, 8))


_HATCH: Final = _hatch_lines()
_GRID: Final = "".join(
    f'<line class="ribbon-grid{extra}" x1="0" y1="{y}" x2="100%" y2="{y}"/>'
    for y, extra in ((0.5, ""), (_PLOT / 2, ""), (_PLOT - 0.5, " ribbon-base"))
)


def _month_svg(month: Month) -> str:
    top, low = (1 - month.hi) * _PLOT, (1 - month.lo) * _PLOT
    height = max(low - top, 1)
    if month.looks:
        at = (1 - month.probability) * _PLOT
        inside = (
            f'<rect class="bar-band" x="24%" y="{top:.1f}" width="52%" height="{height:.1f}"/>'
            f'<line class="ribbon-tick" x1="20%" y1="{at:.1f}" x2="80%" y2="{at:.1f}"/>'
        )
        hatch = ""
    else:
        inside = f'<rect class="ribbon-guess" x="30%" y="{top:.1f}" width="40%" height="{height:.1f}"/>'
        hatch = (
            f'<svg class="clip" width="100%" height="{_PLOT}"><path class="ribbon-hatch" d="{_HATCH}"/></svg>'
        )
    return (
        f'<svg class="ribbon-month" width="100%" height="{_PLOT}" aria-hidden="true" focusable="false">'
        f"{hatch}{_GRID}{inside}</svg>"
    )


def _month_words(month: Month) -> str:
    if not month.looks:
        guess = doubt_words(month.probability, month.lo, month.hi)
        return f"not looked; a guess from like spots: {guess}"
    words = GRADE_WORDS.get(month.grade or "none", month.grade)
    return f"{words}; {doubt_words(month.probability, month.lo, month.hi)}"


_AXIS: Final = (
    f'<svg class="ribbon-axis" width="26" height="{_PLOT}" aria-hidden="true" focusable="false">'
    f'<text class="axis" x="22" y="4" text-anchor="end">100</text>'
    f'<text class="axis" x="22" y="{_PLOT // 2 + 4}" text-anchor="end">50</text>'
    f'<text class="axis" x="22" y="{_PLOT + 3}" text-anchor="end">0</text></svg>'
)


def season_ribbon(
    rows: Sequence[tuple[str, Sequence[Month | Mapping[str, Any]]]],
    current: int | None = None,
    *,
    compact: bool = False,
    caption: str = "Through the year",
) -> str:
    """Season profile of one or several species as one table: a column a month, a band a species.

    rows: (species name, its 12 months in order); the effort beneath is the first row's, since a look
    counts for every species. current: the month set off, 1 to 12. compact: for panels and small screens,
    one effort row in figures and month letters. Months looked in have solid bands, others are hatched with
    a dashed guess; an open ring says looked, none found. ValueError unless every row has 12 months.
    """
    if not rows:
        raise ValueError("a season ribbon needs at least one species")
    table = [(name, [Month.of(item) for item in months]) for name, months in rows]
    for name, months in table:
        if [m.month for m in months] != list(range(1, 13)):
            raise ValueError(f"{name or 'the ribbon'}: months must be 1 to 12 in order")

    def cell(tag: str, month: int, inner: str, attributes: str = "") -> str:
        chosen = ' class="this-month"' if month == current else ""
        return f"<{tag}{chosen}{attributes}>{inner}</{tag}>"

    body: list[str] = []
    for name, months in table:
        if name and not compact:
            # The name is written once to be read; the next row's header says it to screen readers.
            body.append(
                '<tr class="ribbon-name" aria-hidden="true"><td></td>'
                f'<td colspan="12">{escape(name)}</td></tr>'
            )
        cells = "".join(
            cell(
                "td",
                m.month,
                '<span class="ribbon-sign">'
                + (sign(m.grade or "none", "", 14) if m.looks else "")
                + f"</span>{_month_svg(m)}"
                + f'<span class="sr-only">{_month_words(m)}</span>',
            )
            for m in months
        )
        label = escape(name) if name else "Chance"
        body.append(
            f'<tr class="ribbon-band"><th scope="row"><span class="sr-only">{label}</span>'
            f'<span class="ribbon-sign"></span>{_AXIS}</th>{cells}</tr>'
        )
    effort = table[0][1]
    foot = [_effort_row("looks", effort, current, compact)]
    if not compact:
        foot.append(_effort_row("camera", effort, current, compact))
        foot.append(_effort_row("rod", effort, current, compact))
    heads = "".join(
        cell(
            "th",
            m,
            f'<span aria-hidden="true"><span class="m-one">{MONTHS[m - 1][0]}</span>'
            f'<span class="m-three">{MONTHS[m - 1]}</span></span><span class="sr-only">{MONTHS_LONG[m - 1]}'
            f"{', chosen' if m == current else ''}</span>",
            ' scope="col"',
        )
        for m in range(1, 13)
    )
    kind = " ribbon-compact" if compact else ""
    return (
        f'<table class="ribbon{kind}"><caption class="sr-only">{escape(caption)}, chance with 90{NO_BREAK}% '
        f"interval</caption><thead><tr><td></td>{heads}</tr></thead><tbody>{''.join(body)}</tbody>"
        f'<tbody class="ribbon-effort">{"".join(foot)}</tbody></table>'
    )


def _effort_row(kind: str, months: Sequence[Month], current: int | None, compact: bool) -> str:
    cells: list[str] = []
    for m in months:
        chosen = ' class="this-month"' if m.month == current else ""
        if kind == "looks":
            many = tally(m.looks)
            if m.looks == 0:
                inner = '<span aria-hidden="true">–</span><span class="sr-only">none</span>'
                inner = (
                    inner if compact else f'<span class="wide">none</span><span class="narrow">{inner}</span>'
                )
            else:
                inner = (
                    str(m.looks)
                    if compact
                    else (f'<span class="wide">{many}</span><span class="narrow">{m.looks}</span>')
                )
        elif kind == "camera":
            inner = f"{_number(m.camera_minutes)} min" if m.camera_minutes else ""
        else:
            inner = f"{_number(m.rod_hours)} h" if m.rod_hours else ""
        cells.append(f"<td{chosen}>{inner}</td>")
    return f'<tr class="effort-{kind}"><th scope="row">{kind}</th>{"".join(cells)}</tr>'


def verified_year(months: Sequence[bool], current: int | None = None) -> str:
    """Twelve boxes, solid where a month had a verified fish. ValueError unless there are 12."""
    if len(months) != 12:
        raise ValueError(f"a year has 12 months, not {len(months)}")
    boxes = "".join(
        f'<li class="{"verified" if yes else "open"}{" this-month" if m == current else ""}">'
        f'<svg width="100%" height="14" aria-hidden="true" focusable="false">'
        '<rect x=".5" y=".5" width="100%" height="13"/></svg>'
        f'<span aria-hidden="true">{MONTHS[m - 1][0]}</span>'
        f'<span class="sr-only">{MONTHS_LONG[m - 1]}: {"verified" if yes else "not verified"}</span></li>'
        for m, yes in enumerate(months, start=1)
    )
    return f'<ol class="verified-boxes">{boxes}</ol>'


def ribbon_key(*, guesses: bool = True) -> str:
    """The ribbon's key: band, open ring, hatch."""
    bar = (
        '<svg class="bar" aria-hidden="true" width="36" height="16" focusable="false">'
        '<path class="bar-end" d="M.5 4v8M35.5 4v8"/><path class="bar-line" d="M0 8h36"/>'
        '<rect class="bar-band" x="11" y="3" width="16" height="10"/>'
        '<path class="bar-tick" d="M19 1v14"/></svg>'
    )
    hatch = (
        '<svg class="bar" aria-hidden="true" width="18" height="16" focusable="false">'
        '<path class="ribbon-hatch" d="M0 6l6-6M0 13L13 0M3 16L18 1M10 16l8-8"/></svg>'
    )
    words = "not looked: a guess from like spots" if guesses else "not looked"
    return (
        f'<p class="ribbon-key"><span>{bar} chance, 90{NO_BREAK}% interval</span>'
        f"<span>{sign('none', '', 14)} looked, none found</span><span>{hatch} {words}</span></p>"
    )
