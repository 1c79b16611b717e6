"""The page of blind calls."""

import uuid

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from club.access import id_or_404, members_only
from club.viewer import ViewedRequest
from observations.blind import BANDS, SIZES, SURE, call_picture, next_picture, own_calls, practice, standing
from observations.blind_models import BlindCall
from observations.clearing_models import ClearedPicture
from observations.log_queries import species_tree
from observations.models import Species


@members_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def blind(request: ViewedRequest) -> HttpResponse:
    """What is this, and how sure am I, before I am told?"""
    species = {item.code: item for item in Species.objects.order_by("order", "name")}
    calls = own_calls(request.viewer)
    picture = next_picture(request.viewer, calls)
    problems: dict[str, str] = {}
    if request.method == "POST":
        key = id_or_404(request.POST.get("picture", ""))
        picture = practice(request.viewer, calls).get(key)
        if picture is None:
            raise Http404
        called, sure = request.POST.get("species", ""), request.POST.get("sure", "")
        if called not in species or called == "not-fish":
            problems["species"] = "Choose what it is: a species, or a wider kind."
        if sure not in {str(value) for value in SURE}:
            problems["sure"] = "Say how sure you are."
        band, size = request.POST.get("band", ""), request.POST.get("size", "")
        if band not in {"", *dict(BANDS)}:
            problems["band"] = "Choose how many, or leave it open."
        if size not in {"", *dict(SIZES)}:
            problems["size"] = "Choose a size, or leave it open."
        if not problems:
            made = call_picture(
                request.viewer, picture, species[called], int(sure) / 100, request.moment, band, size
            )
            return redirect(f"/calls/blind/{made.pk}/")
    context = {
        "picture": picture,
        "tree": species_tree(species, wider=True),
        "sure": SURE,
        "bands": BANDS,
        "sizes": SIZES,
        "chosen": {name: request.POST.get(name, "") for name in ("species", "sure", "band", "size")},
        "problems": problems,
        "standing": standing(calls),
    }
    return render(request, "blind/call.html", context, status=422 if problems else 200)


@members_only
@never_cache
@require_safe
def told(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Was I right?"""
    call = get_object_or_404(BlindCall.objects.select_related("called", "truth"), pk=key)
    there = ClearedPicture.objects.filter(pk=call.picture).exists()
    calls = own_calls(request.viewer)
    context = {
        "call": call,
        "there": there,
        "standing": standing(calls),
        "parts": [
            ("Number", dict(BANDS).get(call.band, ""), dict(BANDS).get(call.true_band, "")),
            ("Size", call.size, call.true_size),
        ],
    }
    return render(request, "blind/told.html", context)
