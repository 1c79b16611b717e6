"""What was put in front of the fish at a spot, and what they did: counts, and a share only where counts carry one.

"There but would not bite" is a response of its own: a camera of the same visit found fish, and no try got a bite.
"""

import math
import uuid
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

import numpy as np
from django.db.models import Prefetch, prefetch_related_objects

from club.units import Units
from observations.inference.bands import BANDS, band_of, ends_of
from observations.inference.placing import share_interval
from observations.models import PROVING, Finding, Method, Observation, Presentation
from observations.visits import Visit, visits_of
from observations.words import is_rejected

LEAST = 8
"""Tries below which no share is told: the interval of 4 of 8 reaches from a quarter to three quarters."""

BITES = (Presentation.Response.BIT, Presentation.Response.LOST, Presentation.Response.LANDED)
_CLEAR_M = (1.0, 2.5)
_HOURS = (5, 10, 16, 21)
_TIMES = ("night, 21 to 5", "morning, 5 to 10", "midday, 10 to 16", "evening, 16 to 21")


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

    @property
    def time(self) -> str:
        """`45 min`, or `12 h` where minutes say too much."""
        return f"{self.minutes:.0f} min" if self.minutes < 120 else f"{self.minutes / 60:.0f} h"


def tries_on(water_id: uuid.UUID) -> list[Try]:
    """Return every presentation on a water that the viewer may read, at the spots whose looks they see in full."""
    looks = list(
        Observation.objects.filter(spot__water=water_id, withdrawn_at=None)
        .only("spot_id", "method", "started_at", "utc_offset_min", "water_temp_c", "secchi_m")
        .order_by("-started_at", "id")
    )
    proving = [look for look in looks if look.method in PROVING]
    findings = Prefetch("findings", queryset=Finding.objects.prefetch_related("confirmations"))
    prefetch_related_objects(proving, "presentations", findings)
    by_spot: dict[uuid.UUID, list[Observation]] = {}
    for look in looks:
        by_spot.setdefault(look.spot_id, []).append(look)
    return [one for mine in by_spot.values() for one in tries_of(mine)]


def tries_of(looks: Sequence[Observation]) -> list[Try]:
    """Return every presentation of the looks at one spot, oldest first."""
    return [one for visit in reversed(visits_of(looks)) for one in _of_visit(visit)]


def _of_visit(visit: Visit) -> Iterable[Try]:
    cameras = [look for look in visit.looks if look.method == Method.CAMERA]
    seen = any(
        finding.count and not is_rejected(finding) for look in cameras for finding in look.findings.all()
    )
    for look in visit.looks:
        # Nothing is put in front of the fish by sonar.
        for shown in look.presentations.all() if look.method in PROVING else ():
            yield Try(shown.what, shown.minutes, shown.response, seen if cameras else None, look)


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
    """Return a line for each thing tried, most tries first; however it was capitalised and spaced, as last written."""
    by_name: dict[str, list[Try]] = {}
    for one in tries:
        by_name.setdefault(_plain(one.what), []).append(one)
    made = [_line(mine[-1].what, mine) for mine in by_name.values()]
    return sorted(made, key=lambda line: (-line.tries, line.name))


def _plain(what: str) -> str:
    return " ".join(what.casefold().split())


def by_condition(tries: Sequence[Try], units: Units) -> list[tuple[str, list[Line]]]:
    """Return lines by water temperature, by visibility and by time of day, each in its own order.

    A try without the figure is in none.
    """
    warm = [_between(units.temperature_text, *ends_of(band)) for band in range(BANDS)]
    ends = (None, *_CLEAR_M, None)
    clear = [_between(units.span_text, *pair) for pair in pairwise(ends)]

    def warmth(one: Try) -> int:
        return int(band_of(np.array([math.nan if (t := one.look.water_temp_c) is None else t]))[0])

    def sight(one: Try) -> int:
        return -1 if (secchi := one.look.secchi_m) is None else bisect_right(_CLEAR_M, secchi)

    def hour(one: Try) -> int:
        local = one.look.started_at + timedelta(minutes=one.look.utc_offset_min)
        return bisect_right(_HOURS, local.hour) % len(_HOURS)

    out = []
    for title, names, of in (
        ("Water temperature", warm, warmth),
        ("Visibility", clear, sight),
        ("Time of day", _TIMES, hour),
    ):
        at = [(of(one), one) for one in tries]
        found = [_line(name, mine) for n, name in enumerate(names) if (mine := [t for k, t in at if k == n])]
        if found:
            out.append((title, found))
    return out


def _between(words: Callable[[float], str], low: float | None, high: float | None) -> str:
    if low is None:
        return f"under {words(high)}" if high is not None else ""
    return f"{words(low)} and more" if high is None else f"{words(low)} to {words(high)}"
