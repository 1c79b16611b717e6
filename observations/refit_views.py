"""The organiser's page of refits: what the club's confidence rests on, and whether the last fit held."""

from datetime import timedelta
from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from club.access import organisers_only
from club.viewer import ViewedRequest
from observations.models import Method, Refit, Species
from observations.words import SHORT_METHOD

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
    page["filters"] = _filters(current) if current else []
    return render(request, "club/refits.html", page)


def _filters(refit: Refit) -> list[dict[str, Any]]:
    """Return, by method, what its filters of small echoes hide: of each species, with 90 % intervals, in per cent."""
    told = refit.diagnostics.get("hidden_by_filter", [])
    names = {species.pk: species.name for species in Species.objects.order_by("order", "code")}
    return [
        {
            "method": SHORT_METHOD[Method(one["method"])],
            "looks": one["looks"],
            "targets": [
                (names.get(code, "what is no fish of the list"), *(round(100 * part) for part in parts))
                for code, parts in one["targets"].items()
            ],
        }
        for one in told
    ]


def _rates(refit: Refit) -> list[dict[str, Any]]:
    told = refit.diagnostics.get("rates", {})
    return [
        {"species": species.name, "camera": told[species.pk]["camera"], "rod": told[species.pk]["rod"]}
        for species in Species.objects.filter(pk__in=told).order_by("order", "code")
    ]
