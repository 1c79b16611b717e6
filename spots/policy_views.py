"""One question, for the organiser: what may each audience see at all, and what unless an owner says otherwise?"""

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from club.access import organisers_only
from club.models import Club
from club.viewer import ViewedRequest
from spots.events import any_cut_off
from spots.granting import EVERYBODY, trial
from spots.models import Spot
from spots.sharing import Watch
from spots.sharing_forms import PolicyForm, policy_initial
from spots.sharing_policy import FROZEN, PRESETS, Preset, rung_for, save_policy


def _filled(preset: Preset | None, club: Club) -> dict[str, Any]:
    initial = policy_initial(club)
    for audience in EVERYBODY if preset else ():
        assert preset is not None  # noqa: S101  (for the type checker)
        initial[f"{audience}_default"] = int(preset.default[audience])
        initial[f"{audience}_ceiling"] = int(preset.ceiling[audience])
        initial[f"{audience}_minimum"] = rung_for(preset.hours[audience], club.search_ha_per_hour)
    return initial


def _save(form: PolicyForm, club: Club) -> None:
    save_policy(form.policies())
    Club.objects.filter(pk=club.pk).update(search_ha_per_hour=form.cleaned_data["search_ha_per_hour"])


@require_http_methods(["GET", "HEAD", "POST"])
@organisers_only
def policy(request: ViewedRequest) -> HttpResponse:
    """Set the policy; try it on the club's own spots first."""
    club = Club.objects.get()
    preset = next((item for item in PRESETS if item.key == request.GET.get("preset")), None)
    form = PolicyForm(
        request.POST or None, initial=_filled(preset, club), ha_per_hour=club.search_ha_per_hour
    )
    turns: list[dict[str, Any]] = []
    trying = False
    if request.method == "POST" and form.is_valid():
        try:
            if "save" in request.POST:
                _save(form, club)
                messages.success(request, "Saved.")
                return redirect("/sharing/policy/")
            # Of the club's spots alone: how many of the members' it touches would tell how many there are.
            keys = list(Spot.objects.filter(owner="organisers").order_by("id").values_list("pk", flat=True))
            with trial():
                watch = Watch(keys, list(EVERYBODY), request.moment)
                _save(form, club)
                turns = [{"who": EVERYBODY[turn.audience], "turn": turn} for turn in watch.turns()]
            trying = True
        except ValidationError as error:
            form.add_error(None, error)
    context = {
        "form": form,
        "presets": PRESETS,
        "chosen": preset,
        "turns": turns,
        "trying": trying,
        "only_narrows": FROZEN if any_cut_off(request.moment) else "",
    }
    return render(
        request, "sharing/policy.html", context, status=422 if form.is_bound and form.errors else 200
    )
