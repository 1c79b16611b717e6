"""The pages of events: the list, one event, its form."""

import uuid
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import DatabaseError, transaction
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from club.access import members_only, organisers_only, public
from club.models import Team
from club.units import Units
from club.viewer import ViewedRequest, Viewer
from observations.event_forms import EventForm
from observations.event_ranked import ranked_spots
from observations.models import Species
from observations.opening import team_work
from spots import events
from spots.event_models import Entry, Event


def event_or_404(key: uuid.UUID) -> Event:
    event = Event.objects.select_related("water", "deputy").filter(pk=key).first()
    if event is None:
        raise Http404
    return event


def _target_names() -> dict[str, str]:
    return dict(Species.objects.values_list("code", "name"))


@require_safe
@public
def event_list(request: ViewedRequest) -> HttpResponse:
    """Which events come, are on, are over?"""
    names = _target_names()
    mine = {
        entry.event_id
        for entry in Entry.objects.filter(withdrawn_at=None)
        if entry.member_id == request.viewer.member_id and entry.stands
    }
    groups: dict[str, list[dict[str, Any]]] = {"on": [], "coming": [], "past": []}
    for event in Event.objects.select_related("water"):
        row = {
            "event": event,
            "target": names.get(event.target, event.target),
            "cutoff": events.on_clock(event, event.cutoff_at),
            "ends": events.on_clock(event, event.ends_at),
            "entered": event.pk in mine,
        }
        when = events.phase(event, request.moment)
        groups["on" if when == events.FROZEN else when].append(row)
    groups["past"].reverse()
    page = {
        "groups": [
            ("On now: after the cut-off", groups["on"]),
            ("Coming", groups["coming"]),
            ("Past", groups["past"]),
        ],
        "any": any(groups.values()),
    }
    return render(request, "events/list.html", page)


def _by_team(entries: list[Entry]) -> list[tuple[str, list[Entry]]]:
    """Return the entries by team, teams by name, anglers on their own last."""
    teams: dict[tuple[bool, str, str], list[Entry]] = {}
    for entry in entries:
        team = entry.team
        key = (team is None, team.name if team else "On their own", str(entry.team_id or ""))
        teams.setdefault(key, []).append(entry)
    return [(key[1], teams[key]) for key in sorted(teams)]


def _enterable(event: Event, mine: events.Standing, entries: list[Entry]) -> list[tuple[Team, list[Any]]]:
    """Return, for a captain, each own team with the members not yet entered."""
    taken = {entry.member_id for entry in entries if entry.withdrawn_at is None}
    out = []
    for team in mine.captain_of:
        free = [
            person
            for person in team.members.filter(is_active=True).order_by("name", "id")
            if person.pk not in taken and person.pk != event.deputy_id
        ]
        if free:
            out.append((team, free))
    return out


@require_safe
@public
def event_page(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """What is this event, what does its cut-off close, and where might the target be?"""
    event = event_or_404(key)
    viewer, moment = request.viewer, request.moment
    entries = events.entries_of(event)
    mine = events.standing(event, viewer, entries)
    phase = events.phase(event, moment)
    stand = [entry for entry in entries if entry.stands]
    waiting = [
        entry for entry in entries if entry.late and not entry.accepted_by_id and not entry.withdrawn_at
    ]
    units = Units.of(request.member)
    names = _target_names()
    free = events.free_organisers(event, entries) if mine.acts or viewer.is_organiser else []
    page = {
        "event": event,
        "target": names.get(event.target, event.target),
        "phase": phase,
        "cutoff": events.on_clock(event, event.cutoff_at),
        "ends": events.on_clock(event, event.ends_at),
        "zone": event.water.time_zone,
        "length": units.fish_text(event.minimum_length_mm) if event.minimum_length_mm else "",
        "mine": mine,
        "bound": mine.entry is not None and events.binds(mine.entry, event),
        "teams": _by_team(stand),
        "entered": len(stand),
        "waiting": waiting,
        "withdrawn": [entry for entry in entries if entry.withdrawn_at],
        "enterable": _enterable(event, mine, entries) if phase == events.COMING else [],
        "candidates": _candidates(event, entries) if mine.acts and phase == events.COMING else [],
        "may_enter": phase == events.COMING and viewer.is_member and not mine.entered and not mine.is_deputy,
        "work": team_work(event, mine.entry, viewer)
        if mine.entry and mine.entry.team_id and phase == events.FROZEN and events.binds(mine.entry, event)
        else None,
        "team_certificate": phase != events.COMING
        and any(
            entry.team is not None and entry.team in mine.captain_of and events.binds(entry, event)
            for entry in entries
        ),
        "one_left": len(free) == 1 and event.deputy_id is None and phase == events.COMING,
        "ranked": ranked_spots(event, viewer, "all" in request.GET)
        if mine.entered and phase != events.PAST
        else None,
    }
    return render(request, "events/event.html", page)


def _candidates(event: Event, entries: list[Entry]) -> list[Any]:
    taken = {entry.member_id for entry in entries if entry.withdrawn_at is None}
    people = events.possible_deputies(event, entries).exclude(pk__in=taken)
    return [person for person in people.order_by("name", "id") if person.pk != event.deputy_id]


def _form(request: ViewedRequest, event: Event | None, title: str) -> HttpResponse:
    entries = events.entries_of(event) if event else []
    blank = event or Event()
    form = EventForm(
        request.POST or None,
        event=event,
        units=Units.of(request.member),
        moment=request.moment,
        deputies=events.possible_deputies(blank, entries),
        names_deputy=request.viewer.is_organiser,
    )
    if request.method == "POST" and form.is_valid():
        filled = form.fill(blank)
        if event is None:
            filled.created_by, filled.created_at = request.member, request.moment
        try:
            _save(filled, request.viewer, request.moment)
        except ValidationError as error:
            form.add_error(None, error)
        else:
            messages.success(request, "Saved.")
            return redirect(f"/events/{filled.pk}/")
    page = {"form": form, "title": title, "event": event}
    return render(request, "events/form.html", page, status=422 if form.is_bound and form.errors else 200)


def _save(event: Event, viewer: Viewer, moment: datetime) -> None:
    """Save; what only the database knows by then (a race, a deputy entered meanwhile) comes back in words."""
    try:
        with transaction.atomic():
            event.save()
    except DatabaseError as error:
        raise ValidationError(told(error)) from error


def told(error: DatabaseError) -> str:
    """Return what the database said, in its first line, when it is one of our own sentences."""
    text = str(error).splitlines()[0]
    return (
        text
        if text.endswith(".") and "policy" not in text
        else "The event has changed meanwhile. Look again."
    )


@require_http_methods(["GET", "HEAD", "POST"])
@organisers_only
def event_new(request: ViewedRequest) -> HttpResponse:
    """Make an event."""
    return _form(request, None, "A new event")


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def event_edit(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Change an event: an organiser who is not entered, or its deputy."""
    event = event_or_404(key)
    if not events.standing(event, request.viewer, events.entries_of(event)).acts:
        raise Http404
    return _form(request, event, f"Change {event.name}")


@require_POST
@members_only
def event_delete(request: ViewedRequest, key: uuid.UUID) -> HttpResponse:
    """Delete an event before its cut-off."""
    event = event_or_404(key)
    if not events.standing(event, request.viewer, events.entries_of(event)).acts:
        raise Http404
    if request.moment >= event.cutoff_at:
        messages.error(request, "The cut-off has passed: the event stays.")
        return redirect(f"/events/{key}/")
    event.delete()
    messages.success(request, f"{event.name} is deleted.")
    return redirect("/events/")
