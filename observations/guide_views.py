"""The field guide's pages."""

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from club.access import public
from club.viewer import ViewedRequest
from observations.guide import entries
from observations.models import Species


@require_safe
@public
@never_cache
def guide(request: ViewedRequest) -> HttpResponse:
    """What does each fish look like on each screen, and what is it taken for?"""
    return render(request, "calls/guide.html", {"entries": entries(request.viewer), "one": None})


@require_safe
@public
@never_cache
def one_species(request: ViewedRequest, code: str) -> HttpResponse:
    """The same, for one species in full."""
    if not Species.objects.filter(code=code, is_wider=False).exists():
        raise Http404
    found = entries(request.viewer, code)
    context = {"entries": found, "one": Species.objects.get(code=code)}
    return render(request, "calls/guide.html", context)
