"""Pages for waters, and the forms for spots and waters."""

import uuid
from dataclasses import replace
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db.models import Min
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from club.access import members_only, organisers_only, public
from club.units import Units
from club.versions import conflict_context, texts_of, version_of, wait_for_other_edits
from club.viewer import ViewedRequest
from spots.disclosure_models import Channel
from spots.forms import SpotForm, WaterForm
from spots.levels import series_of
from spots.models import Grant, Position, Sheet, Spot, Water
from spots.precision import position_of, released_spot, released_spots
from spots.services import SpotDraft, create_spot, save_water, update_spot
from spots.skytimes import sky_words

# The form names what a person typed; the services name what is stored.
_FIELD_OF = {"depth_min_m": "depth_min", "depth_max_m": "depth_max", "point": "position"}


def show_errors(form: Any, error: ValidationError) -> None:
    """Lay a service's errors beside the fields they speak of; nothing typed is lost."""
    details = error.message_dict if hasattr(error, "error_dict") else {"__all__": error.messages}
    for name, told in details.items():
        field = _FIELD_OF.get(name, name)
        for message in told:
            form.add_error(field if field in form.fields else None, message)


def draft_of(form: SpotForm, water: Water, scope: str) -> SpotDraft:
    """Return the draft that a valid form describes, in SI units."""
    data, units = form.cleaned_data, form.units
    low, high = data["depth_min"], data["depth_max"]
    return SpotDraft(
        water=water,
        name=data["name"],
        scope=scope,
        point=data["position"],
        typed=form.data.get("position", "").strip()[:80],
        cover=data["cover"],
        structure=data["structure"],
        depth_min_m=None if low is None else units.metres(low),
        depth_max_m=None if high is None else units.metres(high),
        alias=data["alias"],
        provenance=data["provenance"],
        placed_on=data["placed_on"],
        permission=data["permission"],
        notes=data["notes"],
        grants=form.grants(),
        batched=True,
    )


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def spot_new(request: ViewedRequest) -> HttpResponse:
    """Place a spot."""
    units = Units.of(request.member)
    initial = {"water": request.GET.get("water", ""), "position": request.GET.get("position", "")[:80]}
    form = SpotForm(request.POST or None, initial=initial, viewer=request.viewer, units=units)
    if request.method == "POST" and form.is_valid():
        water = form.cleaned_data["water"]
        try:
            spot, warnings = create_spot(
                draft_of(form, water, form.cleaned_data["scope"]), request.viewer, request.moment
            )
        except ValidationError as error:
            show_errors(form, error)
        else:
            return _to_sheet(request, spot.id, [*warnings, *_batched_words(spot)])
    return render(
        request,
        "spots/form.html",
        {"form": form, "title": "Place a spot", "units": units},
        status=_status(form),
    )


def _batched_words(spot: Spot) -> list[str]:
    """Say from when those below exact see a new spot, where any do."""
    first = Grant.objects.filter(spot=spot, replaced_at=None).aggregate(first=Min("starts_at"))["first"]
    if first is None:
        return []
    return [
        f"Those who see an area are shown it from {first.day} {first:%B %Y}, so that it does not tell who was out"
        " today. Under Who sees it you can say otherwise."
    ]


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def spot_edit(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Change a spot of one's own. What was changed elsewhere meanwhile is shown beside it to choose from (409)."""
    if request.method == "POST":
        wait_for_other_edits(key)
    shown = released_spot(key, channel=Channel.UNSEEN)
    if not shown.owned:
        raise Http404
    units = Units.of(request.member)
    spot = Spot.objects.select_related("water").get(pk=key)
    sheet = Sheet.objects.filter(pk=key).first()
    position = position_of(shown)
    initial = {
        "water": spot.water_id,
        "name": shown.name,
        "alias": spot.alias,
        "position": _position_text(position) if position else "",
        "scope": spot.scope,
        "members_see": "hidden",
        "cover": shown.cover,
        "structure": shown.structure,
        "depth_min": _rounded(units.depth(shown.depth_min_m)),
        "depth_max": _rounded(units.depth(shown.depth_max_m)),
        "provenance": shown.provenance,
        "placed_on": shown.placed_on,
        "permission": sheet.permission if sheet else "",
        "notes": shown.notes,
    }
    form = SpotForm(request.POST or None, initial=initial, viewer=request.viewer, units=units)
    # Whose a spot is, and who sees it, is the sharing desk's; a spot does not change waters.
    kept = ("water", "scope", "members_see")
    for name in kept:
        form.fields[name].disabled = True
    saved = texts_of(initial, [name for name in form.fields if name not in kept])
    version = version_of(saved)
    if request.method == "POST" and request.POST.get("version") != version:
        title = f"The particulars of {shown.label}"
        context = conflict_context(
            form,
            request.POST.dict(),
            saved,
            version,
            title=title,
            back=f"/spots/{key}/",
            back_words=shown.label,
        )
        # None: the same change, sent again or made on both devices.
        if not context["differences"] and "version" in request.POST:
            return redirect(f"/spots/{key}/")
        return render(request, "club/conflict.html", context, status=409)
    if request.method == "POST" and form.is_valid():
        try:
            draft = draft_of(form, spot.water, spot.scope)
            if "position" not in form.changed_data:
                # What is known of it (a phone's error, a bearing from the boat) stays with it.
                draft = replace(draft, point=None)
            after, warnings = update_spot(spot, draft, request.moment, request.viewer)
        except ValidationError as error:
            show_errors(form, error)
        else:
            if after != spot:
                warnings.append(
                    "It lies outside the zone in which it is shown: this is a new spot. The old one is paused and"
                    " keeps its looks. Those who see an area are shown this one from next month, under a number."
                )
            return _to_sheet(request, after.id, warnings)
    context = {"form": form, "title": f"Change {shown.label}", "units": units, "spot": shown}
    context |= {"version": version, "was": list(saved.items())}
    return render(request, "spots/form.html", context, status=_status(form))


def _position_text(position: Position) -> str:
    """Return a position as its form takes it: as typed, or its point where more than a position was typed."""
    if position.typed and position.source != Position.Source.BEARING:
        return position.typed
    return f"{position.point.y:.6f}, {position.point.x:.6f}"


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _status(form: Any) -> int:
    return 422 if form.is_bound and form.errors else 200


def _to_sheet(request: ViewedRequest, key: uuid.UUID, warnings: list[str]) -> HttpResponse:
    for warning in warnings:
        messages.warning(request, warning)
    return redirect(f"/spots/{key}/")


@require_safe
@public
def waters(request: ViewedRequest) -> HttpResponse:
    """Which waters does the club keep?"""
    rows = []
    for water in Water.objects.all():
        rows.append({"water": water, "spots": len(released_spots(water_id=water.id, channel=Channel.UNSEEN))})
    return render(request, "spots/waters.html", {"rows": rows})


@require_safe
@public
def water_page(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What is public about one water?"""
    water = get_object_or_404(Water, pk=key)
    features = water.features.exclude(kind__in=["sounding", "name"]).order_by("kind", "text", "id")
    zones = [
        {"minimum": minimum, "number": water.zones.filter(minimum_ha=minimum).count()}
        for minimum in sorted({zone for zone in water.zones.values_list("minimum_ha", flat=True)})
    ]
    context = {
        "page_water": water,
        "features": features,
        "zones": zones,
        "sky": sky_words(water, request.moment),
        "levels": series_of(water, Units.of(request.member)),
    }
    return render(request, "spots/water.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
@organisers_only
def water_new(request: ViewedRequest) -> HttpResponse:
    """Add a water."""
    return _water_form(request, Water(), "Add a water")


@require_http_methods(["GET", "HEAD", "POST"])
@organisers_only
def water_edit(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Change a water's particulars."""
    water = get_object_or_404(Water, pk=key)
    return _water_form(request, water, f"Change {water.name}")


def _water_form(request: ViewedRequest, water: Water, title: str) -> HttpResponse:
    form = WaterForm(request.POST or None, instance=water)
    if request.method == "POST" and form.is_valid():
        try:
            saved = save_water(form.save(commit=False))
        except ValidationError as error:
            show_errors(form, error)
        else:
            return redirect(f"/waters/{saved.pk}/")
    return render(request, "spots/water_form.html", {"form": form, "title": title}, status=_status(form))
