"""What a phone needs to log without signal: an empty log page, the member's own spots, and a way to send what waits.

Nothing that the page `shell` holds names a place; places are in the `pack`, which the phone keeps apart and
forgets when it expires or its member signs out (static/js/store.js).
"""

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from club.access import id_or_404, members_only, public
from club.keyed import keyed_id
from club.turns import Turn, take_turn
from club.viewer import ViewedRequest
from observations import log_queries as queries
from observations import parts
from observations.here_views import HERE, HereForm
from observations.jobs import wake_for_pictures
from observations.log_entry import LogEntry
from observations.log_views import entry_context, offer_at
from observations.models import Finding, Observation, Picture
from observations.pictures import MAX_PICTURES, Readable, clean_picture, store
from spots.charting import outlines
from spots.disclosure_models import Channel
from spots.models import Spot, Water
from spots.precision import ReleasedSpot, released_spots

# How long a phone without any contact keeps the places that it carries.
OWN_KEPT = timedelta(days=14)
CARRY_DAYS = (1, 3, 7)


@public
@require_GET
def hello(request: ViewedRequest) -> JsonResponse:
    """Say who is signed in here, with what a form needs to be sent; asked before anything that waits is sent."""
    if request.member is None:
        return JsonResponse({"member": None})
    return JsonResponse({"member": str(request.member.pk), "csrf": get_token(request)})


@members_only
@require_GET
def shell(request: ViewedRequest) -> HttpResponse:
    """Show the log page without any spot: the one that the phone keeps, and fills from its pack."""
    offer = offer_at(request, None, request.moment)
    blank = dict.fromkeys(("response", "platform", "clarity", "wind", "wind_from", "sky"), "")
    entry = LogEntry(offer, initial={**blank, "lines": "1", "f0": {"tie": Finding.Tie.COVER}})
    context = {
        **entry_context(request, offer, entry),
        "offline": True,
        "settles": [],
        "here": HereForm(offer.units, initial={"how": HERE}),
    }
    return render(request, "log/offline.html", context)


def _carried(request: ViewedRequest, spots: list[ReleasedSpot]) -> list[dict[str, Any]]:
    rows = {spot.pk: spot for spot in Spot.objects.filter(pk__in=[spot.id for spot in spots])}
    scopes: dict[tuple[uuid.UUID, str], list[tuple[str, str]]] = {}
    out = []
    for spot in spots:
        row = rows[spot.id]
        kind = (row.water_id, row.scope)
        if kind not in scopes:
            scopes[kind] = queries.scopes_for(row, request.viewer, request.moment)
        point = spot.geometry["coordinates"] if spot.precision == "exact" and spot.geometry else None
        out.append(
            {
                "id": str(spot.id),
                "label": spot.label,
                "water": str(spot.water_id),
                "point": point,
                "depth_m": [spot.depth_min_m, spot.depth_max_m],
                "scopes": scopes[kind],
                "scope": row.scope if row.scope in dict(scopes[kind]) else scopes[kind][-1][0],
            }
        )
    return out


@members_only
@require_GET
def pack(request: ViewedRequest) -> JsonResponse:
    """Send what a phone carries without asking: the member's own spots, and the waters' outlines, which are public."""
    own = Spot.objects.filter(owner=f"member:{request.viewer.member_id}").values_list("pk", flat=True)
    spots = [spot for spot in released_spots(ids=list(own), channel=Channel.UNSEEN) if spot.is_exact]
    return JsonResponse(
        {
            "member": str(request.viewer.member_id),
            "expires_at": (request.moment + OWN_KEPT).isoformat(),
            "waters": outlines(),
            "spots": _carried(request, spots),
        }
    )


@members_only
@require_POST
def carry(request: ViewedRequest) -> JsonResponse:
    """Send the spots of one water that others show the member exactly, for some days: a choice, and written down.

    Each that has a position goes into its owner's log as carried on a phone, and counts against the daily cap.
    """
    water = Water.objects.filter(pk=id_or_404(request.POST.get("water", ""))).first()
    if water is None:
        raise Http404
    days = request.POST.get("days", "")
    if days not in [str(number) for number in CARRY_DAYS]:
        return JsonResponse({"errors": {"days": [f'"{days[:20]}" is not 1, 3 or 7 days.']}}, status=422)
    spots = [spot for spot in released_spots(water_id=water.pk, channel=Channel.CARRIED) if spot.is_exact]
    return JsonResponse(
        {
            "member": str(request.viewer.member_id),
            "water": str(water.pk),
            "expires_at": (request.moment + timedelta(days=int(days))).isoformat(),
            "spots": _carried(request, spots),
        }
    )


def _picture_id(look_id: uuid.UUID, key: uuid.UUID) -> uuid.UUID:
    """Return the id of a look's picture that the device calls `key`: the same each time, and nobody else's.

    The device does not choose the id itself: the file is written under it before the database has its say.
    """
    return keyed_id("observations.outbox.picture", f"{look_id} {key}")


def _own_look(request: ViewedRequest, look_id: uuid.UUID) -> Observation:
    look = Observation.objects.filter(pk=look_id, observer_id=request.viewer.member_id).first()
    if look is None:
        raise Http404
    return look


@members_only
@require_POST
def add_picture(request: ViewedRequest, look_id: uuid.UUID, key: uuid.UUID) -> JsonResponse:
    """Add a picture to one of one's own looks. Sent again under the same key it is the same picture.

    With `species`, it shows that finding of the look; where a checker has decided on it already, the picture
    belongs to the look alone. With `parts`, its number of bytes, it has come in parts (`picture_parts`).
    """
    assert request.member is not None  # noqa: S101 - members_only
    look = _own_look(request, look_id)
    picture_id = _picture_id(look_id, key)
    with transaction.atomic():
        take_turn(Turn.PICTURES_OF_LOOK, look_id)
        pictures = Picture.objects.filter(look=look)
        if pictures.filter(pk=picture_id).exists():
            parts.forget(request.member.pk, picture_id)
            return JsonResponse({"id": str(picture_id)})
        try:
            if len(pictures) >= MAX_PICTURES:
                raise ValidationError(f"This look has {MAX_PICTURES} pictures already; that is the most.")
            with _upload(request, picture_id) as (upload, name):
                clean = clean_picture(upload, name)
                finding = _finding(look, request.POST.get("species", ""))
                store([(clean, finding)], look, request.member, request.moment, [picture_id])
        except parts.WrongPlaceError as error:
            return JsonResponse({"have": error.have, "errors": {"picture": [str(error)]}}, status=409)
        except ValidationError as error:
            return JsonResponse({"errors": {"picture": error.messages}}, status=422)
        except OSError:
            return _not_stored()
    wake_for_pictures()
    return JsonResponse({"id": str(picture_id)}, status=201)


@contextmanager
def _upload(request: ViewedRequest, picture_id: uuid.UUID) -> Iterator[tuple[Readable, str]]:
    """Give the file of a request, or what its parts make, with its name."""
    if request.POST.get("parts"):
        assert request.member is not None  # noqa: S101 - members_only
        whole = _number(request.POST["parts"], "parts")
        with parts.taken(request.member.pk, picture_id, whole) as file:
            yield file, request.POST.get("name", "") or "picture"
        return
    upload = request.FILES.get("picture")
    if upload is None:
        raise ValidationError("Choose a picture.")
    yield upload, upload.name or "picture"


def _number(text: str, name: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 12):
        raise ValidationError(f'{name} "{text[:20]}" is not a whole number of bytes.')
    return int(text)


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def picture_parts(request: ViewedRequest, look_id: uuid.UUID, key: uuid.UUID) -> JsonResponse:
    """Take the next part of a picture as the request's body, `at` a byte `of` so many; say how many are here.

    A part that does not begin there is a 409 that says where the next one begins.
    """
    assert request.member is not None  # noqa: S101 - members_only
    _own_look(request, look_id)
    member, picture_id = request.member.pk, _picture_id(look_id, key)
    if request.method != "POST":
        return JsonResponse({"have": parts.have(member, picture_id)})
    with transaction.atomic():
        take_turn(Turn.PICTURES_OF_LOOK, look_id)
        try:
            at, of = (_number(request.GET.get(name, ""), name) for name in ("at", "of"))
            return JsonResponse({"have": parts.add(member, picture_id, at, of, request.body)})
        except parts.WrongPlaceError as error:
            return JsonResponse({"have": error.have}, status=409)
        except ValidationError as error:
            return JsonResponse({"errors": {"picture": error.messages}}, status=422)
        except OSError:
            return _not_stored()


def _not_stored() -> JsonResponse:
    told = "It could not be stored: the disk may be full. It is kept on the phone and sent again."
    return JsonResponse({"errors": {"picture": [told]}}, status=503)


def _finding(look: Observation, species: str) -> Finding | None:
    """Return the finding that the picture shows; a picture of the whole look shows its only one."""
    findings = list(Finding.objects.filter(look=look, confirmations=None))
    named = [finding for finding in findings if finding.species_id == species]
    return named[0] if named else findings[0] if len(findings) == 1 and not species else None
