"""The calls page: how far to believe the screen, the club's, one's own, and of those who agree."""

import uuid
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import urlencode
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from club import juniors
from club.access import id_or_none, members_only
from club.call_figures import calibration, key_squares
from club.models import Member
from club.viewer import ViewedRequest
from observations import calls_told as told
from observations.models import Reliability
from observations.reliability import PARTS, WHOLE, current_refit, readable
from observations.words import SHORT_METHOD

PART_WORDS = {"whole": "all", "drawn": "asked for by lot", "device": "sealed on a phone"}


@members_only
@never_cache
@require_safe
def calls(request: ViewedRequest) -> HttpResponse:
    """Which call turned out to be what, how sure is that, and how do I do?"""
    me = request.viewer.member_id
    who, part, method = (request.GET.get(name, "") for name in ("who", "part", "method"))
    part = part or WHOLE
    if part not in PARTS:
        raise Http404
    every = {name: readable(name) for name in PARTS}
    others = _others(every[WHOLE], me)
    observer, name = _whose(who, me, others)
    words = told.Words()
    rows = [row for row in every[part] if row.observer_id == observer]
    rows = [row for row in rows if row.method]
    chosen = told.columns(rows, words)
    tables = [told.matrix(row, chosen, words) for row in rows]
    if method:
        tables = [table for table in tables if table.method == method]
        if not tables:
            raise Http404
    person = me if observer is None else observer
    own = [row for row in every[WHOLE] if row.observer_id == person]
    own_stated = told.stated(_scores(own))
    context = {
        "as_of": refit.as_of if (refit := current_refit()) else None,
        "who": who or "club",
        "whose": name,
        "part": part,
        "method": method,
        "others": others,
        "parts": list(PART_WORDS.items()),
        "tables": tables,
        "hints": [table for table in tables if any(row.few for row in table.rows)],
        "person": name if observer not in (None, me) else "",
        "own_proofs": _sum(own, "proofs"),
        "own_made": _sum(own, "made"),
        "sentences": told.sentences([row for row in own if row.method], words),
        "own": own_stated,
        "diagram": calibration(own_stated.bins) if own_stated and own_stated.drawn else "",
        "club": told.stated(_scores([row for row in every[WHOLE] if row.observer_id is None])),
        "quarters": told.quarters(_scores([row for row in every[WHOLE] if row.observer_id == observer])),
        "by_part": _by_part(every, observer),
        "key": key_squares(),
        "keep": urlencode({"who": who or "club", "part": part}),
        "shares": bool(request.member and request.member.shares_reliability),
    }
    return render(request, "calls/calls.html", context)


def _sum(rows: list[Reliability], what: str) -> int:
    return sum(call[what] for row in rows if row.method for call in row.body["calls"])


def _scores(rows: list[Reliability]) -> Reliability | None:
    return next((row for row in rows if not row.method), None)


def _others(rows: list[Reliability], me: uuid.UUID | None) -> list[Member]:
    """Return the other members who let this one read theirs; the database has kept the rest back."""
    keys = {row.observer_id for row in rows if row.observer_id is not None} - {me}
    people = list(Member.objects.filter(pk__in=keys).order_by("name", "id"))
    juniors.reveal(people)
    return people


def _whose(who: str, me: uuid.UUID | None, others: list[Member]) -> tuple[uuid.UUID | None, str]:
    """Return whose calls are asked for, and what to call them. Whoever does not agree never was."""
    if who in ("", "club"):
        return None, "the club"
    if who == "me":
        return me, "only you"
    key = id_or_none(who)
    person = next((person for person in others if person.pk == key), None)
    if person is None:
        raise Http404
    return person.pk, person.name


def _by_part(every: dict[str, list[Reliability]], observer: uuid.UUID | None) -> list[dict[str, Any]]:
    """Return, for each method, how many proved calls were right: of all, and of each part alone."""
    lines: dict[str, dict[str, told.Share]] = {}
    for part, rows in every.items():
        for row in rows:
            if row.method and row.observer_id == observer:
                lines.setdefault(row.method, {})[part] = told.right_share([row], PART_WORDS[part])
    return [
        {
            "name": SHORT_METHOD[method],  # type: ignore[index]
            "shares": [shares.get(part) for part in PARTS],
        }
        for method, shares in lines.items()
        if shares[WHOLE].proofs
    ]


@members_only
@require_POST
def share(request: ViewedRequest) -> HttpResponse:
    """Let the other members read how far my calls can be believed, or no longer."""
    yes = request.POST.get("share") == "yes"
    assert request.viewer.member_id is not None  # noqa: S101 - members_only
    Member.objects.filter(pk=request.viewer.member_id).update(shares_reliability=yes)
    messages.success(
        request,
        "The other members can read yours now." if yes else "Closed: only you read yours, from now on.",
    )
    return redirect("/calls/?who=me")
