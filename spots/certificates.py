"""A certificate of an event: which exact positions an angler opened between its cut-off and its end.

Spots by name only, never a position. Signed with the server's key, so that this server can tell whether a
text is as it gave it.
"""

import json
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from django.core.signing import Signer
from django.db.models import Q
from django.utils.crypto import constant_time_compare

from club.models import Member
from spots.disclosure_models import Channel, Disclosure
from spots.event_models import Entry, Event
from spots.events import FROZEN, PAST, binds, on_clock, phase
from spots.precision import released_spots

SALT = "tallow event certificate 1"
LAST_LINE = "Signature: "


@dataclass(frozen=True)
class Opening:
    """One spot that somebody was shown exactly, on one day (UTC), in one way.

    The log keeps the first time of each day. `surely_after` is false for the day of the cut-off when that
    first time lay before it: whether the spot was opened again later that day is not known.
    """

    member_id: uuid.UUID
    spot: str
    channel: str
    at: datetime
    surely_after: bool


@dataclass(frozen=True)
class Openings:
    rows: list[Opening]
    # Openings of spots that are not shown to the reader now, on whichever water; of the reader's own only.
    no_longer_shown: int


def openings(
    event: Event, members: Iterable[uuid.UUID], reader: uuid.UUID | None, until: datetime
) -> Openings:
    """Return what these members opened on the event's water from its cut-off to its end, or to `until`.

    Read as the reader: spots that are not shown to them are not in it. The database gives a reader their own
    log, that of a late entrant to who acts for the event, and that of a team's anglers to its captain.
    """
    end = min(event.ends_at, until)
    cutoff_day = event.cutoff_at.astimezone(UTC).date()
    rows = list(
        Disclosure.objects.filter(viewer_id__in=list(members), at__lt=end)
        .filter(Q(at__gte=event.cutoff_at) | Q(day=cutoff_day))
        .order_by("at", "id")
    )
    shown = {
        spot.id: spot
        for spot in released_spots(ids=list({row.spot_id for row in rows}), channel=Channel.UNSEEN)
    }
    gone = sum(row.spot_id not in shown and row.viewer_id == reader for row in rows)
    out = [
        Opening(
            member_id=row.viewer_id,
            spot=shown[row.spot_id].label,
            channel=Channel(row.channel).label,
            at=row.at,
            surely_after=row.at >= event.cutoff_at,
        )
        for row in rows
        if row.spot_id in shown and shown[row.spot_id].water_id == event.water_id
    ]
    return Openings(out, gone)


def _clock(event: Event, at: datetime) -> str:
    local = on_clock(event, at)
    return f"{local:%Y-%m-%d %H:%M}"


def certificate(
    event: Event, entries: Sequence[Entry], reader: Member, moment: datetime, club: str
) -> dict[str, Any]:
    """Return the unsigned extract for these entries, as plain values: the JSON certificate's body.

    Raises ValueError before the cut-off, and for an entry that does not bind.
    """
    if phase(event, moment) not in (FROZEN, PAST):
        raise ValueError("a certificate speaks of the time from the cut-off on")
    if not all(binds(entry, event) for entry in entries):
        raise ValueError("an entry withdrawn before the cut-off was never frozen")
    names = {entry.member_id: entry.member.shown_name for entry in entries}
    found = openings(event, names, reader.pk, moment)
    return {
        "certificate": "information cut-off",
        "club": club,
        "event": {
            "id": str(event.pk),
            "name": event.name,
            "water": event.water.name,
            "time_zone": event.water.time_zone,
            "cutoff_at": event.cutoff_at.isoformat(),
            "ends_at": event.ends_at.isoformat(),
        },
        "anglers": [
            {
                "name": entry.member.shown_name,
                "team": entry.team.name if entry.team else None,
                "entered_at": entry.entered_at.isoformat(),
                "late": entry.late,
                "accepted_by": entry.accepted_by.shown_name if entry.accepted_by else None,
                "withdrawn_at": entry.withdrawn_at.isoformat() if entry.withdrawn_at else None,
                "frozen_from": max(event.cutoff_at, entry.entered_at).isoformat(),
            }
            for entry in entries
        ],
        "asked_by": reader.name,
        "issued_at": moment.isoformat(),
        "whole": moment >= event.ends_at,
        "openings": [
            {
                "angler": names[row.member_id],
                "spot": row.spot,
                "by": row.channel,
                "first_that_day": row.at.isoformat(),
                "surely_after_cutoff": row.surely_after,
            }
            for row in found.rows
        ],
        "no_longer_shown": found.no_longer_shown,
    }


def as_text(event: Event, body: dict[str, Any]) -> str:
    """Return the certificate in words, one fact a line, unsigned."""
    lines = [
        f"{body['club']}: certificate of an information cut-off",
        "",
        f"Event: {event.name}, {event.water.name}",
        f"Event id: {event.pk}",
        f"Cut-off: {_clock(event, event.cutoff_at)} ({event.water.time_zone})",
        f"End: {_clock(event, event.ends_at)}",
        f"Issued: {_clock(event, datetime.fromisoformat(body['issued_at']))} to {body['asked_by']}",
    ]
    if not body["whole"]:
        lines.append("The event is not over: this goes as far as the time of issue.")
    lines.append("")
    for angler in body["anglers"]:
        team = f", {angler['team']}" if angler["team"] else ""
        entered = _clock(event, datetime.fromisoformat(angler["entered_at"]))
        late = f", late, accepted by {angler['accepted_by'] or 'nobody yet'}" if angler["late"] else ""
        lines.append(f"Angler: {angler['name']}{team}. Entered {entered}{late}.")
        since = _clock(event, datetime.fromisoformat(angler["frozen_from"]))
        lines.append(
            f"Frozen from {since} to the end: saw {event.water.name} as it stood at the cut-off, and the own"
            " side's new looks."
        )
        if angler["withdrawn_at"]:
            at = _clock(event, datetime.fromisoformat(angler["withdrawn_at"]))
            lines.append(f"Withdrew {at}, after the cut-off, which thaws nothing.")
    lines += ["", "Exact positions opened on this water from the cut-off on, by the first time of each day:"]
    for row in body["openings"]:
        at = _clock(event, datetime.fromisoformat(row["first_that_day"]))
        doubt = (
            "" if row["surely_after_cutoff"] else " (before the cut-off; whether again that day is not kept)"
        )
        lines.append(f"- {at}  {row['angler']}: {row['spot']}, by {row['by']}{doubt}")
    if not body["openings"]:
        lines.append("- none")
    if body["no_longer_shown"]:
        lines.append(
            f"- besides, {body['no_longer_shown']} of spots that are no longer shown to {body['asked_by']}, on"
            " whichever water"
        )
    lines += [
        "",
        "An angler's own spots and those of their own teams are theirs and are not logged.",
        "It lists what is shown to the one it was issued to. It speaks of this site alone, and decides no rule.",
    ]
    # A name that holds a line end must not write a line of its own.
    return "\n".join(" ".join(line.splitlines()).rstrip() for line in lines) + "\n"


def _signature(text: str) -> str:
    return Signer(salt=SALT).signature(text)


def _plain(body: dict[str, Any]) -> str:
    return json.dumps(body, sort_keys=True, separators=(",", ":"))


def sign(text: str) -> str:
    """Return the text with its signature as the last line."""
    return f"{text}{LAST_LINE}{_signature(text)}\n"


def sign_json(body: dict[str, Any]) -> str:
    """Return the certificate as JSON, with the signature of all its other members."""
    return json.dumps({**body, "signature": _signature(_plain(body))}, indent=1, ensure_ascii=False)


def is_ours(signed: str, event: Event) -> bool:
    """Say whether this server signed exactly this text, or these JSON values, of this event.

    Line ends and blanks at the ends of lines are what copying and mail change; they do not count.
    """
    signed = signed.strip()
    if signed.startswith("{"):
        return _json_is_ours(signed, event)
    lines = [line.rstrip() for line in signed.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    if not lines[-1].startswith(LAST_LINE) or f"Event id: {event.pk}" not in lines:
        return False
    text = "\n".join(lines[:-1]) + "\n"
    return constant_time_compare(lines[-1].removeprefix(LAST_LINE).strip(), _signature(text))


def _json_is_ours(signed: str, event: Event) -> bool:
    try:
        body = json.loads(signed)
        signature = str(body.pop("signature"))
        of_event = body["event"]["id"] == str(event.pk)
        plain = _plain(body)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return False
    return of_event and constant_time_compare(signature, _signature(plain))
