"""Figures of how far calls can be believed, drawn on the server: squares of a confusion table, calibration.

As in `club.figures`: shapes carry classes, places are percentages of the figure's own width, no ids, no styles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from club.figures import doubt_words, percent

_CELL: Final = (50, 40)  # px
_MOST: Final = 36  # px, side of the square of a share of 1
_INSIDE: Final = 22  # px, from this side on the number stands inside the square
LEAST_DRAWN: Final = 0.02
_PLOT: Final = 240  # px, height of the calibration plot


def share_square(share: float, proofs: int, right: bool) -> str:
    """A square whose area is the share; the number of proofs stands in it, or beside it when it is small.

    Without a proof the square is hollow: the share is then what like calls and the fit say. Silent: the cell says
    its figures in words.
    """
    if not 0 <= share <= 1 or proofs < 0:
        raise ValueError(
            f"a share must lie between 0 and 1 and proofs be 0 or more, not {share} and {proofs}"
        )
    width, height = _CELL
    side = _MOST * share**0.5
    inside = side >= _INSIDE
    kind = ("right" if right else "wrong") if proofs else "guess"
    square = ""
    if share >= LEAST_DRAWN or proofs:
        side = max(side, 5.0)
        square = (
            f'<rect class="sq-{kind}" x="{20 - side / 2:.1f}" y="{(height - side) / 2:.1f}"'
            f' width="{side:.1f}" height="{side:.1f}"/>'
        )
    x, anchor = (20.0, "middle") if inside or not square else (20 + side / 2 + 4, "start")
    paint = f" in-{kind}" if inside else "" if proofs else " sq-none"
    return (
        f'<svg class="sq" aria-hidden="true" width="{width}" height="{height}" focusable="false">{square}'
        f'<text class="sq-n{paint}" x="{x:.1f}" y="25" text-anchor="{anchor}">{proofs}</text></svg>'
    )


def key_squares() -> dict[str, str]:
    """Return the squares of the key, by kind."""
    drawn = '<svg class="bar" aria-hidden="true" width="16" height="16" focusable="false">{}</svg>'
    box = '<rect class="sq-{}" x="1" y="1" width="14" height="14"/>'
    return {kind: drawn.format(box.format(kind)) for kind in ("right", "wrong", "guess")}


@dataclass(frozen=True)
class Bin:
    """Calls that were about as sure: mean stated, how often it came true with its 90 % interval, how many."""

    stated: float
    observed: float
    low: float
    high: float
    count: int

    @property
    def words(self) -> str:
        return (
            f"said {percent(self.stated)} %, came true {doubt_words(self.observed, self.low, self.high)},"
            f" {self.count} {'call' if self.count == 1 else 'calls'}"
        )


def _bin_drawn(b: Bin) -> str:
    top, at = (1 - b.high) * _PLOT, (1 - b.observed) * _PLOT
    return (
        f'<svg x="{b.stated * 100:.1f}%" overflow="visible">'
        f'<rect class="bar-band" x="-6" y="{top:.1f}" width="12" height="{max((b.high - b.low) * _PLOT, 1):.1f}"/>'
        f'<line class="bar-tick" x1="-9" y1="{at:.1f}" x2="9" y2="{at:.1f}"/>'
        f'<text class="axis" x="0" y="{_PLOT + 38}" text-anchor="middle">{b.count}</text></svg>'
    )


def calibration(bins: Sequence[Bin], spoken: str = "Stated and came true") -> str:
    """What came true against what was stated: a band for each 90 % interval, a tick for the share.

    The dashed line is where every statement comes true as often as it says. `spoken` names it; the figures
    themselves stand in a table beside it.
    """
    grid = "".join(
        f'<line class="cal-grid" x1="0" y1="{_PLOT * at / 100:g}" x2="100%" y2="{_PLOT * at / 100:g}"/>'
        f'<line class="cal-grid" x1="{at}%" y1="0" x2="{at}%" y2="{_PLOT}"/>'
        for at in (0, 25, 50, 75, 100)
    )
    axis_x = "".join(
        f'<text class="axis" x="{at}%" y="{_PLOT + 16}" text-anchor="middle">{at}</text>'
        for at in (0, 25, 50, 75, 100)
    )
    axis_y = "".join(
        f'<text class="axis" x="26" y="{_PLOT * (100 - at) / 100 + 14:g}" text-anchor="end">{at}</text>'
        for at in (0, 25, 50, 75, 100)
    )
    drawn = "".join(_bin_drawn(b) for b in bins)
    return (
        f'<div class="cal" role="img" aria-label="{spoken}: {"; ".join(b.words for b in bins)}">'
        f'<svg class="cal-y" width="34" height="{_PLOT + 50}" aria-hidden="true" focusable="false">{axis_y}'
        f'<text class="axis" x="26" y="{_PLOT + 48}" text-anchor="end">calls</text></svg>'
        f'<svg class="cal-plot" width="100%" height="{_PLOT + 50}" aria-hidden="true" focusable="false">'
        f'<svg y="10" width="100%" height="{_PLOT + 40}" overflow="visible">{grid}'
        f'<line class="cal-line" x1="0" y1="{_PLOT}" x2="100%" y2="0"/>{drawn}{axis_x}</svg></svg></div>'
    )
