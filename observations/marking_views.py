"""The page of one picture: what is drawn and measured on it, and for whose it is the means to draw and measure."""

import uuid
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from club.access import members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations.clearing import clearance_of, end
from observations.marking import LINES, MarkDraft, marks_of, may_mark, picture_in_look, remove_mark, save_mark
from observations.marking_forms import MEASURES, BlackForm, DrawForm, MeasureForm
from observations.marking_words import drawn
from observations.models import Finding, Picture
from observations.pictures import black_out


def _measure_form(request: ViewedRequest, picture: Picture, data: Any = None) -> MeasureForm | None:
    kind = MEASURES.get(picture.look.method)
    return kind(data, picture, Units.of(request.member)) if kind else None


def _page(
    request: ViewedRequest,
    picture: Picture,
    draw: DrawForm | None = None,
    measure: MeasureForm | None = None,
    black: BlackForm | None = None,
) -> HttpResponse:
    own = may_mark(request.viewer, picture)
    finding = Finding.objects.filter(pk=picture.finding_id).first() if picture.finding_id else None
    species = (finding.corrected_species_id or finding.species_id) if finding else ""
    failed = any(form is not None and form.errors for form in (draw, measure, black))
    context = {
        "picture": picture,
        "look": picture.look,
        "own": own,
        "mine": picture.look.observer_id == request.viewer.member_id,
        "marks": drawn(marks_of(picture), picture, Units.of(request.member), species),
        "draw": (draw or DrawForm(None, picture, "draw")) if own else None,
        "measure": (measure or _measure_form(request, picture)) if own else None,
        "black": (black or BlackForm(None, picture, "black")) if own else None,
        "cleared": own and clearance_of(picture) is not None,
        "lines": " ".join(LINES),
    }
    return render(request, "pictures/marks.html", context, status=422 if failed else 200)


@members_only
@never_cache
@require_safe
def marks(request: ViewedRequest, picture_id: uuid.UUID) -> HttpResponse:
    """Where on this picture are the fish, the cover, the bottom, and how large is what?"""
    return _page(request, picture_in_look(request.viewer, picture_id))


def _own(request: ViewedRequest, picture_id: uuid.UUID) -> Picture:
    picture = picture_in_look(request.viewer, picture_id)
    if not may_mark(request.viewer, picture):
        raise Http404
    return picture


def _saved(request: ViewedRequest, picture: Picture, form: DrawForm | MeasureForm) -> MarkDraft | None:
    """Save what a valid form says; None after telling the form why not."""
    if not form.is_valid():
        return None
    try:
        draft = form.draft()
        save_mark(request.viewer, picture, draft, request.moment)
    except ValidationError as error:
        form.add_error(None, error.messages)
        return None
    return draft


@members_only
@require_POST
def draw(request: ViewedRequest, picture_id: uuid.UUID) -> HttpResponse:
    """Draw one mark."""
    picture = _own(request, picture_id)
    form = DrawForm(request.POST, picture, "draw")
    draft = _saved(request, picture, form)
    if draft is None:
        return _page(request, picture, draw=form)
    messages.success(request, f"Drawn: {draft.kind}.")
    return redirect(f"/pictures/{picture_id}/marks/")


@members_only
@require_POST
def measure(request: ViewedRequest, picture_id: uuid.UUID) -> HttpResponse:
    """Measure something, and keep the measure as a mark."""
    picture = _own(request, picture_id)
    form = _measure_form(request, picture, request.POST)
    if form is None:
        raise Http404
    if _saved(request, picture, form) is None:
        return _page(request, picture, measure=form)
    return redirect(f"/pictures/{picture_id}/marks/")


@members_only
@require_POST
def black(request: ViewedRequest, picture_id: uuid.UUID) -> HttpResponse:
    """Paint over a part of the picture for good; an offer to show it, and a copy shown to everybody, end."""
    picture = _own(request, picture_id)
    form = BlackForm(request.POST, picture, "black")
    if not form.is_valid():
        return _page(request, picture, black=form)
    try:
        done = black_out(picture, form.box())
    except OSError:
        form.add_error(
            None,
            "It could not be stored: the disk may be full. Nothing is blacked out for certain: try again.",
        )
        return _page(request, picture, black=form)
    if not done:
        raise Http404
    said = "Blacked out for good."
    if clearance := clearance_of(picture):
        end(request.viewer, clearance, request.moment)
        said += " What was offered or shown to everybody of it is taken back."
    messages.success(request, said)
    return redirect(f"/pictures/{picture_id}/marks/")


@members_only
@require_POST
def remove(request: ViewedRequest, picture_id: uuid.UUID, mark_id: uuid.UUID) -> HttpResponse:
    """Remove a mark."""
    remove_mark(request.viewer, picture_in_look(request.viewer, picture_id), mark_id)
    return redirect(f"/pictures/{picture_id}/marks/")
