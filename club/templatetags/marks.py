"""Template tags for the signs and figures. The drawing itself is in club/signs.py and club/figures.py."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from club import figures, profiles, signs

register = template.Library()

#: What the chart's script draws by name.
CHART_SIGNS = (
    "called",
    "seen",
    "landed",
    "verified",
    "none",
    "exact",
    "few",
    "area",
    "water",
    "ramp",
    "hazard",
)


def _safe(svg: str) -> SafeString:
    # Built by club.signs and club.figures from numbers and escaped words only.
    return mark_safe(svg)  # noqa: S308


@register.simple_tag
def mark(name: str, size: int = 20, label: str = "") -> SafeString:
    """``{% mark "verified" %}``: the sign alone, silent unless given a label; its word stands beside it."""
    return _safe(signs.sign(name, label, size))


@register.simple_tag
def nav_mark(label: str, size: int = 24) -> SafeString:
    """The icon of a navigation item by its label; nothing for a label without one."""
    return _safe(signs.sign(label.lower(), "", size)) if label.lower() in signs.DRAWINGS else _safe("")


@register.simple_tag
def grade(name: str, size: int = 20) -> SafeString:
    """``{% grade "seen" %}``: the grade's sign with its word."""
    key = name or "none"
    word = signs.GRADE_WORDS[key]
    return format_html(
        '<span class="grade grade-{}">{} {}</span>', key, _safe(signs.sign(key, "", size)), word
    )


@register.simple_tag
def place(precision: str, words: str = "", size: int = 20) -> SafeString:
    """``{% place "exact" %}``: the sign of a precision or 'few', with its words."""
    said = words or signs.PLACE_WORDS[precision]
    return format_html(
        '<span class="place place-{}">{} {}</span>', precision, _safe(signs.sign(precision, "", size)), said
    )


@register.simple_tag
def interval_bar(p: float, lo: float, hi: float, spoken: bool = True, width: int | None = None) -> SafeString:
    """``{% interval_bar p lo hi %}``; ``spoken=False`` where the figures stand beside it in words."""
    return _safe(figures.interval_bar(p, lo, hi, spoken=spoken, width=width))


@register.simple_tag
def ruled_scale(p: float, lo: float, hi: float) -> SafeString:
    """``{% ruled_scale p lo hi %}``: full size, with the plumb."""
    return _safe(figures.ruled_scale(p, lo, hi))


@register.simple_tag
def season_ribbon(
    months: Sequence[Mapping[str, Any]], current: int | None = None, name: str = "", compact: bool = False
) -> SafeString:
    """``{% season_ribbon months current %}``: one species."""
    return _safe(figures.season_ribbon([(name, months)], current, compact=compact))


@register.simple_tag
def season_ribbons(
    rows: Sequence[tuple[str, Sequence[Mapping[str, Any]]]], current: int | None = None, compact: bool = False
) -> SafeString:
    """``{% season_ribbons rows current %}``: rows are (species name, months), one above the other."""
    return _safe(figures.season_ribbon(rows, current, compact=compact))


@register.simple_tag
def verified_year(months: Sequence[bool], current: int | None = None) -> SafeString:
    """``{% verified_year flags month %}``: twelve boxes, solid where a month had a verified fish."""
    return _safe(figures.verified_year(months, current))


@register.simple_tag
def ribbon_key(guesses: bool = True) -> SafeString:
    """The key to a season ribbon."""
    return _safe(figures.ribbon_key(guesses=guesses))


@register.simple_tag
def tally(n: int) -> SafeString:
    """``{% tally n %}``: tally marks, or the number when there are many."""
    return _safe(figures.tally(n))


@register.simple_tag
def depth_profile(
    fish: Sequence[profiles.Fish],
    bands: Sequence[profiles.Band],
    bottom: float,
    top: float = 0.0,
    unit: str = "m",
) -> SafeString:
    """``{% depth_profile fish bands bottom=7 top=3 %}``: fish by depth and placement (club/profiles.py)."""
    return _safe(profiles.depth_profile(fish, bands, bottom=bottom, top=top, unit=unit))


@register.simple_tag
def chart_sprite() -> SafeString:
    """The signs that the chart's script draws with ``<use>``."""
    return _safe(signs.sprite(CHART_SIGNS))


@register.simple_tag
def months() -> list[tuple[int, str, str]]:
    """``{% months as year %}``: (number, short, long) of each month."""
    return [(m, figures.MONTHS[m - 1], figures.MONTHS_LONG[m - 1]) for m in range(1, 13)]


@register.filter
def split_words(text: str) -> list[str]:
    """``{% for g in "called seen"|split_words %}``."""
    return text.split()


@register.filter
def percent(p: float) -> str:
    """``{{ p|percent }}``: '64'; 'under 1' and 'over 99' at the ends. The % sign is the page's."""
    return figures.percent(p)


@register.simple_tag
def interval_words(lo: float, hi: float, unit: str = f"{figures.NO_BREAK}%") -> str:
    """``{% interval_words lo hi %}``: '41 to 82 %'; with an empty unit, '41 to 82'."""
    return figures.interval_words(lo, hi, unit)
