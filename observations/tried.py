"""What was put in front of the fish at a spot, and what they did: counts, and a share only where counts carry one.

"There but would not bite" is a response of its own: a camera of the same visit found fish, and no try got a bite.
"""

from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from club.units import Units
from observations.inference.bands import BANDS, band_of, ends_of
from observations.inference.placing import share_interval
from observations.models import Method, Observation, Presentation
from observations.visits import Visit, visits_of

LEAST = 8
"""Tries below which no share is told: the interval of 4 of 8 reaches from a quarter to three quarters."""

BITES = (Presentation.Response.BIT, Presentation.Response.LOST, Presentation.Response.LANDED)
_CLEAR_M = (1.0, 2.5)
_DAY = ((5, "night, before 5"), (10, "morning, 5 to 10"), (16, "midday, 10 to 16"), (21, "evening, 16 to 21"))


@dataclass(frozen=True)
class Try:
    """One presentation: `there` when a camera of the same visit found fish, None without a camera."""

    what: str
    minutes: float | None
    response: str
    there: bool | None
    look: Observation


@dataclass(frozen=True)
class Line:
    """Tries that have something in common.

    `share`, with its 90 % interval, is of those whose response was said, and None below `LEAST` of them.
    """

    name: str
    tries: int
    minutes: float
    timed: int
    responses: tuple[tuple[str, int], ...]
    bites: int
    said: int
    share: float | None
    low: float | None
    high: float | None
    there: int
    refused: int


def tries_of(looks: Sequence[Observation]) -> list[Try]:
    """Return every presentation of the looks at one spot, oldest first."""
    return [one for visit in reversed(visits_of(looks)) for one in _of_visit(visit)]


def _of_visit(visit: Visit) -> Iterable[Try]:
    cameras = [look for look in visit.looks if look.method == Method.CAMERA]
    seen = any(finding.count for look in cameras for finding in look.findings.all())
    for look in visit.looks:
        for shown in look.presentations.all():
            yield Try(shown.what, shown.minutes, shown.response, seen if cameras else None, look)


def lines(tries: Sequence[Try], name_of: Callable[[Try], str]) -> list[Line]:
    """Return one line a name, those with most tries first; tries without a name are left out."""
    by_name: dict[str, list[Try]] = {}
    for one in tries:
        if name := name_of(one):
            by_name.setdefault(name, []).append(one)
    made = [_line(name, mine) for name, mine in by_name.items()]
    return sorted(made, key=lambda line: (-line.tries, line.name))


def _line(name: str, tries: Sequence[Try]) -> Line:
    answers = Counter(one.response for one in tries if one.response)
    said, bites = sum(answers.values()), sum(answers[response] for response in BITES)
    share = low = high = None
    if said >= LEAST:
        share, low, high = (float(values[0]) for values in share_interval([bites, said - bites]))
    there = [one for one in tries if one.there and one.response]
    return Line(
        name=name,
        tries=len(tries),
        minutes=sum(one.minutes or 0.0 for one in tries),
        timed=sum(one.minutes is not None for one in tries),
        responses=tuple((word, answers[word]) for word in Presentation.Response.values if answers[word]),
        bites=bites,
        said=said,
        share=share,
        low=low,
        high=high,
        there=len(there),
        refused=sum(one.response not in BITES for one in there),
    )


def by_what(tries: Sequence[Try]) -> list[Line]:
    """Return a line for each thing tried, however it was capitalised and spaced; named as last written."""
    names = {_plain(one.what): one.what for one in tries}
    return lines(tries, lambda one: names[_plain(one.what)])


def _plain(what: str) -> str:
    return " ".join(what.casefold().split())


def by_condition(tries: Sequence[Try], units: Units) -> list[tuple[str, list[Line]]]:
    """Return lines by water temperature, by visibility and by time of day; a try without the figure is in none."""

    def warmth(one: Try) -> str:
        temperature = one.look.water_temp_c
        return "" if temperature is None else _band_words(int(band_of(np.array([temperature]))[0]), units)

    def sight(one: Try) -> str:
        secchi = one.look.secchi_m
        if secchi is None:
            return ""
        at = bisect_right(_CLEAR_M, secchi)
        return _between(
            units.span_text, *(_CLEAR_M[i] if 0 <= i < len(_CLEAR_M) else None for i in (at - 1, at))
        )

    def hour(one: Try) -> str:
        local = (
            (one.look.started_at.hour * 60 + one.look.started_at.minute + one.look.utc_offset_min) / 60 % 24
        )
        return next((name for until, name in _DAY if local < until), "night, after 21")

    tables = (("Water temperature", warmth), ("Visibility", sight), ("Time of day", hour))
    return [(name, found) for name, of in tables if (found := lines(tries, of))]


def _band_words(band: int, units: Units) -> str:
    return _between(units.temperature_text, *ends_of(band)) if 0 <= band < BANDS else ""


def _between(words: Callable[[float], str], low: float | None, high: float | None) -> str:
    if low is None:
        return f"under {words(high)}" if high is not None else ""
    return f"{words(low)} and more" if high is None else f"{words(low)} to {words(high)}"
