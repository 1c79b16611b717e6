"""Form fields for what is typed on a boat: numbers in the member's own units, kept as typed and as SI."""

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from club.units import Units

_NUMBER = re.compile(r"[+-]?(\d{1,9}([.,]\d{0,9})?|[.,]\d{1,9})")


@dataclass(frozen=True)
class Measured:
    """A number as typed, in the unit it was typed in, and in SI."""

    typed: str
    unit: str
    si: float


@dataclass(frozen=True)
class Quantity:
    """How one kind of number is named and turned into SI, in one member's units."""

    unit: str
    to_si: Callable[[float], float]
    from_si: Callable[[float], float]


def depth_of(units: Units) -> Quantity:
    return Quantity(units.length, units.metres, lambda metres: metres / units.metres(1))


def fish_length_of(units: Units) -> Quantity:
    name = "in" if units.length == "ft" else "mm"
    return Quantity(name, units.fish_mm, lambda mm: mm / units.fish_mm(1))


def temperature_of(units: Units) -> Quantity:
    zero, span = units.celsius(0), units.celsius(1) - units.celsius(0)
    return Quantity(f"°{units.temperature}", units.celsius, lambda celsius: (celsius - zero) / span)


def plain(unit: str) -> Quantity:
    return Quantity(unit, lambda number: number, lambda number: number)


def parse_number(text: str) -> float:
    """Return a plain decimal number, comma or point; anything else, NaN too, raises ValidationError."""
    if not _NUMBER.fullmatch(text):
        raise ValidationError(f'"{text[:40]}" is not a number: write digits, like 4.5.')
    return float(text.replace(",", "."))


def said(number: float) -> str:
    """Return a number for a message or an input: at most two decimals, none that say nothing."""
    return f"{number:,.2f}".rstrip("0").rstrip(".")


class MeasureField(forms.CharField):
    """A number with a unit; cleans to `Measured` or None. Limits are SI, messages in the typed unit."""

    def __init__(self, quantity: Quantity, low: float, high: float, **options: Any) -> None:
        options.setdefault("required", False)
        options.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
        super().__init__(max_length=20, **options)
        self.quantity, self.low, self.high = quantity, low, high

    @property
    def unit(self) -> str:
        return self.quantity.unit

    def clean(self, value: Any) -> Measured | None:
        text = str(super().clean(value) or "").strip().replace("\u2212", "-")
        if not text:
            return None
        number = parse_number(text)
        si = self.quantity.to_si(number)
        # A hair of slack: 32 °F and 50 m in feet do not come out round.
        if not self.low - 1e-9 <= si <= self.high + 1e-9:
            low, high = said(self.quantity.from_si(self.low)), said(self.quantity.from_si(self.high))
            raise ValidationError(
                f"{text} {self.unit} is not possible: it must lie between {low} and {high} {self.unit}."
            )
        return Measured(text, self.unit, si)


class LocalTimeField(forms.CharField):
    """A date and time by the water's clock, as a browser sends it; cleans to a naive datetime."""

    def clean(self, value: Any) -> datetime | None:
        text = str(super().clean(value) or "").strip()
        for pattern in ("%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"):
            with suppress(ValueError):
                return datetime.strptime(text, pattern)
        if text:
            raise ValidationError(f'"{text}" is not a time: write it like 2026-05-01 06:30.')
        return None


class LengthsField(forms.CharField):
    """Lengths of fish, separated by spaces or commas; cleans to a list of `Measured` in millimetres."""

    def __init__(self, quantity: Quantity, **options: Any) -> None:
        super().__init__(required=False, max_length=400, **options)
        self.quantity = quantity

    @property
    def unit(self) -> str:
        return self.quantity.unit

    def clean(self, value: Any) -> list[Measured]:
        text = str(super().clean(value) or "").replace("\u2212", "-")
        out = []
        for part in re.split(r"[\s,;]+", text.strip()):
            if not part:
                continue
            number = parse_number(part)
            si = self.quantity.to_si(number)
            if si < 1:
                raise ValidationError(f"{part} {self.unit} is not possible: a length is above 0.")
            out.append(Measured(part, self.unit, si))
        return out
