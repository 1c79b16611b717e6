"""One question: which of my spots are the same place as somebody else's?"""

import uuid

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from club.access import id_or_404, members_only
from club.viewer import ViewedRequest
from spots import linking
from spots.disclosure_models import Channel
from spots.link_models import SpotLink
from spots.precision import released_spot

ADDRESS = "/sharing/links/"


@require_safe
@members_only
def links(request: ViewedRequest) -> HttpResponse:
    """Which of my spots are linked, and what waits for my answer?"""
    rows = linking.rows_for(request.viewer)
    page = {
        "waiting": [row for row in rows if row.waits_for_me],
        "asked": [row for row in rows if not row.waits_for_me and not row.link.holds],
        "linked": [row for row in rows if row.link.holds],
    }
    return render(request, "sharing/links.html", page)


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def propose(request: ViewedRequest) -> HttpResponse:
    """Say that a spot is the same place as another."""
    spot = released_spot(id_or_404(request.GET.get("spot", "")), channel=Channel.UNSEEN)
    partners = linking.partners(spot)
    problem, status = "", 200
    if request.method == "POST":
        try:
            link = linking.propose(spot, id_or_404(request.POST.get("other", "")), request.viewer)
        except ValidationError as error:
            problem, status = " ".join(error.messages), 422
        else:
            messages.success(
                request,
                "They are linked." if link.holds else "Proposed. It holds once the other side agrees.",
            )
            return redirect(ADDRESS)
    page = {"spot": spot, "partners": partners, "problem": problem}
    return render(request, "sharing/link_new.html", page, status=status)


@require_POST
@members_only
def answer(request: ViewedRequest, key: uuid.UUID, act: str) -> HttpResponse:
    """Agree to a proposal, or end it: decline, take back, unlink."""
    link = get_object_or_404(SpotLink, pk=key)
    if not any(row.link.pk == key for row in linking.rows_for(request.viewer)):
        raise Http404
    try:
        if act == "agree":
            linking.agree(link, request.moment)
            link.refresh_from_db()
            messages.success(request, "They are linked." if link.holds else "You agreed.")
        else:
            linking.end(link, request.moment)
            messages.success(request, "They are apart.")
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    return redirect(ADDRESS)
