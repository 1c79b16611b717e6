"""The signs of the pages: one drawing each, as SVG strings.

Everything is drawn on a 24 by 24 grid in one ink (``currentColor``), so that each sign works in its own
colour, in one ink and reversed. What must show through a hollow sign is filled with the class ``hollow``,
which the style sheet paints with ``--plate``. No Django here: strings in, strings out.
"""

from __future__ import annotations

import math
from html import escape
from typing import Final

PLATE: Final = "#FFFDF7"
TALLOW: Final = "#E9CF8E"

GRADES: Final = ("called", "seen", "landed", "verified")
PLACES: Final = ("exact", "area", "few", "water", "hidden")

GRADE_WORDS: Final = {
    "": "nothing yet",
    "none": "looked, none found",
    "called": "called",
    "seen": "seen",
    "landed": "landed",
    "verified": "verified",
}

PLACE_WORDS: Final = {
    "exact": "exact",
    "area": "within a zone",
    "few": "shown to few",
    "water": "which water",
    "hidden": "hidden",
}

METHOD_SIGNS: Final = {
    "2D sonar": "2d",
    "down-looking imaging sonar": "down",
    "side-scan sonar": "side",
    "forward-facing sonar": "forward",
    "underwater camera": "camera",
    "rod and line": "rod",
    "by eye": "eye",
}


def _hollow(shape: str) -> str:
    return f'<{shape} class="hollow" fill="{PLATE}"/>'


def _ticked_ring(radius: float, tick: float, count: int) -> str:
    """A ring of ``count`` dashes about (12, 12), each with a tick of length ``tick`` pointing inward."""
    parts: list[str] = []
    half = math.radians(360 / count * 0.31)
    for index in range(count):
        middle = math.radians(360 / count * index)
        ends = [
            (12 + radius * math.cos(middle + side), 12 + radius * math.sin(middle + side))
            for side in (-half, half)
        ]
        outer = (12 + radius * math.cos(middle), 12 + radius * math.sin(middle))
        inner = (12 + (radius - tick) * math.cos(middle), 12 + (radius - tick) * math.sin(middle))
        parts.append(
            f"M{ends[0][0]:.2f} {ends[0][1]:.2f}A{radius} {radius} 0 0 1 {ends[1][0]:.2f} {ends[1][1]:.2f}"
            f"M{outer[0]:.2f} {outer[1]:.2f}L{inner[0]:.2f} {inner[1]:.2f}"
        )
    return "".join(parts)


def _line(d: str, width: float = 2) -> str:
    return (
        f'<path d="{d}" fill="none" stroke="currentColor" stroke-width="{width}"'
        ' stroke-linecap="round" stroke-linejoin="round"/>'
    )


_ARCH = "M1.9 18.6C5.2 10.4 8.5 6.6 12 6.6s6.8 3.8 10.1 12C18.8 15.3 15.6 13.6 12 13.6S5.2 15.3 1.9 18.6Z"
_LENS = "M1.5 12C4.9 7 8.4 4.6 12 4.6S19.1 7 22.5 12C19.1 17 15.6 19.4 12 19.4S4.9 17 1.5 12Z"
_FISH = (
    "M1.2 12.2C4 7.8 7.1 5.8 10.4 5.8c2.9 0 5.1 1.5 7 4.2l5.2-4.4v13.2L17.4 14.4c-1.9 2.7-4.1 4.2-7 4.2"
    "C7.1 18.6 4 16.6 1.2 12.2Z"
)

#: name -> inner SVG on the 24 grid.
DRAWINGS: Final[dict[str, str]] = {
    # Grades: more ink, more proof.
    "called": (
        f'<path class="hollow" d="{_ARCH}" fill="{PLATE}" stroke="currentColor" stroke-width="2.2"'
        ' stroke-linejoin="round"/>'
    ),
    "seen": (
        f'<path class="hollow" d="{_LENS}" fill="{PLATE}" stroke="currentColor" stroke-width="2.2"'
        ' stroke-linejoin="round"/><circle cx="12" cy="12" r="4" fill="currentColor"/>'
    ),
    "landed": f'<path d="{_FISH}" fill="currentColor"/>' + _hollow('circle cx="7" cy="11" r="1.6"'),
    "verified": (
        '<circle cx="12" cy="12" r="11" fill="currentColor"/>'
        f'<path class="cut" d="M6.6 12.4l3.9 4.2 7-8.2" fill="none" stroke="{PLATE}" stroke-width="2.9"'
        ' stroke-linecap="round" stroke-linejoin="round"/>'
    ),
    "none": '<circle cx="12" cy="12" r="7" fill="none" stroke="currentColor" stroke-width="2.4"/>',
    # Places.
    "exact": (
        _hollow('circle cx="12" cy="12" r="6"')
        + '<circle cx="12" cy="12" r="6" fill="none" stroke="currentColor" stroke-width="2"/>'
        + '<path d="M12 1v22M1 12h22" stroke="currentColor" stroke-width="1.8"/>'
    ),
    "area": (
        _hollow('path d="M2 2h20v20H2z"')
        + '<path d="M2 9L9 2M2 15.5L15.5 2M2 22L22 2M8.5 22L22 8.5M15 22l7-7" stroke="currentColor"'
        ' stroke-width="1"/>'
        '<path d="M2 2h20v20H2z" fill="none" stroke="currentColor" stroke-width="1.8"/>'
    ),
    "few": (
        _hollow('circle cx="12" cy="12" r="11"')
        + f'<path d="{_ticked_ring(11, 2.4, 12)}" fill="none" stroke="currentColor" stroke-width="1.3"/>'
        '<circle cx="12" cy="12" r="3.6" fill="none" stroke="currentColor" stroke-width="1.5"/>'
        '<path d="M12 5.6v12.8M5.6 12h12.8" stroke="currentColor" stroke-width="1.4"/>'
    ),
    "water": (
        '<path d="M3.4 15.8C1.8 12.4 2.6 8 6 6.6c2.2-.9 3.7.4 5.8-.3 2.6-.9 5.2-1.5 7.2.4 2.3 2.1 3.6 4.6 2.4'
        ' 7.4-.9 2.2-2.9 2.1-4.6 3.1-2.5 1.4-4.5 2.3-7.7 1.6-2.4-.5-4.6-.8-5.7-3Z" fill="#C9E2EE"'
        ' stroke="currentColor" stroke-width="1.8"/>'
    ),
    "hidden": (
        '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="1.8"'
        ' stroke-dasharray="4.1 2.97"/><path d="M7 17L17 7" stroke="currentColor" stroke-width="1.8"/>'
    ),
    # Methods.
    "2d": _line("M2.5 17C6 10 9 7.4 12 7.4S18 10 21.5 17"),
    "down": _line("M12 3L6.5 20h11ZM12 3v17M3.5 20.4h17", 1.7),
    "side": _line("M12 4L2 19M12 4L8 19M12 4l10 15M12 4l4 15M12 3v3", 1.7),
    "forward": _line(
        "M3 6h18L11.5 20.5ZM3 6l-1-.5M6.2 11c3.6 1.4 7.2 1.2 11.4-.4M9 15.4c1.8.6 3.4.6 5.4 0", 1.7
    ),
    "camera": _line("M1.5 12C5 6.8 8.5 5 12 5s7 1.8 10.5 7C19 17.2 15.5 19 12 19S5 17.2 1.5 12Z", 1.8)
    + '<circle cx="12" cy="12" r="3.4" fill="currentColor"/>',
    "rod": _line("M3 21L20 4M20 4v9.5a2.6 2.6 0 0 1-5.2 0v-.8M5.6 18.4l2 2", 1.8),
    "eye": _line("M2 15c3.2-5 6.5-7 10-7s6.8 2 10 7M5 7.5L3.6 5.4M12 4.6V2M19 7.5l1.4-2.1", 1.8)
    + '<circle cx="12" cy="14" r="3" fill="currentColor"/>',
    # Furniture.
    "plumb": (
        '<path d="M10.3 6h3.4l2.7 13.6c.2 1.8-1.5 3.2-4.4 3.2s-4.6-1.4-4.4-3.2Z" fill="currentColor"/>'
        '<circle cx="12" cy="3.7" r="2" fill="none" stroke="currentColor" stroke-width="1.5"/>'
        f'<ellipse cx="12" cy="20.1" rx="2.3" ry="1.3" fill="{TALLOW}"/>'
    ),
    "tick": _line("M4 13l5.4 5.6L20 6", 2.6),
    "cross": _line("M5 5l14 14M19 5L5 19", 2.6),
    "waiting": _line("M6 3h12M6 21h12M7.5 3c0 5 9 6 9 9s-9 4-9 9M16.5 3c0 5-9 6-9 9s9 4 9 9", 1.9),
    "sent": _line("M12 2.5a9.5 9.5 0 1 0 0 19 9.5 9.5 0 0 0 0-19ZM7.6 12.2l3.1 3.2 5.7-6.6", 1.9),
    "waits": _line(
        "M6 2.8h12M6 21.2h12M7.4 3c0 5 4.6 5.6 4.6 9s-4.6 4-4.6 9M16.6 3c0 5-4.6 5.6-4.6 9s4.6 4 4.6 9", 1.8
    ),
    "no-signal": _line("M3 20v-3M8.4 20v-6M13.8 20v-4M19.2 20V8M3 3l18 18", 1.8),
    "down-small": _line("M6 9l6 6 6-6", 2),
    "back": _line("M15.5 4L7.5 12l8 8", 2.4),
    "more": _line("M3.5 6h17M3.5 12h17M3.5 18h17", 2),
    "chart": _line("M2.8 5.6l6-2.4 6.4 2.4 6-2.4v15.2l-6 2.4-6.4-2.4-6 2.4ZM8.8 3.2v15.2M15.2 5.6v15.2", 1.8),
    "log": _line("M5 2.8h14v18.4H5ZM8.6 7.6h6.8M8.6 11.4h6.8M8.6 15.2h4", 1.8),
    "debrief": _line("M3.4 4h17.2v16H3.4ZM6.6 15.6l3.6-4.4 3.2 2.6 4-6", 1.8),
    "proofs": _line("M12 2.6a9.4 9.4 0 1 0 0 18.8 9.4 9.4 0 0 0 0-18.8ZM7.8 12.2l3 3.1 5.5-6.4", 1.8),
    "calls": _line("M3 19.4h18M5.4 19V11M10 19V5M14.6 19v-6M19 19V8.4", 1.8),
    "season": _line("M3 5h18v16H3ZM3 9.6h18M8 2.6V6M16 2.6V6M8 14.2h3v3.2H8Z", 1.8),
    "events": _line("M5.4 21.6V2.8M5.4 3.6h13l-2.8 4.2 2.8 4.2h-13", 1.8),
    "sharing": _line("M12 3v7M12 10L4.6 18M12 10l7.4 8M12 1.8v.1", 1.8)
    + '<circle cx="4.6" cy="19" r="2.6" fill="currentColor"/><circle cx="19.4" cy="19" r="2.6"'
    ' fill="currentColor"/><circle cx="12" cy="4" r="2.6" fill="currentColor"/>',
    "club": _line("M3 20.6h18M5 20.4V10l7-5.6 7 5.6v10.4M10 20.4v-6h4v6", 1.8),
    "waters": _line(
        "M2.5 8c3-2.6 6.2-2.6 9.5 0s6.5 2.6 9.5 0M2.5 13c3-2.6 6.2-2.6 9.5 0s6.5 2.6 9.5 0"
        "M2.5 18c3-2.6 6.2-2.6 9.5 0s6.5 2.6 9.5 0",
        1.8,
    ),
    "import": _line("M12 3v12M7 10.4l5 5 5-5M3.4 17v4h17.2v-4", 1.8),
    "about": _line("M12 2.6a9.4 9.4 0 1 0 0 18.8 9.4 9.4 0 0 0 0-18.8ZM12 11v6M12 7v.2", 1.9),
    "ramp": (_hollow('path d="M3 3h18v18H3z"') + _line("M3 3h18v18H3ZM7.5 16.5l9-9M13 7.5h3.5V11", 1.7)),
    "hazard": _line("M12 3.4L22 20.6H2ZM12 9.6v5M12 17.6v.1", 1.8),
}


def drawing(name: str) -> str:
    """The inner SVG of a sign on the 24 grid. A method's full name also works. KeyError for others."""
    return DRAWINGS[METHOD_SIGNS.get(name, name)]


def sign(name: str, label: str = "", size: int = 20) -> str:
    """A sign as a whole ``<svg>``, ``size`` CSS pixels square.

    Without a label it is hidden from screen readers: its word then has to stand beside it.
    """
    key = METHOD_SIGNS.get(name, name)
    named = f'role="img" aria-label="{escape(label)}"' if label else 'aria-hidden="true"'
    return (
        f'<svg class="mark mark-{key}" {named} width="{size}" height="{size}" viewBox="0 0 24 24"'
        f' focusable="false">{DRAWINGS[key]}</svg>'
    )


def sprite(names: tuple[str, ...]) -> str:
    """The signs as ``<symbol id="sign-…">``, so that a script can draw them with ``<use>``."""
    symbols = "".join(f'<symbol id="sign-{n}" viewBox="0 0 24 24">{DRAWINGS[n]}</symbol>' for n in names)
    return f'<svg class="sprite" width="0" height="0" aria-hidden="true" focusable="false">{symbols}</svg>'
