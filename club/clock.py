"""A time typed on a water's own clock: the field that reads it, and the moment it means."""

from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

# A clock's rules are not known beyond.
FIRST_YEAR, LAST_YEAR = 2000, 2099
_MINUTE = "%Y-%m-%dT%H:%M"


class LocalTime(forms.DateTimeField):
    """A wall-clock time without a zone; the form lays it on the water's clock."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format=_MINUTE),
            input_formats=[_MINUTE, "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"],
            **kwargs,
        )

    def prepare_value(self, value: Any) -> Any:
        return value

    def to_python(self, value: Any) -> Any:
        if value in self.empty_values:
            return None
        if isinstance(value, datetime):
            return value
        text = str(value).strip()
        for form in self.input_formats or ():
            try:
                read = datetime.strptime(text, form)
            except ValueError:
                continue
            if not FIRST_YEAR <= read.year <= LAST_YEAR:
                raise ValidationError(f"The year {read.year} is not between {FIRST_YEAR} and {LAST_YEAR}.")
            return read
        raise ValidationError(f'"{text[:40]}" is not a time like 2026-10-10T18:00.')


def on_clock(naive: datetime, zone: ZoneInfo) -> datetime:
    """Return the moment at which the water's clock shows this time.

    Raises ValidationError for a time that the clock skips, or shows twice, when summer time begins or ends.
    """
    at = naive.replace(tzinfo=zone)
    if at.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != naive:
        raise ValidationError(
            f"{naive:%d %b %Y %H:%M} does not exist there: the clock is put forward over it."
        )
    if at.utcoffset() != at.replace(fold=1).utcoffset():
        raise ValidationError(
            f"{naive:%d %b %Y %H:%M} comes twice there, when the clock is put back. Take another time."
        )
    return at.astimezone(UTC)
