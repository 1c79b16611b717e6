"""Pictures that everybody may see, and the two hands that clear them."""

import uuid

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from club.access import checkers_only, members_only, public
from club.viewer import ViewedRequest
from observations.blind import leave_unnamed
from observations.clearing import ASKED, clear, clearance_of, end, offer, offered, own_picture
from observations.clearing_models import Clearance, ClearedPicture
from observations.log_views import send_picture
from observations.pictures import copy_content

PAGE = 60


@require_safe
@public
@never_cache
def wall(request: ViewedRequest) -> HttpResponse:
    """What do fish and cover look like, by each method?"""
    text = request.GET.get("page", "1")
    page = int(text) if text.isascii() and text.isdigit() and 1 <= len(text) < 6 else 1
    start = max(0, page - 1) * PAGE
    rows = list(ClearedPicture.objects.select_related("species").order_by("id")[start : start + PAGE + 1])
    shown = leave_unnamed(rows[:PAGE], request.viewer)
    context = {
        "pictures": shown,
        "kept": any(row.kept for row in shown),
        "page": page,
        "more": len(rows) > PAGE,
        "waiting": offered(request.viewer).count(),
        # Whoever may end a clearance sees which it is; nobody else can tie the two.
        "ends": set(
            Clearance.objects.filter(ended_at=None)
            .exclude(cleared_id=None)
            .values_list("cleared_id", flat=True)
        ),
    }
    return render(request, "pictures/wall.html", context)


@require_safe
@public
def cleared(request: ViewedRequest, cleared_id: uuid.UUID, small: bool = False) -> HttpResponse:
    """Send the copy of a cleared picture, as long as it is cleared."""
    row = ClearedPicture.objects.filter(pk=cleared_id).first()
    content = copy_content(cleared_id, small) if row else None
    if content is None:
        raise Http404
    return send_picture(content)


@members_only
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def offer_page(request: ViewedRequest, picture_id: uuid.UUID) -> HttpResponse:
    """May everybody see this picture of mine, without spot, water and day?"""
    picture = own_picture(request.viewer, picture_id)
    problem = ""
    if request.method == "POST":
        if request.POST.get("looked") == "yes":
            offer(request.viewer, picture, request.moment)
            return redirect(f"/pictures/{picture_id}/clear/")
        problem = ASKED
    context = {"picture": picture, "clearance": clearance_of(picture), "problem": problem}
    return render(request, "pictures/offer.html", context, status=422 if problem else 200)


@members_only
@require_POST
def take_back(request: ViewedRequest, picture_id: uuid.UUID) -> HttpResponse:
    """Take one's own picture back, from the checkers or from everybody."""
    picture = own_picture(request.viewer, picture_id)
    if clearance := clearance_of(picture):
        end(request.viewer, clearance, request.moment)
        messages.success(request, "Taken back: nobody gets this picture here any more.")
    return redirect(f"/pictures/{picture_id}/clear/")


@members_only
@require_POST
def take_down(request: ViewedRequest, cleared_id: uuid.UUID) -> HttpResponse:
    """Take a cleared picture down: its owner, a checker or an organiser."""
    clearance = get_object_or_404(Clearance, cleared_id=cleared_id, ended_at=None)
    end(request.viewer, clearance, request.moment)
    messages.success(request, "Taken down: nobody gets this picture here any more.")
    return redirect("/pictures/")


@checkers_only
@never_cache
@require_safe
def queue(request: ViewedRequest) -> HttpResponse:
    """Show the next picture that waits to be cleared, and nothing else of its look."""
    found = offered(request.viewer).first()
    context = {"clearance": found, "waiting": offered(request.viewer).count()}
    return render(request, "pictures/queue.html", context)


@checkers_only
@require_POST
def decide(request: ViewedRequest, clearance_id: uuid.UUID) -> HttpResponse:
    """Clear an offered picture, or refuse it."""
    found = get_object_or_404(offered(request.viewer), pk=clearance_id)
    answer = request.POST.get("answer", "")
    try:
        if answer == "clear" and request.POST.get("looked") == "yes":
            clear(request.viewer, found, request.moment)
            messages.success(request, "Cleared: everybody may see it.")
        elif answer == "refuse":
            end(request.viewer, found, request.moment)
            messages.success(request, "Refused: it stays with its look.")
        else:
            messages.error(request, ASKED)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect("/pictures/offered/")
