"""Leaving a spot alone, and what makes it worth coming back: the owner's word, read by who sees it exactly."""

import math
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError

from club.units import Units
from spots.levels import level_words, levels_at

LIMITS = {
    "level_from_m": (-60.0, 30.0),
    "level_to_m": (-60.0, 30.0),
    "temp_from_c": (-2.0, 45.0),
    "temp_to_c": (-2.0, 45.0),
    "sight_from_m": (0.0, 30.0),
}


@dataclass(frozen=True)
class ComeBack:
    """When to come back. Levels are metres from full pool, temperatures of the water, sight a Secchi depth."""

    level_from_m: float | None = None
    level_to_m: float | None = None
    temp_from_c: float | None = None
    temp_to_c: float | None = None
    sight_from_m: float | None = None
    wind: str = ""

    @classmethod
    def of(cls, kept: Mapping[str, Any] | None) -> "ComeBack":
        """Read what a sheet keeps; what is not known is left out."""
        return cls(**{f.name: kept[f.name] for f in fields(cls) if kept and f.name in kept})

    def kept(self) -> dict[str, Any]:
        """Return what a sheet keeps: only what is said."""
        return {name: value for name, value in asdict(self).items() if value not in (None, "")}

    def check(self) -> None:
        """Raise ValidationError, naming the field, the value and the rule."""
        problems: dict[str, str] = {}
        for name, (low, high) in LIMITS.items():
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and low <= value <= high):
                problems[name] = f"{value:g} is not possible: it must lie between {low:g} and {high:g}."
        for kind in ("level", "temp"):
            unit = "m" if kind == "level" else "c"
            low, high = getattr(self, f"{kind}_from_{unit}"), getattr(self, f"{kind}_to_{unit}")
            if low is not None and high is not None and low > high:
                problems[f"{kind}_to_{unit}"] = f"{high:g} is less than {low:g}: the higher one comes second."
        if len(self.wind) > 80:
            problems["wind"] = f"{len(self.wind)} characters; at most 80."
        if problems:
            raise ValidationError(problems)


def check_rest(until: date | None, when: ComeBack, today: date) -> None:
    """Raise ValidationError naming the field. A day that is past, or more than five years off, is a slip."""
    if until is not None and not today < until <= date(today.year + 5, 12, 31):
        raise ValidationError({"until": f"{until} must be a day after today, {today}, within five years."})
    when.check()


def come_back_words(kept: Mapping[str, Any] | None, units: Units) -> list[str]:
    """Say what a spot waits for, each condition by itself, in the reader's units."""
    when = ComeBack.of(kept)
    out = [
        _between("pool", when.level_from_m, when.level_to_m, lambda value: level_words(value, units)),
        _between("water", when.temp_from_c, when.temp_to_c, units.temperature_text),
    ]
    if when.sight_from_m is not None:
        out.append(f"a white disc is seen {units.span_text(when.sight_from_m)} down, or deeper")
    if when.wind:
        out.append(f"wind {when.wind}")
    return [words for words in out if words]


def _between(what: str, low: float | None, high: float | None, words: Any) -> str:
    if low is None and high is None:
        return ""
    if low is None:
        return f"{what} no higher than {words(high)}"
    if high is None:
        return f"{what} at least {words(low)}"
    return f"{what} from {words(low)} to {words(high)}"


def level_now_words(water: uuid.UUID, kept: Mapping[str, Any] | None, moment: datetime, units: Units) -> str:
    """Say whether the pool stands where the spot wants it, if it wants any level and one is known."""
    when = ComeBack.of(kept)
    if when.level_from_m is None and when.level_to_m is None:
        return ""
    (level,) = levels_at([(water, moment)])
    if level is None:
        return "No level of the last day is kept."
    low = when.level_from_m if when.level_from_m is not None else -math.inf
    high = when.level_to_m if when.level_to_m is not None else math.inf
    state = "yes" if low <= level <= high else "not yet" if level < low else "too high"
    return f"The pool is {level_words(level, units)}: {state}."
