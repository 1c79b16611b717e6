"""The page of what was tried at a spot."""

import uuid
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_safe

from club.access import members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations.tried import BITES, LEAST, Try, by_condition, by_what, tries_of, tries_on
from observations.words import looks_at
from spots.disclosure_models import Channel
from spots.models import Water
from spots.precision import released_spot


@require_safe
@members_only
def tried(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What was tried here, and what did the fish do? Only for who sees the spot exactly."""
    spot = released_spot(key, channel=Channel.UNSEEN)
    if not spot.is_exact:
        raise Http404
    return _page(request, tries_of(looks_at(spot.id)), spot=spot, water_id=spot.water_id)


@require_safe
@members_only
def tried_on_water(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """The same for a whole water, from the looks that the reader sees in full."""
    water = get_object_or_404(Water, pk=key)
    return _page(request, tries_on(water.pk), on=water)


def _page(request: ViewedRequest, tries: list[Try], **where: Any) -> HttpResponse:
    there = [one for one in tries if one.there and one.response]
    context = {
        **where,
        "tries": len(tries),
        "least": LEAST,
        "there": len(there),
        "refused": sum(one.response not in BITES for one in there),
        "what": by_what(tries),
        "conditions": by_condition(tries, Units.of(request.member)),
    }
    return render(request, "spots/tried.html", context)
