"""The form of an event. Times are typed on the water's own clock; lengths in the reader's unit."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from club.clock import LocalTime, on_clock
from club.forms import Form
from club.models import Member
from club.units import Units
from observations.models import Species
from spots.event_models import LONGEST_FISH_MM, LONGEST_LIMIT, Event
from spots.events import zone_of
from spots.models import Water

_DAY = "%Y-%m-%d"


def _day(label: str, *, required: bool = False, help_text: str = "") -> forms.DateField:
    return forms.DateField(
        label=label,
        required=required,
        help_text=help_text,
        widget=forms.DateInput(attrs={"type": "date"}, format=_DAY),
        input_formats=[_DAY],
    )


PAIRS = (("off_limits_from", "off_limits_until"), ("practice_from", "practice_until"),
         ("fishing_from", "fishing_until"))  # fmt: skip


class EventForm(Form):
    """A new or changed event."""

    name = forms.CharField(max_length=80)
    water = forms.ModelChoiceField(Water.objects.all(), empty_label=None)
    target = forms.ChoiceField(label="Target species")
    fishing_from = _day("First fishing day", required=True)
    fishing_until = _day("Last fishing day", required=True)
    practice_from = _day("Practice, first day")
    practice_until = _day("Practice, last day")
    off_limits_from = _day("Off limits, first day")
    off_limits_until = _day("Off limits, last day")
    cutoff_at = LocalTime(
        label="Information cut-off",
        help_text="On the water’s own clock. From then on whoever is entered sees the water as it stood then,"
        " and so do guests and the public. Once it has passed it cannot be moved.",
    )
    ends_at = LocalTime(
        label="The event ends", help_text="On the water’s own clock. Then all is shown again."
    )
    limit_number = forms.IntegerField(
        label="Limit, number of fish", required=False, min_value=1, max_value=LONGEST_LIMIT
    )
    minimum_length = forms.FloatField(label="Minimum length", required=False, min_value=0.1)
    allowed_sources = forms.CharField(
        label="Allowed sources of information",
        required=False,
        max_length=4000,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="In the event’s own words. Tallow shows them; it does not decide rules.",
    )
    rules_url = forms.URLField(
        label="Link to the local rules", required=False, assume_scheme="https", max_length=200
    )
    deputy = forms.ModelChoiceField(
        Member.objects.none(),
        required=False,
        empty_label="nobody",
        help_text="A member who does not fish the event, and acts for it when every organiser does.",
    )

    def __init__(
        self,
        *args: Any,
        event: Event | None,
        units: Units,
        moment: datetime,
        deputies: Any,
        names_deputy: bool,
        **kwargs: Any,
    ) -> None:
        if event is not None:
            kwargs["initial"] = _initial(event, units)
        super().__init__(*args, **kwargs)
        self.event, self.units, self.moment = event, units, moment
        target = self.fields["target"]
        assert isinstance(target, forms.ChoiceField)  # noqa: S101
        target.choices = [(item.code, item.name) for item in Species.objects.filter(is_wider=False)]
        self.fields[
            "minimum_length"
        ].label = f"Minimum length, {'inches' if units.length == 'ft' else 'millimetres'}"
        if names_deputy:
            self.fields["deputy"].queryset = deputies  # type: ignore[attr-defined]
        else:
            del self.fields["deputy"]
        if event is not None and event.cutoff_at <= moment:
            for name in ("water", "cutoff_at"):
                self.fields[name].disabled = True
            self.fields["cutoff_at"].help_text = "It has passed, and stands."
        if event is not None and event.ends_at <= moment:
            self.fields["ends_at"].disabled = True

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        for first, last in PAIRS:
            self._pair(data, first, last)
        practice, fishing = data.get("practice_until"), data.get("fishing_from")
        if practice and fishing and practice > fishing:
            self.add_error(
                "practice_until", f"{_words(practice)} comes after the first fishing day, {_words(fishing)}."
            )
        if water := data.get("water"):
            self._times(data, ZoneInfo(water.time_zone))
        length = data.get("minimum_length")
        if length is not None:
            data["minimum_length_mm"] = round(self.units.fish_mm(length))
            if not 1 <= data["minimum_length_mm"] <= LONGEST_FISH_MM:
                self.add_error(
                    "minimum_length", f"{length:g} is not possible: at most {LONGEST_FISH_MM} mm, at least 1."
                )
        return data

    def _pair(self, data: dict[str, Any], first: str, last: str) -> None:
        a, b = data.get(first), data.get(last)
        if (a is None) != (b is None) and not (first in self.errors or last in self.errors):
            self.add_error(last if b is None else first, "Say the first and the last day, or neither.")
        if a and b and a > b:
            self.add_error(last, f"{_words(b)} comes before the first day, {_words(a)}.")

    def _times(self, data: dict[str, Any], zone: ZoneInfo) -> None:
        for name in ("cutoff_at", "ends_at"):
            if isinstance(value := data.get(name), datetime):
                if self.fields[name].disabled and self.event:
                    data[name] = getattr(self.event, name)
                    continue
                try:
                    data[name] = on_clock(value, zone)
                except ValidationError as error:
                    self.add_error(name, error)
        cutoff, ends = data.get("cutoff_at"), data.get("ends_at")
        if cutoff and not self.fields["cutoff_at"].disabled and cutoff < self.moment:
            self.add_error(
                "cutoff_at", f"{_clock(cutoff, zone)} has passed: a cut-off is set before it comes."
            )
        if cutoff and ends and ends <= cutoff:
            self.add_error(
                "ends_at", f"{_clock(ends, zone)} does not come after the cut-off, {_clock(cutoff, zone)}."
            )
        first, last = data.get("fishing_from"), data.get("fishing_until")
        if cutoff and first and cutoff.astimezone(zone).date() > first:
            self.add_error(
                "cutoff_at", f"{_clock(cutoff, zone)} comes after the first fishing day, {_words(first)}."
            )
        if ends and last and ends.astimezone(zone).date() < last:
            self.add_error(
                "ends_at", f"{_clock(ends, zone)} comes before the last fishing day, {_words(last)}."
            )
        if self.event and self.event.cutoff_at <= self.moment and ends and ends < self.event.ends_at:
            self.add_error(
                "ends_at", "The cut-off has passed: the event may end later than was said, not earlier."
            )

    def fill(self, event: Event) -> Event:
        """Lay what was typed on an event, unsaved."""
        data = self.cleaned_data
        for name in (
            "name", "water", "target", "fishing_from", "fishing_until", "practice_from", "practice_until",
            "off_limits_from", "off_limits_until", "cutoff_at", "ends_at", "limit_number", "allowed_sources",
            "rules_url",
        ):  # fmt: skip
            setattr(event, name, data[name])
        event.minimum_length_mm = data.get("minimum_length_mm")
        if "deputy" in self.fields:
            event.deputy = data["deputy"]
        return event


def _words(day: Any) -> str:
    return f"{day.day} {day:%b %Y}"


def _clock(at: datetime, zone: ZoneInfo) -> str:
    local = at.astimezone(zone)
    return f"{local.day} {local:%b %Y, %H:%M}"


def _initial(event: Event, units: Units) -> dict[str, Any]:
    zone = zone_of(event)
    initial: dict[str, Any] = {
        name: getattr(event, name)
        for name in (
            "name", "target", "fishing_from", "fishing_until", "practice_from", "practice_until",
            "off_limits_from", "off_limits_until", "limit_number", "allowed_sources", "rules_url",
        )
    }  # fmt: skip
    length = event.minimum_length_mm
    inches = units.length == "ft"
    return initial | {
        "water": event.water_id,
        "deputy": event.deputy_id,
        "cutoff_at": event.cutoff_at.astimezone(zone).replace(tzinfo=None),
        "ends_at": event.ends_at.astimezone(zone).replace(tzinfo=None),
        "minimum_length": None if length is None else round(length / 25.4, 1) if inches else length,
    }
