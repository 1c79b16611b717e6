"""What a debriefed day came to, its track and its pictures; taking it back, or away."""

import uuid

from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from club.access import members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations.debrief import charting, effort, showing
from observations.debrief_models import DebriefDraft, DebriefPicture, Pass, Track
from observations.debrief_views import own_trip, wait_for_other_presses
from observations.files.track import RUN_MPS, SEARCH_MPS
from observations.log_views import send_picture
from observations.models import Observation
from observations.pictures import content_of, discard


@require_safe
@members_only
def done(request: ViewedRequest, trip_id: uuid.UUID) -> HttpResponse:
    """What the day came to, and what searching has cost so far per spot found."""
    asked = showing.day_of(own_trip(request, trip_id))
    looks = Observation.objects.filter(
        pk__in=[one.look_id for one in asked.decided if one.look_id], observer=request.viewer.member_id
    ).order_by("started_at", "id")
    spots = showing.exact_spots([look.spot_id for look in looks])
    found = showing.searches(request.viewer.member_id)
    search_speed = f"{SEARCH_MPS * 3.6:.0f} to {RUN_MPS * 3.6:.0f} km an hour"
    context = {
        "day": asked,
        "discarded": sum(one.state == DebriefDraft.State.DISCARDED for one in asked.decided),
        "looks": [(look, spots.get(look.spot_id), asked.clock(look.started_at)) for look in looks],
        "made": [
            asked.spots[one.made_spot_id]
            for one in (*asked.decided, *asked.stops)
            if one.made_spot_id in asked.spots
        ],
        "search_speed": search_speed,
        "map": charting.chart(asked, Units.of(request.member)),
        "split": showing.split(asked.track),
        "left_out": showing.left_out(asked.track),
        "passes": asked.passes,
        "pass_km": sum(one.metres for one in asked.passes) / 1000,
        "by_method": effort.by_method(found),
        "by_structure": effort.by_structure(found),
    }
    return render(request, "debrief/done.html", context)


@require_POST
@members_only
def again(request: ViewedRequest, trip_id: uuid.UUID) -> HttpResponseBase:
    """Ask again about what was discarded."""
    trip = own_trip(request, trip_id)
    DebriefDraft.objects.filter(trip=trip, state=DebriefDraft.State.DISCARDED).update(
        state=DebriefDraft.State.OPEN, decided_at=None
    )
    return redirect(f"/debrief/{trip.pk}/")


@require_safe
@members_only
def track_gpx(request: ViewedRequest, trip_id: uuid.UUID) -> HttpResponse:
    """One's own track as a file."""
    trip = own_trip(request, trip_id)
    track = Track.objects.filter(trip=trip).first()
    if track is None:
        raise Http404
    answer = HttpResponse(showing.gpx_of(track), content_type="application/gpx+xml")
    answer["Content-Disposition"] = 'attachment; filename="track.gpx"'
    answer["Cache-Control"] = "private, no-store"
    return answer


@require_POST
@members_only
def remove(request: ViewedRequest, trip_id: uuid.UUID) -> HttpResponseBase:
    """Delete a day's track, passes, drafts and the pictures that are of no look. Looks and spots stay."""
    trip = own_trip(request, trip_id)
    # A picture that a look takes at this moment is that look's, and its file stays.
    wait_for_other_presses(trip)
    rows = [one.stored() for one in DebriefPicture.objects.filter(trip=trip, used_at=None)]
    for model in (DebriefPicture, DebriefDraft, Pass, Track):
        model.objects.filter(trip=trip).delete()
    if not trip.note and not trip.looks.exists():
        trip.delete()
    transaction.on_commit(lambda: discard(rows))
    messages.success(request, "The day’s track, drafts and left pictures are deleted. Looks and spots stay.")
    return redirect("/debrief/")


@require_safe
@members_only
def picture(request: ViewedRequest, picture_id: uuid.UUID, small: bool = False) -> HttpResponse:
    """Send one's own picture of a debrief that is of no look yet."""
    row = DebriefPicture.objects.filter(pk=picture_id, member=request.viewer.member_id).first()
    content = content_of(row.stored(), small) if row else None
    if content is None:
        raise Http404
    return send_picture(content)
