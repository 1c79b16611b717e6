"""The page on which an owner leaves a spot alone."""

import uuid
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from club.access import members_only
from club.units import Units
from club.viewer import ViewedRequest
from spots.disclosure_models import Channel
from spots.precision import released_spot
from spots.resting import LIMITS, ComeBack
from spots.services import save_rest


class RestForm(forms.Form):
    """Until when, and when to come back; in the reader's own units."""

    until = forms.DateField(
        required=False,
        label="Leave it alone until",
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text="The first day to fish it again. Empty: it is not rested.",
    )
    level_from_m = forms.FloatField(required=False, label="Pool level, from")
    level_to_m = forms.FloatField(required=False, label="to")
    temp_from_c = forms.FloatField(required=False, label="Water temperature, from")
    temp_to_c = forms.FloatField(required=False, label="to")
    sight_from_m = forms.FloatField(required=False, label="Visibility, at least")
    wind = forms.CharField(
        required=False, max_length=80, label="Wind", help_text="As you would say it: south, under 10 mph."
    )

    def __init__(self, *args: Any, units: Units, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.units = units
        length = units.depth_name
        self.fields["level_from_m"].help_text = f"{length.capitalize()} from full pool; below it is negative."
        self.fields["temp_from_c"].help_text = units.temperature_name.capitalize() + "."
        self.fields["sight_from_m"].help_text = f"{length.capitalize()} at which a white disc is still seen."

    def clean(self) -> dict[str, Any]:
        """Say what cannot be in the units that it was typed in; `ComeBack.check` has the same rules in SI."""
        data = super().clean() or {}
        for name, (low, high) in LIMITS.items():
            typed = data.get(name)
            si, shown = (
                (self.units.metres, self.units.depth)
                if name.endswith("_m")
                else (self.units.celsius, self.units.temperature_number)
            )
            if typed is not None and not low <= si(typed) <= high:
                least, most = (f"{round(number or 0.0, 1):g}" for number in (shown(low), shown(high)))
                self.add_error(name, f"{typed:g} is not possible: it must lie between {least} and {most}.")
        for lower, higher in (("level_from_m", "level_to_m"), ("temp_from_c", "temp_to_c")):
            first, second = data.get(lower), data.get(higher)
            if first is not None and second is not None and first > second:
                self.add_error(higher, f"{second:g} is less than {first:g}: the higher one comes second.")
        return data

    def come_back(self) -> ComeBack:
        """Return what was typed, in SI."""
        data = self.cleaned_data
        metres = {
            name: None if data[name] is None else self.units.metres(data[name])
            for name in ("level_from_m", "level_to_m", "sight_from_m")
        }
        celsius = {
            name: None if data[name] is None else self.units.celsius(data[name])
            for name in ("temp_from_c", "temp_to_c")
        }
        return ComeBack(**metres, **celsius, wind=data["wind"].strip())


def _shown(when: ComeBack, units: Units) -> dict[str, Any]:
    """Return a form's initial values, in the reader's units."""

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        **{
            name: rounded(units.depth(getattr(when, name)))
            for name in ("level_from_m", "level_to_m", "sight_from_m")
        },
        **{
            name: rounded(units.temperature_number(getattr(when, name)))
            for name in ("temp_from_c", "temp_to_c")
        },
        "wind": when.wind,
    }


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def spot_rest(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Until when is this spot left alone, and what makes it worth coming back? The owner's to say."""
    shown = released_spot(key, channel=Channel.UNSEEN)
    if not shown.owned:
        raise Http404
    units = Units.of(request.member)
    initial = {"until": shown.rest_until, **_shown(ComeBack.of(shown.come_back), units)}
    form = RestForm(request.POST if request.method == "POST" else None, initial=initial, units=units)
    if request.method == "POST" and form.is_valid():
        try:
            save_rest(key, form.cleaned_data["until"], form.come_back(), request.moment.date())
        except ValidationError as error:
            for name, messages in error.message_dict.items():
                form.add_error(name, messages)
        else:
            return redirect(f"/spots/{key}/")
    return render(
        request, "spots/rest.html", {"spot": shown, "form": form}, status=400 if form.errors else 200
    )
