"""The organiser's page of vulnerable species."""

from typing import Any

from django import forms
from django.http import HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from club.access import organisers_only
from club.viewer import ViewedRequest
from observations.ceilings import CHOICES, may_have_one, set_ceilings, vulnerable


class CeilingForm(forms.Form):
    """One choice for each species that can be proved."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for species in may_have_one():
            self.fields[species.pk] = forms.ChoiceField(
                label=species.name, choices=CHOICES, required=False, help_text=species.scientific_name
            )

    def wanted(self) -> dict[str, int | None]:
        return {code: int(level) if level else None for code, level in self.cleaned_data.items()}


@require_http_methods(["GET", "HEAD", "POST"])
@organisers_only
def species_ceilings(request: ViewedRequest) -> HttpResponse:
    """Say which species are left out where a spot is shown finer than they may be."""
    now = {row.species_id: str(row.level) for row in vulnerable()}
    form = CeilingForm(request.POST or None, initial=now)
    if request.method == "POST" and form.is_valid():
        set_ceilings(form.wanted(), request.viewer, request.moment)
        return HttpResponseRedirect("/sharing/species/?saved")
    return render(
        request,
        "sharing/species.html",
        {"form": form, "rows": vulnerable(), "saved": "saved" in request.GET},
        status=422 if form.errors else 200,
    )
