"""The page that puts right the conditions and the note of a look. Two devices that change it both meet here."""

import uuid
from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from club.access import members_only
from club.units import Units
from club.versions import conflict_context, texts_of, wait_for_other_edits
from club.viewer import ViewedRequest
from observations.editing import change_look, look_version, why_not_changed
from observations.log_fields import Measured, MeasureField
from observations.log_forms import measured_conditions, named_conditions
from observations.log_start import conditions_of
from observations.log_words import in_words, local_time, with_parts
from observations.look_limits import LONGEST_NOTE
from observations.models import Observation

# The field on the page, and the look's own name of it.
_MODEL_NAMES = {
    "platform": "platform",
    "water_temp": "water_temp_c",
    "water_temp_depth": "water_temp_depth_m",
    "secchi": "secchi_m",
    "pool_level": "pool_level_m",
    "clarity": "clarity",
    "wind": "wind_m_s",
    "wind_from": "wind_from_deg",
    "sky": "sky",
    "note": "note",
}
_NUMBERS = ("wind", "wind_from")


class ConditionsForm(forms.Form):
    """Conditions, platform and note of a look, in the member's units, in the order of the page."""

    def __init__(self, units: Units, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        named = named_conditions("You were on")
        self.fields["platform"] = named.pop("platform")
        self.fields |= measured_conditions(units) | named
        self.fields["note"] = forms.CharField(required=False, max_length=LONGEST_NOTE, label="Note")

    def changes(
        self, saved: Mapping[str, str], sent: Mapping[str, str]
    ) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return what was changed, by the look's names in SI, and as it was typed."""
        changes: dict[str, Any] = {}
        typed: dict[str, Any] = {}
        for name, model_name in _MODEL_NAMES.items():
            if sent[name] == saved[name]:
                continue
            value = self.cleaned_data.get(name)
            if isinstance(self.fields[name], MeasureField):
                measured: Measured | None = value
                changes[model_name] = measured.si if measured else None
                if measured:
                    typed[name] = [measured.typed, measured.unit]
            elif name in _NUMBERS:
                number = float(value) if value else None
                changes[model_name] = int(number) if number is not None and name == "wind_from" else number
            else:
                changes[model_name] = (value or "").replace("\r\n", "\n").strip()
        return changes, typed


def _saved_texts(look: Observation, units: Units) -> dict[str, str]:
    """Return what the form of a look holds before anybody types."""
    return texts_of(
        {**conditions_of(look, units), "platform": look.platform, "note": look.note}, _MODEL_NAMES
    )


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request: ViewedRequest, look_id: uuid.UUID) -> HttpResponseBase:
    """Change conditions and note. What was changed elsewhere meanwhile is shown beside it to choose from (409)."""
    if request.method == "POST":
        wait_for_other_edits(look_id)
    own = Observation.objects.filter(pk=look_id, observer_id=request.viewer.member_id)
    look = own.select_related("spot", "observer").prefetch_related(*with_parts()).first()
    if look is None:
        raise Http404
    if reason := why_not_changed(look, request.moment):
        messages.error(request, reason)
        return redirect(f"/log/{look_id}/")
    units = Units.of(request.member)
    saved, version = _saved_texts(look, units), look_version(look)
    form = ConditionsForm(units, initial=saved)
    if request.method == "POST":
        # A field that was not sent stays as it is.
        sent = texts_of(
            {**saved, **{name: request.POST[name] for name in saved if name in request.POST}}, saved
        )
        if request.POST.get("version") != version:
            if sent == saved:  # the same change, sent again or made on both
                return _saved_answer(request, look_id)
            return _conflict(request, look, form, saved, version)
        form = ConditionsForm(units, sent, initial=saved)
        if form.is_valid() and _changed(request, look, form, saved, sent):
            return _saved_answer(request, look_id)
        if request.headers.get("Accept") == "application/json":
            return JsonResponse({"errors": form.errors}, status=422)
    [words] = in_words([look], units, request.moment)
    context = {"form": form, "look": look, "words": words, "version": version, "was": list(saved.items())}
    return render(request, "log/edit.html", context, status=422 if form.errors else 200)


def _changed(
    request: ViewedRequest,
    look: Observation,
    form: ConditionsForm,
    saved: Mapping[str, str],
    sent: Mapping[str, str],
) -> bool:
    from observations.jobs import wake

    changes, typed = form.changes(saved, sent)
    names = {model_name: name for name, model_name in _MODEL_NAMES.items()}
    try:
        if changes:
            change_look(look, changes, request.moment, typed)
            wake()
    except ValidationError as error:
        details = error.message_dict if hasattr(error, "error_dict") else {"note": error.messages}
        for name, told in details.items():
            for message in told:
                form.add_error(names.get(name, "note"), message)
        return False
    return True


def _saved_answer(request: ViewedRequest, look_id: uuid.UUID) -> HttpResponseBase:
    url = f"/log/{look_id}/"
    if request.headers.get("Accept") == "application/json":
        return JsonResponse({"url": url})
    messages.success(request, "Saved. What was seen and called stays as it was sealed.")
    return redirect(url)


def _conflict(
    request: ViewedRequest, look: Observation, form: ConditionsForm, saved: Mapping[str, str], version: str
) -> HttpResponseBase:
    """Answer 409 with both versions."""
    context = conflict_context(
        form,
        request.POST.dict(),
        saved,
        version,
        title=f"Conditions and note of the look of {local_time(look):%d %b %Y, %H:%M}",
        back=f"/log/{look.pk}/",
        back_words="Your look",
    )
    if request.headers.get("Accept") == "application/json":
        yours = {one.name: one.yours for one in context["differences"]}
        return JsonResponse({"version": version, "saved": saved, "yours": {**saved, **yours}}, status=409)
    return render(request, "club/conflict.html", context, status=409)
