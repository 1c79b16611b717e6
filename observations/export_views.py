"""The export page, and each file that can be taken out: as exactly as the viewer may see, and logged."""

import uuid

from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from club.access import id_or_404, members_only, signed_in
from club.viewer import ViewedRequest
from observations.files.exports import EXPORTS, Asked
from observations.files.looks_csv import COLUMNS
from observations.files.occurrences import owners_to_choose
from spots.disclosure_models import Channel
from spots.disclosures import held_back, tell_held_back
from spots.models import Water
from spots.precision import released_spots


@require_safe
@signed_in
def export_page(request: ViewedRequest) -> HttpResponse:
    """Choose what to take out, and read what will be in it."""
    return _page(request)


def _page(request: ViewedRequest, error: str = "", status: int = 200) -> HttpResponse:
    spots = released_spots(channel=Channel.UNSEEN)
    counted = {level: sum(spot.precision == level for spot in spots) for level in ("exact", "area", "water")}
    context = {
        "counted": counted,
        "waters": list(Water.objects.values_list("pk", "name")),
        "owners": owners_to_choose(request.viewer),
        "held_back": held_back(sum(spot.held for spot in spots)),
        "error": error,
    }
    return render(request, "export.html", context, status=status)


@require_safe
@signed_in
def spots_file(request: ViewedRequest, name: str) -> HttpResponse:
    """What the viewer sees of spots, or the levels of waters; `?water=`, an id or a name, or `?spot=`."""
    return _file(request, name)


@require_safe
@members_only
def members_file(request: ViewedRequest, name: str) -> HttpResponse:
    """Looks at spots that the viewer sees exactly, or occurrences of the spots chosen by `?of=`; `?water=` as above."""
    return _file(request, name)


def _file(request: ViewedRequest, name: str) -> HttpResponse:
    asked = Asked(
        viewer=request.viewer,
        moment=request.moment,
        water_id=_water_asked_for(request),
        spot_ids=_spot_asked_for(request),
        of=request.GET.get("of", ""),
    )
    try:
        written = EXPORTS[name].write(asked)
    except ValidationError as error:
        return _page(request, " ".join(error.messages), 400)
    response = download(written.text, EXPORTS[name].content_type, name)
    tell_held_back(response, written.held)
    return response


def _water_asked_for(request: ViewedRequest) -> uuid.UUID | None:
    wanted = request.GET.get("water", "").strip().casefold()
    if not wanted:
        return None
    for pk, name in Water.objects.values_list("pk", "name"):
        if wanted in (str(pk), name.casefold()):
            return pk
    raise Http404


def _spot_asked_for(request: ViewedRequest) -> list[uuid.UUID] | None:
    wanted = request.GET.get("spot", "").strip()
    return [id_or_404(wanted)] if wanted else None


@require_safe
@members_only
def looks_template(request: ViewedRequest) -> HttpResponse:
    """An empty CSV for looks: the header alone."""
    return download(",".join(COLUMNS) + "\r\n", "text/csv; charset=utf-8", "looks.csv")


def download(body: str, content_type: str, name: str) -> HttpResponse:
    response = HttpResponse(body, content_type=content_type)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["Cache-Control"] = "private, no-store"
    return response
