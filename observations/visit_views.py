"""The page that lays the looks of a visit side by side, and beside those of another."""

import uuid
from dataclasses import dataclass
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from club.access import id_or_404, members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations.models import History
from observations.reading import histories
from observations.visits import Believed, Column, Kinds, Visit, columns, most_telling, named_in, visits_of
from observations.words import looks_at, times_of_looks_at
from spots.disclosure_models import Channel
from spots.models import Water
from spots.precision import ReleasedSpot, released_spot, released_spots
from spots.skytimes import SkyWords, sky_words


@dataclass(frozen=True)
class Plate:
    """One visit, laid out."""

    spot: ReleasedSpot
    visit: Visit
    columns: list[Column]
    earlier: Visit | None
    later: Visit | None
    sky: SkyWords | None
    now: list[History]  # of the species that the visit called or found


def _plate(
    spot: ReleasedSpot,
    visits: list[Visit],
    wanted: str,
    request: ViewedRequest,
    believed: Believed,
    kinds: Kinds,
) -> Plate | None:
    """Lay out the visit that holds a look, or without one the most telling. 404 for a look that is not there."""
    visit = most_telling(visits)
    if wanted:
        key = id_or_404(wanted)
        visit = next((visit for visit in visits if key in {look.id for look in visit.looks}), None)
        if visit is None:
            raise Http404
    if visit is None:
        return None
    at = visits.index(visit)
    (visit,) = visits_of(looks_at(spot.id, only=[look.id for look in visit.looks]))
    return Plate(
        spot=spot,
        visit=visit,
        columns=columns(visit, Units.of(request.member), believed, kinds, request.moment),
        earlier=visits[at + 1] if at + 1 < len(visits) else None,
        later=visits[at - 1] if at else None,
        sky=sky_words(Water.objects.get(pk=spot.water_id), visit.looks[0].started_at),
        now=[row for row in histories(spot, request.viewer) if row.species_id in named_in(visit)],
    )


@require_safe
@members_only
def side_by_side(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What did each screen show of the same fish, and what were they?

    `visit` and `beside` name a visit by one of its looks; `spot` another spot, whose most telling visit is
    laid beside. Only for who sees the spots exactly: others are told of neither times nor pictures.
    """
    spot = released_spot(key, channel=Channel.UNSEEN)
    if not spot.is_exact:
        raise Http404
    believed, kinds = Believed(), Kinds()
    visits = visits_of(times_of_looks_at(spot.id))
    plate = _plate(spot, visits, request.GET.get("visit", ""), request, believed, kinds)
    second = None
    if other := request.GET.get("spot", ""):
        beside = released_spot(id_or_404(other), channel=Channel.UNSEEN)
        if not beside.is_exact:
            raise Http404
        second = _plate(beside, visits_of(times_of_looks_at(beside.id)), "", request, believed, kinds)
    elif wanted := request.GET.get("beside", ""):
        second = _plate(spot, visits, wanted, request, believed, kinds)
    context: dict[str, Any] = {
        "spot": spot,
        "water": Water.objects.get(pk=spot.water_id),
        "plates": [made for made in (plate, second) if made],
        "visits": visits,
        "asked": {
            "visit": plate.visit.id if plate else "",
            "beside": second.visit.id if second else "",
            "spot": other,
        },
        "spots": [
            one
            for one in released_spots(water_id=spot.water_id, channel=Channel.UNSEEN)
            if one.is_exact and one.id != spot.id
        ],
    }
    return render(request, "visits/side_by_side.html", context)
