"""The organiser's page of refits: what the club's confidence rests on, and whether the last fit held."""

from datetime import timedelta
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from club.access import organisers_only
from club.viewer import ViewedRequest
from observations.models import Refit, Species

SHOWN = 20
OLD = timedelta(days=3)


@require_safe
@organisers_only
def refits_page(request: ViewedRequest) -> HttpResponse:
    """List the last refits with counts and diagnostics; the one that pages read now comes first, in full."""
    rows = list(Refit.objects.defer("parameters").order_by("-id")[:SHOWN])
    current = Refit.objects.defer("parameters").filter(is_current=True).first()
    failed = bool(rows) and not rows[0].converged
    old = current is not None and request.moment - current.finished_at > OLD
    rates = _rates(current) if current else []
    page = {"rows": rows, "current": current, "failed": failed, "old": old, "rates": rates}
    return render(request, "club/refits.html", page)


def _rates(refit: Refit) -> list[dict[str, Any]]:
    told = refit.diagnostics.get("rates", {})
    return [
        {"species": species.name, "camera": told[species.pk]["camera"], "rod": told[species.pk]["rod"]}
        for species in Species.objects.filter(pk__in=told).order_by("order", "code")
    ]
