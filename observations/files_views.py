"""The import page: upload, preview, confirm."""

import uuid
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from club.access import members_only
from club.models import Team
from club.viewer import ViewedRequest
from observations.files.column_form import column_choices, keep_choice
from observations.files.holding import Held, forget, held, hold
from observations.files.importer import MOST_BYTES, ImportPlan, Options, plan_import, save_import
from observations.files.undoing import latest, reasons_to_stay, undo
from observations.import_models import ImportMap, ImportRecord
from spots.disclosure_models import Channel
from spots.disclosures import held_back
from spots.files.report import FileError
from spots.files.table import read_raw
from spots.files.waypoints import SAME_PLACE_M
from spots.models import Water
from spots.precision import released_spots

MOST_SHOWN = 200
MOST_SPOTS_NAMED = 60
FARTHEST_SAME_M = 500.0
_GONE = "The uploaded file is no longer held here. Choose it again; nothing was saved."


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def import_page(request: ViewedRequest) -> HttpResponseBase:
    """Upload a file, look at what it would become, and save all of it or nothing."""
    if request.method != "POST":
        return _form(request, Options())
    options = _options(request)
    step = request.POST.get("step", "")
    if step == "upload":
        return _upload(request, options)
    kept = held(request, request.POST.get("token", ""))
    if kept is None:
        return _form(request, options, _GONE, status=409)
    if step in ("columns", "forget-columns"):
        return _columns(request, kept, options, keep=step == "columns")
    if step == "drop":
        kept.delete()
        forget(request)
        messages.info(request, "Nothing was saved, and the uploaded file is deleted.")
        return redirect("/import/")
    return _save(request, kept, options) if step == "save" else _preview(request, kept, options)


def _options(request: ViewedRequest) -> Options:
    def text(name: str) -> str:
        return request.POST.get(name, "").strip()[:100]

    return Options(
        water=text("water"),
        scope=text("scope"),
        timezone=text("timezone"),
        skip_outside="skip_outside" in request.POST,
        create_members="create_members" in request.POST and request.viewer.is_organiser,
        replace="replace" in request.POST and request.viewer.is_organiser,
        near_m=_metres(text("near_m")),
    )


def _metres(text: str) -> float:
    """Return the distance within which two places are one; what is no such distance is the usual one."""
    try:
        metres = float(text or SAME_PLACE_M)
    except ValueError:
        return SAME_PLACE_M
    return metres if 0 <= metres <= FARTHEST_SAME_M else SAME_PLACE_M


def _form(request: ViewedRequest, options: Options, error: str = "", status: int = 200) -> HttpResponse:
    held = sum(spot.held for spot in released_spots(channel=Channel.UNSEEN))
    assert request.member is not None  # noqa: S101 - members_only
    context = {
        **_choices(request, options),
        "error": error,
        "held_back": held_back(held),
        "imports": latest(request.member),
    }
    return render(request, "import.html", context, status=status)


def _choices(request: ViewedRequest, options: Options) -> dict[str, Any]:
    teams = Team.objects.filter(pk__in=request.viewer.team_ids)
    scopes = [
        ("self", "Yours alone"),
        *((f"team:{team.pk}", f"Team {team.name.removeprefix('Team ')}") for team in teams),
        ("club", "The club’s"),
    ]
    return {
        "options": options,
        "scope": options.scope or ("club" if request.viewer.is_organiser else "self"),
        "scopes": scopes,
        "water_names": list(Water.objects.values_list("name", flat=True)),
        "organises": request.viewer.is_organiser,
        "most_megabytes": MOST_BYTES // 1024**2,
    }


def _upload(request: ViewedRequest, options: Options) -> HttpResponse:
    file = request.FILES.get("file")
    if file is None:
        return _form(request, options, "Choose a file.", status=400)
    size = file.size or 0
    if size > MOST_BYTES:
        rule = f"{file.name} has {size / 1024**2:.0f} MB; at most {MOST_BYTES // 1024**2} MB are taken."
        return _form(request, options, rule, status=400)
    kept = hold(request, file.name or "", file.read())
    return _preview(request, kept, options)


def _preview(
    request: ViewedRequest, kept: Held, options: Options, plan: ImportPlan | None = None
) -> HttpResponse:
    if plan is None:
        assert request.member is not None  # noqa: S101 - members_only
        try:
            data = kept.read()
        except FileNotFoundError:
            return _form(request, options, _GONE, status=409)
        plan = plan_import(kept.name, data, options, request.member, request.viewer, request.moment)
    names = [(draft.name, draft.water.name, plan.symbols.get(draft.id, "")) for draft in plan.spots.drafts]
    context = {
        **_choices(request, options),
        "plan": plan,
        **column_choices(plan),
        "held": kept,
        "spot_names": names[:MOST_SPOTS_NAMED],
        "more_spots": max(0, len(names) - MOST_SPOTS_NAMED),
        "left_out": list(plan.spots.left_out.items()),
        "errors": plan.report.errors[:MOST_SHOWN],
        "more_errors": max(0, len(plan.report.errors) - MOST_SHOWN),
        "warnings": plan.report.warnings[:MOST_SHOWN],
        "more_warnings": max(0, len(plan.report.warnings) - MOST_SHOWN),
        "may_skip": not options.skip_outside
        and any(error.column == "position" for error in plan.report.errors),
        "may_create": request.viewer.is_organiser
        and not options.create_members
        and any(error.column in ("observer", "confirmed_by") for error in plan.report.errors),
        "may_replace": (
            request.viewer.is_organiser
            and not options.replace
            and any(item.column == "name" and item.value for item in plan.report.errors)
            and plan.kind == "outlines"
        )
        or (
            plan.kind in ("levels", "contours")
            and not options.replace
            and any("replaced" in item.rule for item in plan.report.errors)
        ),
    }
    return render(request, "import_preview.html", context, status=200 if plan.ok else 422)


def _save(request: ViewedRequest, kept: Held, options: Options) -> HttpResponseBase:
    """Plan once more, since the club may have changed meanwhile, and save."""
    assert request.member is not None  # noqa: S101 - members_only
    try:
        data = kept.claim()
    except FileNotFoundError:
        return _form(request, options, _GONE, status=409)
    try:
        plan = plan_import(kept.name, data, options, request.member, request.viewer, request.moment)
        if not plan.ok or plan.is_empty:
            kept.give_back()
            return _preview(request, kept, options, plan)
        record = save_import(plan, request.viewer, request.moment)
    except FileError as error:
        kept.give_back()
        plan.report.errors += error.remarks
        return _preview(request, kept, options, plan)
    except BaseException:
        kept.give_back()
        raise
    # Only once everything is in: until then the file is what the import could be repeated from.
    transaction.on_commit(kept.delete)
    forget(request)
    messages.success(request, f"Saved from {kept.name}: {record.words}.")
    return redirect("/import/")


def _columns(request: ViewedRequest, kept: Held, options: Options, *, keep: bool) -> HttpResponse:
    """Remember what the member chose for the columns of this header, or forget it, and show what it becomes."""
    assert request.member is not None  # noqa: S101 - members_only
    try:
        raw = read_raw(kept.read())
    except FileNotFoundError:
        return _form(request, options, _GONE, status=409)
    except FileError:
        return _preview(request, kept, options)
    if keep:
        keep_choice(raw, request.member, request.POST, request.moment)
    else:
        ImportMap.objects.filter(member=request.member, header=raw.names).delete()
    return _preview(request, kept, options)


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def import_record(request: ViewedRequest, key: uuid.UUID) -> HttpResponseBase:
    """One import of one's own: what it created, and taking it back."""
    record = get_object_or_404(ImportRecord, pk=key)
    reasons = reasons_to_stay(record)
    if request.method == "POST" and not reasons:
        try:
            undo(record)
        except ValidationError as error:
            reasons = error.messages
        else:
            messages.success(request, f"Taken back: {record.words} from {record.name}.")
            return redirect("/import/")
    context = {"record": record, "reasons": reasons, "spots": len(record.spots), "looks": len(record.looks)}
    return render(request, "import_record.html", context, status=409 if request.method == "POST" else 200)
