"""The page of small reckonings: a cone, a shadow, a sounder's depth, a fish's weight. Nothing is stored."""

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from club.access import public
from club.units import Units
from club.viewer import ViewedRequest
from observations.measure_forms import KINDS, Reckoning, Weight
from observations.models import Species


@require_safe
@public
def measures(request: ViewedRequest) -> HttpResponse:
    """How wide, how high, how deep, how heavy?"""
    units = Units.of(request.member)
    asked = request.GET.get("what", "")
    species = [(one.code, one.name.capitalize()) for one in Species.objects.filter(is_wider=False)]
    forms: list[Reckoning] = []
    status = 200
    for kind in KINDS:
        data = request.GET if asked == kind.name else None
        forms.append(kind(data, units, species) if kind is Weight else kind(data, units))
    shown = [(form, form.told() if form.is_bound and form.is_valid() else []) for form in forms]
    if any(form.errors for form in forms):
        status = 422
    return render(request, "measures.html", {"shown": shown}, status=status)
