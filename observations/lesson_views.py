"""The pages of lessons: what the club learns from looks whose place nobody tells, and sharing one's own."""

import uuid
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from club.access import members_only
from club.units import Units
from club.viewer import ViewedRequest
from observations import lessons
from observations.lesson_models import Lesson, LessonChoice, LessonEdition, LessonShare
from observations.log_words import in_words, with_parts
from observations.models import PROVING, Method, Observation, Species

_LIST = 200


def _kinds(species: list[Species], code: str) -> set[str]:
    """Return a node of the species tree and all that lies under it."""
    under = {code}
    while more := {s.code for s in species if s.parent_id in under} - under:
        under |= more
    return under


@require_safe
@members_only
def lessons_page(request: ViewedRequest) -> HttpResponse:
    """What do fish look like on each screen, from looks whose place nobody tells?"""
    species = list(Species.objects.all())
    methods = [(code, name) for code, name in Method.choices if code not in PROVING]
    method, kind = request.GET.get("method", ""), request.GET.get("species", "")
    method = method if method in dict(methods) else ""
    kind = kind if kind in {s.code for s in species} else ""
    found = list(Lesson.objects.select_related("call", "truth"))
    named = {code for row in found for code in (row.call_id, row.truth_id)}
    if method:
        found = [row for row in found if row.method == method]
    if kind:
        under = _kinds(species, kind)
        found = [row for row in found if {row.call_id, row.truth_id} & under]
    edition = LessonEdition.objects.first()
    context = {
        "edition": edition,
        "methods": methods,
        "species": [s for s in species if s.code in named or s.code == kind],
        "chosen": {"method": method, "species": kind},
        "called": lessons.what_calls_were(found),
        "lessons": found[:_LIST],
        "count": len(found),
        "cover_only": sum(row.tie != "same fish" for row in found),
    }
    return render(request, "lessons/lessons.html", context)


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def mine(request: ViewedRequest) -> HttpResponseBase:
    """Share one's own private looks as lessons: the standing choice, and each look."""
    me = _me(request)
    if request.method == "POST":
        if request.POST.get("standing") == "yes":
            LessonChoice.objects.get_or_create(member_id=me)
            messages.success(
                request, "From the next edition on, your private looks that are proved are lessons."
            )
        else:
            LessonChoice.objects.filter(member_id=me).delete()
            messages.success(request, "Off. What was shared by this choice is gone from the lessons now.")
        return redirect("/lessons/mine/")
    rows = lessons.own_looks(me)
    listed = Observation.objects.filter(pk__in=[row.look.pk for row in rows[:_LIST]])
    words = in_words(list(listed.prefetch_related(*with_parts())), Units.of(request.member), request.moment)
    places = {one.look.pk: one.place for one in words}
    context: dict[str, Any] = {
        "standing": LessonChoice.objects.filter(member_id=me).exists(),
        "looks": [(row, places[row.look.pk]) for row in rows[:_LIST]],
        "more": max(0, len(rows) - _LIST),
        "shared": sum(row.shared for row in rows),
        "count": len(rows),
    }
    return render(request, "lessons/mine.html", context)


@members_only
@require_POST
def share(request: ViewedRequest, look_id: uuid.UUID) -> HttpResponseBase:
    """Say yes or no for one look."""
    me = _me(request)
    if not any(row.look.pk == look_id for row in lessons.own_looks(me)):
        raise Http404
    yes = request.POST.get("share") == "yes"
    LessonShare.objects.update_or_create(look_id=look_id, owner_id=me, defaults={"shared": yes})
    if yes:
        messages.success(request, "It becomes a lesson in the first edition after the month it came in.")
    else:
        messages.success(request, "It is no lesson. If it was one, it is gone from the lessons now.")
    return redirect("/lessons/mine/")


def _me(request: ViewedRequest) -> uuid.UUID:
    assert request.viewer.member_id is not None  # noqa: S101 - members_only
    return request.viewer.member_id
