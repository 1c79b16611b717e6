"""The sharing desk: who sees my spots, and how exactly?"""

import uuid
from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.core.paginator import Paginator
from django.db.models import Count
from django.forms import BaseFormSet, formset_factory
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from club.access import members_only
from club.clock import on_clock
from club.models import AudiencePolicy, Club
from club.units import Units
from club.viewer import ViewedRequest
from spots.events import frozen_until
from spots.granting import (
    EVERYBODY,
    Sight,
    audience_exists,
    seen_as,
    set_many,
    sights_at,
    sights_of,
    trial,
)
from spots.linking import rows_for
from spots.minimap import minimap
from spots.models import SharingChange, Spot, Water
from spots.sharing import (
    HOW_WORDS,
    Seen,
    Watch,
    audience_name,
    audience_names,
    change,
    mark_of,
    name_of,
    own_spots,
    seen_words,
    told_audiences,
    undo,
)
from spots.sharing_forms import ManyForm, SightForm, TryForm, initial_of

_SHOWN_CHANGES = 5
PER_PAGE = 40
# So many chosen spots are named on the page of a bulk change.
_NAMED = 60

STALE = "Its sharing was changed meanwhile, here or by somebody else who may. Look at what stands now, and send again."


def _at(at: datetime, zone: str) -> str:
    local = at.astimezone(ZoneInfo(zone))
    return f"{local.day} {local:%b %Y, %H:%M}"


def _when(sight: Sight, zone: str) -> str:
    """Say the times of a sight on the water's clock."""
    parts = [f"from {_at(sight.starts_at, zone)}"] if sight.starts_at else []
    return ", ".join([*parts, f"until {_at(sight.ends_at, zone)}"] if sight.ends_at else parts)


def _sight_words(
    sight: Sight, names: Mapping[str, str], policies: Mapping[str, AudiencePolicy], zone: str
) -> dict[str, str]:
    policy = policies.get(sight.audience)
    if sight.level is None:
        how = f"{HOW_WORDS[policy.default_level]}, the club’s default" if policy else HOW_WORDS[0]
    else:
        how = HOW_WORDS[sight.level]
        if policy and sight.level > policy.ceiling_level:
            how = f"{HOW_WORDS[policy.ceiling_level]} (you gave {how}; the club’s ceiling is lower)"
    return {"who": audience_name(sight.audience, names), "how": how, "when": _when(sight, zone)}


def _ha_per_hour() -> float:
    return Club.objects.get().search_ha_per_hour


def _chosen_water(request: ViewedRequest, waters: list[tuple[Water, int]]) -> Water | None:
    wanted = request.GET.get("water") or request.COOKIES.get("water", "")
    return next((water for water, _ in waters if str(water.pk) == wanted), waters[0][0] if waters else None)


@require_safe
@members_only
def desk(request: ViewedRequest) -> HttpResponse:
    """Who sees my spots, and how exactly?"""
    mine = own_spots(request.viewer)
    counts = dict(mine.order_by("water_id").values_list("water_id").annotate(Count("id")))
    waters = [(water, counts[water.pk]) for water in Water.objects.filter(pk__in=counts)]
    water = _chosen_water(request, waters)
    names = audience_names()
    page = Paginator(mine.filter(water=water), PER_PAGE).get_page(request.GET.get("page"))
    context = {
        # The frame's chooser of waters: here those with spots of one's own.
        "waters": [own for own, _ in waters],
        "water": water,
        "total": counts.get(water.pk, 0) if water else 0,
        "page": page,
        "rows": _desk_rows(list(page), names, request.moment),
        "everybody": EVERYBODY,
        "changes": SharingChange.objects.filter(member=request.member)[:_SHOWN_CHANGES],
        "waiting": sum(row.waits_for_me for row in rows_for(request.viewer)),
        "bulk": ManyForm(names=names),
    }
    return render(request, "sharing/desk.html", context)


def _desk_rows(spots: list[Spot], names: Mapping[str, str], moment: datetime) -> list[dict[str, Any]]:
    """Return each spot with what everybody's three audiences, and those it names, see of it now, and later."""
    policies = {policy.audience: policy for policy in AudiencePolicy.objects.all()}
    sights, per_hour = sights_of(spots, moment), _ha_per_hour()
    named = sorted({sight.audience for told in sights.values() for sight in told} - set(EVERYBODY))
    looked = {
        audience: seen_as([spot.pk for spot in spots], audience, moment)
        for audience in (*EVERYBODY, *(key for key in named if key in names))
    }

    def seen(audience: str, spot: Spot) -> Seen:
        return seen_words(audience_name(audience, names), looked[audience].get(spot.pk), per_hour)

    rows = []
    for spot in spots:
        told = sights[spot]
        everybody = [seen(audience, spot) for audience in EVERYBODY]
        zone = spot.water.time_zone
        others = dict.fromkeys(sight.audience for sight in told if sight.audience in looked)
        rows.append(
            {
                "id": spot.pk,
                "name": name_of(spot),
                "owner": ""
                if spot.owner_member_id
                else "the club"
                if spot.owner == "organisers"
                else names[spot.owner],
                "everybody": everybody,
                "alone": not told and all(one.spot is None for one in everybody),
                "others": [seen(audience, spot) for audience in others if audience not in EVERYBODY],
                "timed": [
                    _sight_words(sight, names, policies, zone)
                    for sight in told
                    if sight.ends_at or (sight.starts_at and sight.starts_at > moment)
                ],
            }
        )
    return rows


def own_or_404(request: ViewedRequest, key: uuid.UUID) -> Spot:
    return get_object_or_404(own_spots(request.viewer), pk=key)


def _wanted(formset: "BaseFormSet[SightForm]", zone: str) -> list[Sight] | None:
    """Return the sights that a formset says, or None when one of them cannot be."""
    if not formset.is_valid():
        return None
    sights = [form.sight(zone) for form in formset]
    if any(form.errors for form in formset):
        return None
    return list(dict.fromkeys(sight for sight in sights if sight is not None))


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def spot_sharing(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Who sees this spot, and what would they see if I changed it?"""
    spot = own_or_404(request, key)
    zone, names = spot.water.time_zone, audience_names()
    factory = formset_factory(SightForm, extra=1, max_num=60, absolute_max=61, validate_max=True)
    kwargs = {"names": names, "owner": spot.owner}
    standing = sights_at(spot, request.moment)
    trying = TryForm(request.POST or None, names=names, owner=spot.owner)
    wanted: list[Sight] | None = standing
    told, status = "", 200
    if request.method == "POST":
        formset = factory(request.POST, form_kwargs=kwargs)
        wanted = _wanted(formset, zone)
        if wanted is None:
            status = 422
        elif "save" in request.POST and request.POST.get("stood") != mark_of([spot]):
            told, status = STALE, 409
        elif "save" in request.POST:
            try:
                change({spot: wanted}, request.viewer, request.moment, f"Changed who sees {name_of(spot)}")
            except ValidationError as error:
                told, status = " ".join(error.messages), 422
            else:
                messages.success(request, f"Saved who sees {name_of(spot)}.")
                return redirect(f"/sharing/{spot.pk}/")
    else:
        formset = factory(initial=[initial_of(sight, zone) for sight in standing], form_kwargs=kwargs)
    tries = request.method == "POST" and status == 200
    at = _try_moment(trying, zone, request.moment)
    try:
        shown = _as_everybody(spot, wanted if tries else None, request, names, trying.audience, at)
    except ValidationError as error:
        told, status, tries = " ".join(error.messages), 422, False
        shown = _as_everybody(spot, None, request, names, "", request.moment)
    context = {
        "spot": spot,
        "name": name_of(spot),
        "formset": formset,
        "trying_form": trying,
        "told": told,
        "standing": [_sight_words(sight, names, {}, zone) for sight in standing] if status == 409 else [],
        "shown": shown,
        "trying": tries,
        "on": _at(at, zone) if at > request.moment else "",
        "zone": zone,
        "stood": mark_of([spot]),
        "frozen_by": frozen_until(spot.water, request.moment),
    }
    return render(request, "sharing/spot.html", context, status=status)


def _try_moment(trying: TryForm, zone: str, moment: datetime) -> datetime:
    """Return the moment to see it at: the one asked for when it can be, now otherwise; never one that has passed."""
    if not (trying.is_bound and trying.is_valid() and trying.cleaned_data["on"]):
        return moment
    try:
        return max(moment, on_clock(trying.cleaned_data["on"], ZoneInfo(zone)))
    except ValidationError as error:
        trying.add_error("on", error)
        return moment


def _as_everybody(
    spot: Spot,
    wanted: list[Sight] | None,
    request: ViewedRequest,
    names: Mapping[str, str],
    also: str,
    at: datetime,
) -> list[dict[str, Any]]:
    """Return the spot as each audience would see it at a moment, with the hectares and hours it leaves to search."""
    per_hour, units = _ha_per_hour(), Units.of(request.member)
    out = []
    with trial():
        if wanted is not None:
            set_many({spot: wanted}, request.viewer, request.moment)
        audiences = told_audiences(sights_at(spot, request.moment))
        for audience in dict.fromkeys([*([also] if also else []), *audiences]):
            if not audience_exists(audience):
                continue
            seen = seen_as([spot.pk], audience, at, drawn=True).get(spot.pk)
            out.append(
                {
                    "seen": seen_words(audience_name(audience, names), seen, per_hour),
                    "map": minimap(seen, spot.water, units) if seen else None,
                    "depth": units.depth_range(seen.depth_min_m, seen.depth_max_m) if seen else "",
                }
            )
    return out


def _chosen(request: ViewedRequest) -> list[Spot]:
    """Return the chosen spots that are the asker's to share; an id that is not is as one that never was."""
    mine = own_spots(request.viewer)
    if water := request.POST.get("water"):
        try:
            return list(mine.filter(water=uuid.UUID(water)))
        except ValueError:
            raise Http404 from None
    keys = set()
    for text in request.POST.getlist("spot"):
        try:
            keys.add(uuid.UUID(text))
        except ValueError:
            continue
    return list(mine.filter(pk__in=keys))


def _changed(spots: Collection[Spot], form: ManyForm, moment: datetime) -> dict[Spot, list[Sight]]:
    """Return the sights that a valid form gives each spot, on its own water's clock; its errors land on it."""
    audience, out = form.cleaned_data["audience"], {}
    for spot, sights in sights_of(list(spots), moment).items():
        if audience == spot.owner:
            continue
        kept = [sight for sight in sights if sight.audience != audience]
        given = None if form.takes else form.sight(spot.water.time_zone)
        out[spot] = [*kept, *([given] if given else [])]
        if form.errors:
            return {}
    return out


@require_POST
@members_only
def bulk(request: ViewedRequest) -> HttpResponse:
    """What would each audience gain or lose, if many spots were shared so? Nothing is saved before it is confirmed."""
    spots, names = _chosen(request), audience_names()
    form = ManyForm(request.POST, names=names)
    wanted = _changed(spots, form, request.moment) if form.is_valid() else {}
    at = request.moment
    told, status, turns = "" if spots else "Choose at least one spot.", 200, []
    if wanted and form.is_valid():
        audience = form.cleaned_data["audience"]
        how = dict(form.fields["how"].choices)[form.cleaned_data["how"]]  # type: ignore[attr-defined]
        words = f"{audience_name(audience, names)}: {how}, on {len(wanted)} spot{'s' * (len(wanted) != 1)}"
        try:
            if "save" in request.POST and request.POST.get("stood") != mark_of(spots):
                told, status = STALE, 409
            elif "save" in request.POST:
                made = change(wanted, request.viewer, request.moment, words)
                messages.success(
                    request, "Saved. It can be undone here." if made else "That is how it stands already."
                )
                return redirect("/sharing/")
            # Before an embargo is over it changes nothing: look beyond it.
            begins = [
                sight.starts_at
                for told_of in wanted.values()
                for sight in told_of
                if sight.audience == audience
            ]
            at = max([request.moment, *(start for start in begins if start)])
            with trial():
                watch = Watch([spot.pk for spot in wanted], told_audiences([Sight(audience, None)]), at)
                change(wanted, request.viewer, request.moment, words)
                turns = watch.turns()
        except ValidationError as error:
            told, status = " ".join(error.messages), 422
    if status == 200 and (told or not form.is_valid()):
        status = 422
    context = {
        "form": form,
        "whole": request.POST.get("water", ""),
        "count": len(spots),
        "keys": [] if request.POST.get("water") else [spot.pk for spot in spots],
        "named": [name_of(spot) for spot in spots[:_NAMED]],
        "more": max(len(spots) - _NAMED, 0),
        "turns": [{"who": audience_name(turn.audience, names), "turn": turn} for turn in turns],
        "on": _at(at, spots[0].water.time_zone) if at > request.moment else "",
        "told": told,
        "ready": status in (200, 409),
        "stood": mark_of(spots),
    }
    return render(request, "sharing/bulk.html", context, status=status)


@require_POST
@members_only
def undo_change(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Take a change back."""
    made = get_object_or_404(SharingChange, pk=key, member=request.member)
    try:
        undo(made, request.viewer, request.moment)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, f"Undone: {made.words}.")
    return redirect("/sharing/")
