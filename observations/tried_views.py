"""The page of what was tried at a spot."""

import uuid

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from club.access import members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations.tried import BITES, LEAST, by_condition, by_what, tries_of
from observations.words import looks_at
from spots.disclosure_models import Channel
from spots.precision import released_spot


@require_safe
@members_only
def tried(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What was tried here, and what did the fish do? Only for who sees the spot exactly."""
    spot = released_spot(key, channel=Channel.UNSEEN)
    if not spot.is_exact:
        raise Http404
    units = Units.of(request.member)
    tries = tries_of(looks_at(spot.id))
    there = [one for one in tries if one.there and one.response]
    context = {
        "spot": spot,
        "tries": len(tries),
        "least": LEAST,
        "there": len(there),
        "refused": sum(one.response not in BITES for one in there),
        "what": by_what(tries),
        "conditions": by_condition(tries, units),
    }
    return render(request, "spots/tried.html", context)
