"""Entering an event: before its cut-off, late, and out again."""

import uuid

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_POST, require_safe

from club.access import id_or_none, members_only
from club.models import Member, Team
from club.viewer import ViewedRequest
from observations.event_views import event_or_404, told
from observations.opening import keep_closed, open_at_the_end
from spots import events
from spots.certificates import openings
from spots.event_models import Entry, Event


def _member(request: ViewedRequest) -> Member:
    """Return whom the form names; without a name, the one who sends it."""
    wanted = request.POST.get("member", "")
    if not wanted:
        assert request.member is not None  # noqa: S101  (members only)
        return request.member
    return get_object_or_404(Member.objects.filter(is_active=True), pk=id_or_none(wanted))


def _team(request: ViewedRequest) -> Team | None:
    wanted = request.POST.get("team", "")
    return get_object_or_404(Team, pk=id_or_none(wanted)) if wanted else None


@require_POST
@members_only
def enter(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Enter oneself, a member of the own team, or, for who acts for the event, anybody of the club."""
    event = event_or_404(key)
    member, team = _member(request), _team(request)
    late = request.moment >= event.cutoff_at
    try:
        with transaction.atomic():
            entry = events.enter(event, member, team, request.viewer, request.moment)
    except (ValidationError, DatabaseError) as error:
        _tell(request, error)
        return redirect(f"/events/{key}/late/" if late else f"/events/{key}/")
    who = "You are" if member.pk == request.viewer.member_id else f"{member.name} is"
    if entry.late and not entry.accepted_by_id:
        messages.success(request, "You asked to enter late. The entry waits for whoever acts for the event.")
    else:
        messages.success(request, f"{who} entered{f' with {team.name}' if team else ''}.")
    return redirect(f"/events/{key}/")


def _entry(event: Event, entry_id: uuid.UUID) -> Entry:
    return get_object_or_404(event.entries.select_related("member", "team"), pk=entry_id)


@require_POST
@members_only
def withdraw(request: ViewedRequest, key: uuid.UUID, entry_id: uuid.UUID) -> HttpResponse:
    """Withdraw an entry."""
    event = event_or_404(key)
    entry = _entry(event, entry_id)
    try:
        with transaction.atomic():
            events.withdraw(event, entry, request.viewer, request.moment)
    except (ValidationError, DatabaseError) as error:
        _tell(request, error)
    else:
        after = request.moment >= event.cutoff_at
        told_more = " The cut-off had passed: it holds until the event ends." if after else ""
        messages.success(request, f"The entry of {entry.member.shown_name} is withdrawn.{told_more}")
    return redirect(f"/events/{key}/")


@require_POST
@members_only
def accept(request: ViewedRequest, key: uuid.UUID, entry_id: uuid.UUID) -> HttpResponse:
    """Accept a late entry."""
    event = event_or_404(key)
    entry = _entry(event, entry_id)
    try:
        with transaction.atomic():
            events.accept(event, entry, request.viewer, request.moment)
    except (ValidationError, DatabaseError) as error:
        _tell(request, error)
    else:
        messages.success(request, f"{entry.member.shown_name} is entered, late.")
    return redirect(f"/events/{key}/late/")


def _tell(request: ViewedRequest, error: ValidationError | DatabaseError) -> None:
    texts = error.messages if isinstance(error, ValidationError) else [told(error)]
    for text in texts:
        messages.error(request, text)


@require_safe
@members_only
def late(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What has someone who enters late opened since the cut-off?"""
    event = event_or_404(key)
    entries = events.entries_of(event)
    mine = events.standing(event, request.viewer, entries)
    if events.phase(event, request.moment) != events.FROZEN:
        raise Http404
    page = {
        "event": event,
        "mine": mine,
        "cutoff": events.on_clock(event, event.cutoff_at),
        "ends": events.on_clock(event, event.ends_at),
        "waiting": [
            (entry, openings(event, [entry.member_id], request.viewer.member_id, request.moment))
            for entry in entries
            if entry.late and not entry.accepted_by_id and not entry.withdrawn_at
        ]
        if mine.acts
        else [],
        "own": openings(event, [request.viewer.member_id], request.viewer.member_id, request.moment)
        if request.viewer.member_id and not mine.acts
        else None,
        "may_ask": mine.entry is None and event.deputy_id != request.viewer.member_id,
    }
    return render(request, "events/late.html", page)


@require_POST
@members_only
def opening(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Let one's looks and the team's new spots open to the club at the event's end, or take that back."""
    event = event_or_404(key)
    entry = events.standing(event, request.viewer, events.entries_of(event)).entry
    if entry is None or entry.team_id is None or not events.binds(entry, event):
        raise Http404
    change = keep_closed if request.POST.get("open") == "no" else open_at_the_end
    try:
        with transaction.atomic():
            looks, spots = change(event, entry, request.viewer, request.moment)
    except (ValidationError, DatabaseError) as error:
        _tell(request, error)
    else:
        what = f"{looks} look{'' if looks == 1 else 's'} and {spots} spot{'' if spots == 1 else 's'}"
        verb = "stay with the team" if change is keep_closed else "open to the club when the event ends"
        messages.success(request, f"{what} {verb}.")
    return redirect(f"/events/{key}/")
