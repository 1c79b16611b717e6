"""What a member says to "camera on this one, whatever it looks like"."""

import uuid

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from club.access import members_only
from club.viewer import ViewedRequest
from observations.camera_check import answer
from observations.camera_check_models import CameraCheck
from observations.models import EchoGroup, Observation


@members_only
@require_POST
def answer_check(request: ViewedRequest, look_id: uuid.UUID) -> HttpResponse:
    """Keep the answer: do it opens the log page for the camera, at the spot; not this time is kept too."""
    look = Observation.objects.filter(
        pk=look_id, observer_id=request.viewer.member_id, random_check=True, withdrawn_at=None
    ).first()
    said = request.POST.get("answer", "")
    if look is None:
        raise Http404
    if said not in CameraCheck.Answer.values:
        messages.error(request, f'"{said[:40]}" is not an answer: do it, or not this time.')
        return redirect(f"/log/{look_id}/")
    answer(look, said, request.moment)
    if said == CameraCheck.Answer.REFUSED:
        messages.success(request, "Not this time: that is kept, and you can still do it.")
        return redirect(f"/log/{look_id}/")
    groups = look.groups.exclude(band=EchoGroup.Band.NONE).order_by("order")
    settles = f"&settles={groups[0].pk}" if len(groups) == 1 else ""
    return redirect(f"/log/?spot={look.spot_id}&method=camera{settles}")
