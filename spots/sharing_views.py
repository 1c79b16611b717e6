"""The sharing desk: who sees my spots, and how exactly? And for the organiser: what may be seen at all?"""

import uuid
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.forms import formset_factory
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from club.access import members_only, organisers_only
from club.models import AudiencePolicy, Club, Level
from club.units import Units
from club.viewer import ViewedRequest
from spots.granting import EVERYBODY, Sight, may_share, seen_as, set_sights, sights_at, trial
from spots.minimap import minimap
from spots.models import SharingChange, Spot, Water
from spots.sharing import (
    PRESETS,
    Watch,
    audience_name,
    audience_names,
    change,
    own_spots,
    save_policy,
    step_words,
    told_audiences,
    undo,
)
from spots.sharing_forms import HOW_WORDS, PolicyForm, SightForm, initial_of, policy_initial, rung_for

_SHOWN_CHANGES = 5


def _when(sight: Sight, zone: str) -> str:
    """Say the times of a sight on the water's clock."""
    local = [at.astimezone(ZoneInfo(zone)) if at else None for at in (sight.starts_at, sight.ends_at)]
    starts, ends = (f"{at.day} {at:%b %Y, %H:%M}" if at else "" for at in local)
    return ", ".join(part for part in (f"from {starts}" * bool(starts), f"until {ends}" * bool(ends)) if part)


def _sight_words(
    sight: Sight, names: dict[str, str], policies: dict[str, AudiencePolicy], zone: str
) -> dict[str, str]:
    policy = policies.get(sight.audience)
    if sight.level is None:
        how = f"{HOW_WORDS[policy.default_level]}, the club’s default" if policy else HOW_WORDS[0]
    else:
        how = HOW_WORDS[sight.level]
        if policy and sight.level > policy.ceiling_level:
            how = f"{HOW_WORDS[policy.ceiling_level]} (you gave {how}; the club’s ceiling is lower)"
    return {"who": audience_name(sight.audience, names), "how": how, "when": _when(sight, zone)}


@require_safe
@members_only
def desk(request: ViewedRequest) -> HttpResponse:
    """Who sees my spots, and how exactly?"""
    names = audience_names()
    policies = {policy.audience: policy for policy in AudiencePolicy.objects.all()}
    places: dict[Water, list[dict[str, Any]]] = {}
    for spot in own_spots(request.viewer):
        zone = spot.water.time_zone
        order = list(EVERYBODY)
        found = sorted(sights_at(spot), key=lambda s: order.index(s.audience) if s.audience in order else 9)
        sights = [_sight_words(sight, names, policies, zone) for sight in found]
        owner = "the club" if spot.owner == "organisers" else names.get(spot.owner, "")
        places.setdefault(spot.water, []).append(
            {
                "id": spot.pk,
                "name": _name(spot),
                "sights": sights,
                "owner": owner if spot.owner_member_id is None else "",
            }
        )
    changes = SharingChange.objects.filter(member=request.member)
    context = {
        "places": list(places.items()),
        "changes": changes[:_SHOWN_CHANGES],
        "organises": request.viewer.is_organiser,
        "audiences": [*EVERYBODY.items(), *names.items()],
        "bulk": SightForm(zone="UTC", names=names),
    }
    return render(request, "sharing/desk.html", context)


def _name(spot: Spot) -> str:
    sheet = getattr(spot, "sheet", None)
    return sheet.name if sheet else str(spot)


def _own_or_404(request: ViewedRequest, key: uuid.UUID) -> Spot:
    spot = Spot.objects.select_related("water", "sheet").filter(pk=key).first()
    if spot is None or not may_share(spot, request.viewer):
        raise Http404
    return spot


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def spot_sharing(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Who sees this spot, and what would they see if I changed it?"""
    spot = _own_or_404(request, key)
    zone, names = spot.water.time_zone, audience_names()
    formset_class = formset_factory(SightForm, extra=1, max_num=60, validate_max=True)
    kwargs = {"zone": zone, "names": names, "owner": spot.owner}
    current = sights_at(spot)
    if request.method == "POST":
        formset = formset_class(request.POST, form_kwargs=kwargs)
    else:
        formset = formset_class(initial=[initial_of(sight, zone) for sight in current], form_kwargs=kwargs)
    wanted, told, status = current, "", 200
    if request.method == "POST":
        if formset.is_valid():
            wanted = list(dict.fromkeys(sight for form in formset if (sight := form.sight())))
            try:
                if "save" in request.POST:
                    change({spot: wanted}, request.viewer, request.moment, f"Changed who sees {_name(spot)}")
                    messages.success(request, f"Saved who sees {_name(spot)}.")
                    return redirect("/sharing/")
                shown = _as_everybody(spot, wanted, request, names)
            except ValidationError as error:
                told, status = " ".join(error.messages), 422
        else:
            status = 422
    if status == 422:
        wanted = current
    if request.method != "POST" or status == 422:
        shown = _as_everybody(spot, None, request, names)
    context = {
        "spot": spot,
        "name": _name(spot),
        "formset": formset,
        "told": told,
        "shown": shown,
        "trying": request.method == "POST" and status == 200,
        "zone": zone,
    }
    return render(request, "sharing/spot.html", context, status=status)


def _as_everybody(
    spot: Spot, wanted: list[Sight] | None, request: ViewedRequest, names: dict[str, str]
) -> list[dict[str, Any]]:
    """Return the spot as each audience would see it, with the hectares and hours it leaves to search."""
    club, units = Club.objects.get(), Units.of(request.member)
    out = []
    with trial():
        if wanted is not None:
            set_sights(spot, wanted, request.viewer, request.moment)
        for audience in told_audiences(sights_at(spot)):
            seen = seen_as([spot.pk], audience, request.moment).get(spot.pk)
            hours = seen.zone_ha / club.search_ha_per_hour if seen and seen.zone_ha else None
            out.append(
                {
                    "who": audience_name(audience, names),
                    "seen": seen,
                    "step": step_words(seen),
                    "hours": hours,
                    "map": minimap(seen, spot.water, units) if seen else None,
                }
            )
    return out


@require_POST
@members_only
def bulk(request: ViewedRequest) -> HttpResponse:
    """What would each audience gain or lose, if many spots were shared so? Nothing is saved before it is confirmed."""
    chosen = set(request.POST.getlist("spot")) | set(request.POST.getlist("water"))
    spots = [spot for spot in own_spots(request.viewer) if chosen & {str(spot.pk), str(spot.water_id)}]
    names = audience_names()
    form = SightForm(request.POST, zone=spots[0].water.time_zone if spots else "UTC", names=names)
    told = "" if spots else "Choose at least one spot."
    turns, sight = [], None
    if form.is_valid():
        sight = form.sight()
        if sight is None:
            form.add_error("audience", "Choose who.")
    if spots and form.is_valid() and sight:
        wanted = {
            spot: [*(s for s in sights_at(spot) if s.audience != sight.audience), sight]
            for spot in spots
            if sight.audience != spot.owner
        }
        how = "the club’s default" if sight.level is None else HOW_WORDS[sight.level]
        words = f"{audience_name(sight.audience, names)} see {how} of {len(wanted)} spots"
        try:
            if "save" in request.POST:
                made = change(wanted, request.viewer, request.moment, words)
                messages.success(
                    request, "Saved. It can be undone here." if made else "That is how it stands already."
                )
                return redirect("/sharing/")
            with trial():
                watch = Watch([spot.pk for spot in wanted], told_audiences([sight]), request.moment)
                change(wanted, request.viewer, request.moment, words)
                turns = watch.turns()
        except ValidationError as error:
            told = " ".join(error.messages)
    bad = bool(told) or not form.is_valid()
    context = {
        "form": form,
        "spots": [{"id": spot.pk, "name": _name(spot)} for spot in spots],
        "turns": [{"who": audience_name(turn.audience, names), "turn": turn} for turn in turns],
        "told": told,
        "ready": not bad,
    }
    return render(request, "sharing/bulk.html", context, status=422 if bad else 200)


@require_POST
@members_only
def undo_change(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Take a change back."""
    made = get_object_or_404(SharingChange, pk=key, member_id=request.viewer.member_id)
    try:
        undo(made, request.viewer, request.moment)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, f"Undone: {made.words}.")
    return redirect("/sharing/")


@require_http_methods(["GET", "HEAD", "POST"])
@organisers_only
def policy(request: ViewedRequest) -> HttpResponse:
    """What may each audience see at all, and what unless an owner says otherwise?"""
    club = Club.objects.get()
    initial = policy_initial(club)
    wanted = request.GET.get("preset", "")
    preset = next((item for item in PRESETS if item.key == wanted), None)
    if preset:
        for audience in EVERYBODY:
            initial[f"{audience}_default"] = int(preset.default[audience])
            initial[f"{audience}_ceiling"] = int(preset.ceiling[audience])
            initial[f"{audience}_minimum"] = rung_for(preset.hours[audience], club.search_ha_per_hour)
    form = PolicyForm(request.POST or None, initial=initial)
    turns, told, status = [], "", 200
    if request.method == "POST" and form.is_valid():
        spots = [spot.pk for spot in own_spots(request.viewer) if spot.owner == "organisers"]
        try:
            if "save" in request.POST:
                _save_policy(form, club)
                messages.success(request, "Saved.")
                return redirect("/sharing/policy/")
            with trial():
                watch = Watch(spots, list(EVERYBODY), request.moment)
                _save_policy(form, club)
                turns = [{"who": EVERYBODY[turn.audience], "turn": turn} for turn in watch.turns()]
        except ValidationError as error:
            told = " ".join(error.messages)
    if request.method == "POST" and (told or not form.is_valid()):
        status = 422
    club.refresh_from_db()
    context = {
        "form": form,
        "presets": PRESETS,
        "chosen": preset,
        "told": told,
        "turns": turns,
        "trying": request.method == "POST" and status == 200,
        "rungs": [
            (ha, ha / club.search_ha_per_hour)
            for ha in sorted({250, 50, *(p.minimum_ha for p in AudiencePolicy.objects.all())})
        ],
        "exact": Level.EXACT,
    }
    return render(request, "sharing/policy.html", context, status=status)


def _save_policy(form: PolicyForm, club: Club) -> None:
    try:
        with transaction.atomic():
            save_policy(form.policies())
    except IntegrityError as error:
        raise ValidationError(
            "A cut-off is on for one of the club’s waters: until that event ends the policy can only be narrowed."
        ) from error
    Club.objects.filter(pk=club.pk).update(search_ha_per_hour=form.cleaned_data["search_ha_per_hour"])
