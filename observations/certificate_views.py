"""What leaves an event as a file: its calendar, and the certificates of its cut-off."""

import uuid
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils.text import slugify
from django.views.decorators.http import require_http_methods, require_safe

from club.access import members_only, public
from club.models import Club
from club.viewer import ViewedRequest
from observations.event_views import event_or_404
from observations.models import Species
from spots import certificates, events
from spots.event_calendar import event_calendar
from spots.event_models import Entry, Event

LONGEST_CHECKED = 200_000


def _file(content: bytes | str, kind: str, event: Event, ending: str) -> HttpResponse:
    answer = HttpResponse(content, content_type=kind)
    name = slugify(event.name) or "event"
    answer["Content-Disposition"] = f'attachment; filename="{name}{ending}"'
    return answer


@require_safe
@public
def calendar(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """The event for a calendar."""
    event = event_or_404(key)
    species = Species.objects.filter(code=event.target).first()
    target = species.name if species else event.target
    return _file(event_calendar(event, target), "text/calendar; charset=utf-8", event, ".ics")


def _asked(request: ViewedRequest, event: Event) -> tuple[list[Entry], str]:
    """Return the entries that the certificate is of: one's own, or with `?team` the team's for its captain."""
    entries = events.entries_of(event)
    mine = events.standing(event, request.viewer, entries)
    bound = [entry for entry in entries if events.binds(entry, event)]
    if "team" in request.GET:
        found = [entry for entry in bound if entry.team is not None and entry.team in mine.captain_of]
    else:
        found = [entry for entry in bound if entry.member_id == request.viewer.member_id]
    if not found or events.phase(event, request.moment) == events.COMING:
        raise Http404
    return found, "?team" if "team" in request.GET else ""


def _body(request: ViewedRequest, event: Event) -> tuple[dict[str, Any], str]:
    entries, query = _asked(request, event)
    club = Club.objects.first()
    assert request.member is not None  # noqa: S101  (members only)
    name = club.name if club else ""
    return certificates.certificate(event, entries, request.member, request.moment, name), query


@require_safe
@members_only
def certificate(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What did an entered angler, or a captain's team, open from the cut-off to the end? Signed, to print."""
    event = event_or_404(key)
    body, query = _body(request, event)
    text = certificates.sign(certificates.as_text(event, body))
    page = {"event": event, "text": text, "query": query, "whole": body["whole"]}
    answer = render(request, "events/certificate.html", page)
    answer["Cache-Control"] = "private, no-store"
    return answer


@require_safe
@members_only
def certificate_text(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """The certificate as a text file."""
    event = event_or_404(key)
    body, _ = _body(request, event)
    text = certificates.sign(certificates.as_text(event, body))
    return _file(text, "text/plain; charset=utf-8", event, "-certificate.txt")


@require_safe
@members_only
def certificate_json(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """The certificate as JSON."""
    event = event_or_404(key)
    body, _ = _body(request, event)
    return _file(certificates.sign_json(body), "application/json", event, "-certificate.json")


@require_http_methods(["GET", "HEAD", "POST"])
@public
def check(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Is a certificate as this site gave it? For anybody who was handed one."""
    event = event_or_404(key)
    text = request.POST.get("text", "")
    page: dict[str, Any] = {"event": event, "text": text, "checked": False}
    status = 200
    if request.method == "POST":
        if not text.strip() or len(text) > LONGEST_CHECKED:
            page["problem"] = "Paste the whole certificate, from its first line to its signature."
            status = 422
        else:
            page |= {"checked": True, "ours": certificates.is_ours(text, event)}
    return render(request, "events/check.html", page, status=status)
