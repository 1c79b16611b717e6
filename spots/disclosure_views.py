"""One question: who was shown the positions of my spots, when, and how?"""

import uuid

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from club.access import members_only
from club.models import Club
from club.viewer import ViewedRequest
from spots.disclosure_models import Channel
from spots.disclosures import alerts, leavers, seen_of
from spots.precision import released_spots


@require_safe
@members_only
@never_cache
def who_saw(request: ViewedRequest) -> HttpResponse:
    """Who saw my spots' positions, when and how? `?spot=` asks about one."""
    wanted = request.GET.get("spot", "")
    try:
        ids = [uuid.UUID(wanted)] if wanted else None
    except ValueError:
        raise Http404 from None
    own = [spot for spot in released_spots(ids=ids, channel=Channel.UNSEEN) if spot.owned]
    if wanted and not own:
        raise Http404
    assert request.viewer.member_id is not None  # noqa: S101 - members_only
    seen = seen_of([spot.id for spot in own], request.viewer.member_id)
    labels = {spot.id: spot.label for spot in own}
    club = Club.objects.first()
    context = {
        "rows": [(spot, seen[spot.id]) for spot in own if spot.id in seen],
        "own": len(own),
        "leavers": [(leaver, [labels[key] for key in leaver.spots]) for leaver in leavers(list(labels))],
        "only": own[0] if wanted else None,
        "alerts": [] if wanted else alerts(),
        "cap": club.openings_per_day if club else 0,
    }
    return render(request, "disclosures/seen.html", context)
