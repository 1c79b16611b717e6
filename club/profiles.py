"""Where fish were in the water and in the cover: depth and placement, as one figure. No Django here.

A schematic, not a picture of the spot: columns are the placements, heights are depths, one sign a fish. The
shares beside it come with their 90 % intervals, which the caller works out.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

from club.figures import doubt_words
from club.signs import DRAWINGS, GRADE_WORDS

_Scale = Callable[[float], float]  # depth to px

#: Columns, in this order; those of the second group only where something was.
PLACEMENTS: Final = ("over", "in", "beside", "in front", "on bottom", "suspended", "roaming")
_ALWAYS: Final = 4
_HEIGHT: Final = 190  # px
_FOOT: Final = 20  # px under the bottom line


@dataclass(frozen=True)
class Fish:
    """One fish: depth in the figure's unit below the surface, a placement (or ''), its grade."""

    depth: float
    placement: str
    grade: str


@dataclass(frozen=True)
class Band:
    """A band of depth, in the figure's unit, and the share of fish in it with its 90 % interval, 0 to 1."""

    top: float
    bottom: float
    fish: int
    share: float
    lo: float
    hi: float


def depth_profile(
    fish: Sequence[Fish], bands: Sequence[Band], *, bottom: float, top: float = 0.0, unit: str = "m"
) -> str:
    """Fish by depth and placement, with the share in each band beside it.

    bottom: depth of the bed; top: where the figure begins. All in ``unit``. ValueError when the bed is not
    below the top, or a depth is not a number.
    """
    if not top < bottom:
        raise ValueError(f"the bed ({bottom}) must lie below the figure's top ({top})")
    if any(not math.isfinite(f.depth) for f in fish):
        raise ValueError("every depth must be a number")
    used = Counter(f.placement for f in fish)
    columns = [p for i, p in enumerate(PLACEMENTS) if i < _ALWAYS or used[p]]

    def y(depth: float) -> float:
        share = (min(max(depth, top), bottom) - top) / (bottom - top)
        return round(share * (_HEIGHT - _FOOT), 1)

    heads = "".join(f"<li><b>{used[p]}</b> {escape(p)}</li>" for p in columns)
    unplaced = sum(n for p, n in used.items() if p not in columns)
    note = f", {unplaced} without a placement" if unplaced else ""
    said = ", ".join(f"{used[p]} {p}" for p in columns if used[p]) or "none placed"
    return (
        f'<figure class="profile"><figcaption>{len(fish)} fish: {escape(said)}{note}</figcaption>'
        f'<div class="profile-row">{_axis(top, bottom, unit, y)}'
        f'<div class="profile-water">{_section(fish, columns, y)}'
        f'<ol class="profile-heads" aria-hidden="true">{heads}</ol></div>'
        f"{_shares(bands, y)}</div>{_table(bands, unit)}</figure>"
    )


def _step(span: float) -> int:
    """A whole step that gives about five divisions."""
    for step in (1, 2, 5, 10, 20, 50):
        if span / step <= 7:
            return step
    return 100


def _axis(top: float, bottom: float, unit: str, y: _Scale) -> str:
    step = _step(bottom - top)
    at = range(math.ceil(top / step) * step, math.floor(bottom) + 1, step)
    ticks = "".join(
        f'<path class="profile-tick" d="M28 {y(d)}h6"/>'
        f'<text class="axis" x="24" y="{y(d) + 4:g}" text-anchor="end">{d}</text>'
        for d in at
    )
    return (
        f'<svg class="profile-axis" aria-hidden="true" width="34" height="{_HEIGHT}" focusable="false">'
        f'<text class="axis" x="24" y="-8" text-anchor="end">{escape(unit)}</text>{ticks}</svg>'
    )


def _section(fish: Sequence[Fish], columns: Sequence[str], y: _Scale) -> str:
    bed = _HEIGHT - _FOOT
    width = 100 / len(columns)
    rules = "".join(
        f'<line class="profile-rule" x1="{width * i:.2f}%" y1="0" x2="{width * i:.2f}%" y2="{bed}"/>'
        for i in range(1, len(columns))
    )
    signs: list[str] = []
    for index, one in enumerate(f for f in fish if f.placement in columns):
        # Spread over the column by a fixed sequence (the golden ratio's), so that signs do not pile up
        # and the same fish always stand in the same places.
        across = columns.index(one.placement) + 0.18 + 0.64 * ((index * 0.618034) % 1)
        key = one.grade if one.grade in GRADE_WORDS and one.grade else "called"
        signs.append(
            f'<svg x="{across * width:.2f}%" y="{y(one.depth)}" overflow="visible">'
            f'<svg class="mark mark-{key}" x="-7" y="-7" width="14" height="14" viewBox="0 0 24 24">'
            f"{DRAWINGS[key]}</svg></svg>"
        )
    return (
        f'<svg class="profile-section" aria-hidden="true" width="100%" height="{_HEIGHT}" focusable="false">'
        f'<rect class="profile-blue" width="100%" height="{bed}"/>'
        f'<rect class="profile-bed" y="{bed}" width="100%" height="{_FOOT}"/>{rules}'
        f'<line class="profile-line" x1="0" y1="{bed}" x2="100%" y2="{bed}"/>'
        f'<rect class="profile-frame" width="100%" height="{_HEIGHT}"/>{"".join(signs)}</svg>'
    )


def _stroke(kind: str, x1: float, y1: float, x2: float, y2: float) -> str:
    """A line; x as shares of the width, y in px."""
    return f'<line class="{kind}" x1="{x1 * 100:.2f}%" y1="{y1:.1f}" x2="{x2 * 100:.2f}%" y2="{y2:.1f}"/>'


def _shares(bands: Sequence[Band], y: _Scale) -> str:
    """Bars to the right: the line is 0 to 100 %, the bar the share, the whisker its 90 % interval."""
    parts: list[str] = []
    for band in bands:
        above, below = y(band.top), y(band.bottom)
        if below - above < 2:
            continue
        middle = (above + below) / 2
        inner, lower = above + 1, below - 1
        parts += [
            f'<rect class="profile-share" y="{inner:.1f}" width="{band.share * 100:.2f}%"'
            f' height="{lower - inner:.1f}"/>',
            _stroke("profile-whisker", band.lo, middle, band.hi, middle),
            _stroke("profile-whisker", band.lo, middle - 4, band.lo, middle + 4),
            _stroke("profile-whisker", band.hi, middle - 4, band.hi, middle + 4),
            _stroke("bar-tick", band.share, inner, band.share, lower),
        ]
    bed = _HEIGHT - _FOOT
    return (
        f'<svg class="profile-shares" aria-hidden="true" width="100" height="{_HEIGHT}" focusable="false">'
        f'<text class="axis" x="0" y="-8">share of fish</text>{"".join(parts)}'
        f'<path class="profile-line" d="M0 0v{bed}"/>'
        f'<text class="axis" x="0" y="{bed + 15}" text-anchor="middle">0</text>'
        f'<text class="axis" x="50%" y="{bed + 15}" text-anchor="middle">50</text>'
        f'<text class="axis" x="100%" y="{bed + 15}" text-anchor="end">100 %</text></svg>'
    )


def _table(bands: Sequence[Band], unit: str) -> str:
    """The same for screen readers."""
    rows = "".join(
        f'<tr><th scope="row">{band.top:g} to {band.bottom:g} {escape(unit)}</th><td>{band.fish}</td>'
        f"<td>{doubt_words(band.share, band.lo, band.hi)}</td></tr>"
        for band in bands
    )
    return (
        '<table class="sr-only"><caption>Share of fish by depth</caption><thead><tr>'
        '<th scope="col">Depth</th><th scope="col">Fish</th><th scope="col">Share</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )
