"""The log page: one look, sealed in seconds; what was sealed; and one's own last looks."""

import uuid
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.http import Http404, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from club.access import id_or_none, members_only, public
from club.units import Units
from club.viewer import ViewedRequest
from observations import log_queries as queries
from observations.camera_check import check_context, draw_context, note_asked
from observations.log_entry import DeviceSeal, LogEntry
from observations.log_forms import Offer
from observations.log_start import initial_of
from observations.log_words import in_words, settles_words, with_parts
from observations.models import Call, Finding, Method, Observation, Picture
from observations.pictures import MAX_PICTURES, CleanPicture, Readable, clean_picture, content_of, store
from observations.services import record_look, species_by_code, withdraw_call
from observations.withdrawing import why_not, withdraw_look
from spots.disclosure_models import Channel
from spots.models import Spot, Water
from spots.precision import ReleasedSpot, released_spots
from spots.skytimes import sky_words

_LIST = 40
_TAKEN = "This page's number is already in use: open the page again."
_NO_SPOT = "Choose a spot that you see exactly."


def _wake(pictures: bool = False) -> None:
    """Wake the worker once what was saved stands."""
    from observations.jobs import wake, wake_for_pictures

    wake()
    if pictures:
        wake_for_pictures()


def _exact_spot(text: str) -> ReleasedSpot | None:
    """Return a spot that can be logged at, or None for one that is hidden, inexact, or never was."""
    key = id_or_none(text)
    spots = released_spots(ids=[key], channel=Channel.UNSEEN) if key else []
    return spots[0] if spots and spots[0].is_exact else None


def offer_at(request: ViewedRequest, spot: Spot | None, at: datetime) -> Offer:
    """Return what the log page offers at a spot; without one, what it offers anywhere."""
    species = species_by_code()
    viewer = request.viewer
    key = spot.pk if spot else None
    return Offer(
        units=Units.of(request.member),
        species=species,
        calls=queries.quick_calls(viewer, key, species),
        findings=queries.quick_findings(viewer, key, species),
        call_tree=queries.species_tree(species, wider=True),
        finding_tree=queries.species_tree(species, wider=False),
        scopes=queries.scopes_for(spot, viewer, request.moment) if spot else [],
        settles=queries.visit_groups(spot.pk, viewer.member_id, at) if spot else [],
    )


def entry_context(request: ViewedRequest, offer: Offer, entry: LogEntry) -> dict[str, Any]:
    """Return what the log page shows wherever it is shown."""
    return {
        "entry": entry,
        "form": entry.look,
        "groups": entry.groups,
        "findings": entry.findings,
        "units": offer.units,
        "max_pictures": MAX_PICTURES,
        **draw_context(request.viewer.member_id),
    }


def _page(
    request: ViewedRequest,
    released: ReleasedSpot,
    spot: Spot,
    offer: Offer,
    entry: LogEntry,
    status: int = 200,
) -> HttpResponse:
    zone = ZoneInfo(spot.water.time_zone)
    return render(
        request,
        "log/log.html",
        {
            "spot": released,
            "spot_water": spot.water,
            **entry_context(request, offer, entry),
            "summary": entry.summary(),
            "settles": [(str(group.pk), settles_words(group, zone, offer.units)) for group in offer.settles],
            "local_now": request.moment.astimezone(zone).replace(tzinfo=None),
            "sky": sky_words(spot.water, request.moment),
            "offline": False,
        },
        status=status,
    )


@members_only
@require_http_methods(["GET", "HEAD", "POST"])
def log(request: ViewedRequest) -> HttpResponseBase:
    """Show the form at one spot, or the choice of spot; a post seals the look."""
    if request.method == "POST":
        return _seal(request)
    wanted = request.GET.get("spot", "")
    last = queries.last_look(request.viewer, request.moment)
    if not wanted and last and "choose" not in request.GET and "q" not in request.GET:
        wanted = str(last.spot_id)
    released = _exact_spot(wanted) if wanted else None
    if released is None:
        if request.GET.get("spot"):
            raise Http404
        return choose(request)
    spot = Spot.objects.select_related("water").get(pk=released.id)
    offer = offer_at(request, spot, request.moment)
    initial = initial_of(request.GET, spot, last, offer, request.moment)
    return _page(request, released, spot, offer, LogEntry(offer, initial=initial))


@members_only
@require_GET
def choose(request: ViewedRequest) -> HttpResponse:
    """Show the spots to log at: the last ones first, then by name."""
    text = request.GET.get("q", "").strip()
    recent = [] if text else queries.recent_spots(request.viewer)
    others = queries.search_spots(text, leave_out=[offered.spot.id for offered in recent])
    part = request.headers.get("X-Requested-With") == "fetch"
    template = "log/parts/spots.html" if part else "log/choose.html"
    return render(
        request,
        template,
        {"recent": recent, "others": others, "more": len(others) >= queries.FOUND_SPOTS, "q": text},
    )


def _refused(request: ViewedRequest, errors: dict[str, list[str]]) -> HttpResponseBase | None:
    """Answer a script that keeps the page as it is; None where the page must be shown again."""
    if request.headers.get("Accept") == "application/json":
        return JsonResponse({"errors": errors}, status=422)
    return None


def _saved(request: ViewedRequest, look: uuid.UUID) -> HttpResponseBase:
    url = f"/log/{look}/"
    return (
        JsonResponse({"url": url}) if request.headers.get("Accept") == "application/json" else redirect(url)
    )


def _seal(request: ViewedRequest) -> HttpResponseBase:
    member = request.member
    assert member is not None  # noqa: S101 - members_only
    if (known := _known(request)) is not None:
        messages.info(request, "This look had arrived before; it was saved once.")
        return _saved(request, known)
    released = _exact_spot(request.POST.get("spot", ""))
    if released is None:
        answer = _refused(request, {"spot": [_NO_SPOT]})
        messages.error(request, f"Not saved. {_NO_SPOT}")
        return answer or choose(_as_get(request))
    spot = Spot.objects.select_related("water").get(pk=released.id)
    device = DeviceSeal.of(request.POST, request.moment)
    offer = offer_at(request, spot, device.sealed_at if device else request.moment)
    entry = LogEntry(offer, request.POST)
    entry.is_valid()
    pictures = _clean_uploads(request, entry)
    look = None
    if not entry.errors:
        look = _save(request, entry, spot, offer, pictures, device)
    if look is None:
        return _refused(request, entry.errors) or _page(request, released, spot, offer, entry, status=422)
    _wake(bool(pictures))
    return _saved(request, look.pk)


def _as_get(request: ViewedRequest) -> ViewedRequest:
    request.method = "GET"
    return request


def _known(request: ViewedRequest) -> uuid.UUID | None:
    """Return the look's id when it has been saved already: a retried post is the same look."""
    key = id_or_none(request.POST.get("look", ""))
    if key is None:
        return None
    own = Observation.objects.filter(pk=key, observer_id=request.viewer.member_id)
    return key if own.exists() else None


def _uploads(request: ViewedRequest, entry: LogEntry) -> list[tuple[str, str, Readable]]:
    """Return the field, the file name and the file of each picture; those of a hidden part of the page are left out."""
    found = entry.look.cleaned_data.get("found") == "fish"
    proving = request.POST.get("method") in (Method.CAMERA, Method.ROD)
    out: list[tuple[str, str, Readable]] = []
    for name in ("pictures", "f0-pictures", "f1-pictures", "f2-pictures"):
        if name == "pictures" or (proving and found):
            out += [(name, upload.name or "picture", upload) for upload in request.FILES.getlist(name)]
    return out


def _clean_uploads(request: ViewedRequest, entry: LogEntry) -> list[tuple[str, CleanPicture]]:
    uploads = _uploads(request, entry)
    if len(uploads) > MAX_PICTURES:
        entry.say("pictures", f"{len(uploads)} pictures is too many: at most {MAX_PICTURES} a look.")
        return []
    clean = []
    for name, file_name, upload in uploads:
        try:
            picture = clean_picture(upload, file_name)
        except ValidationError as error:
            for message in error.messages:
                entry.say(name, message)
        else:
            clean.append((name, picture))
    return clean


def _save(
    request: ViewedRequest,
    entry: LogEntry,
    spot: Spot,
    offer: Offer,
    pictures: list[tuple[str, CleanPicture]],
    device: DeviceSeal | None,
) -> Observation | None:
    """Save the look with its pictures, all or nothing; None after telling the entry why not."""
    member = request.member
    assert member is not None  # noqa: S101
    try:
        draft = entry.draft(spot, member, offer.settles, request.moment, device)
        with transaction.atomic():
            look = record_look(draft, request.viewer, request.moment)
            if look.observer_id != member.pk:
                raise ValidationError(_TAKEN)
            rows = {finding.species_id: finding for finding in Finding.objects.filter(look=look)}
            order = [rows.get(finding.species) for finding in draft.findings]
            if look.random_check:
                note_asked(look, entry.look.cleaned_data.get("check") or "", request.moment)
            store([(one, _finding_for(name, order)) for name, one in pictures], look, member, request.moment)
    except ValidationError as error:
        entry.take(error)
    except IntegrityError:
        # The same look, sent again before the first answer: it waited here until that one stood.
        if (first := _known(request)) is not None:
            return Observation.objects.get(pk=first)
        entry.say("page", _TAKEN)
    except OSError:
        entry.say("pictures", "It could not be stored: the disk may be full. Nothing was saved.")
    else:
        return look
    return None


def _finding_for(field: str, order: list[Finding | None]) -> Finding | None:
    """Return the finding that a picture shows; one taken of the whole look shows its only finding."""
    if field == "pictures":
        return order[0] if len(order) == 1 else None
    number = int(field[1])
    return order[number] if number < len(order) else None


def _own(request: ViewedRequest, look_id: uuid.UUID) -> Observation:
    look = (
        Observation.objects.filter(pk=look_id, observer_id=request.viewer.member_id)
        .prefetch_related(*with_parts())
        .first()
    )
    if look is None:
        raise Http404
    return look


@members_only
@require_GET
def sealed(request: ViewedRequest, look_id: uuid.UUID) -> HttpResponse:
    """Show what was sealed, and what can follow: prove it, take it back, log another."""
    look = _own(request, look_id)
    [words] = in_words([look], Units.of(request.member), request.moment)
    context = {
        "words": words,
        "look": look,
        "stays": why_not(look),
        "just_now": _is_new(look, request.moment),
        **check_context(look),
        "sky": sky_words(Water.objects.get(pk=words.spot.water_id), look.started_at) if words.spot else None,
    }
    return render(request, "log/sealed.html", context)


def _is_new(look: Observation, moment: datetime) -> bool:
    return (moment - look.received_at).total_seconds() < 120


@members_only
@require_GET
def mine(request: ViewedRequest) -> HttpResponse:
    """List the member's own looks, newest first."""
    looks = Observation.objects.filter(observer_id=request.viewer.member_id).order_by(
        "-started_at", "-received_at"
    )
    page = request.GET.get("page", "1")
    number = max(1, int(page)) if page.isdecimal() and len(page) < 6 else 1
    start = (number - 1) * _LIST
    found = list(looks.prefetch_related(*with_parts())[start : start + _LIST + 1])
    words = in_words(found[:_LIST], Units.of(request.member), request.moment)
    context: dict[str, Any] = {"words": words, "number": number, "more": len(found) > _LIST}
    return render(request, "log/mine.html", context)


@members_only
@require_POST
def withdraw(request: ViewedRequest, look_id: uuid.UUID, group_id: uuid.UUID) -> HttpResponseBase:
    """Withdraw one call of one's own look, before its proof."""
    look = _own(request, look_id)
    call = Call.objects.filter(group_id=group_id, group__look=look).select_related("group").first()
    if call is None:
        raise Http404
    if call.withdrawn_at:
        messages.info(request, "This call has been withdrawn already.")
        return redirect(f"/log/{look_id}/")
    try:
        withdraw_call(call, request.moment)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, "The call is withdrawn. It is kept, and feeds no reliability.")
        _wake()
    return redirect(f"/log/{look_id}/")


@members_only
@require_POST
def undo(request: ViewedRequest, look_id: uuid.UUID) -> HttpResponseBase:
    """Take a whole look of one's own back."""
    look = _own(request, look_id)
    try:
        withdraw_look(look, request.moment)
    except ValidationError as error:
        messages.error(request, " ".join(error.messages))
    else:
        messages.success(request, "The look is taken back. It is kept, and is no longer evidence.")
        _wake()
    return redirect(f"/log/{look_id}/")


@public
@require_GET
def picture(request: ViewedRequest, picture_id: uuid.UUID, small: bool = False) -> HttpResponse:
    """Send a picture that the viewer may see. The bytes are read here, inside the viewer's transaction."""
    row = Picture.objects.filter(pk=picture_id).first()
    content = content_of(row, small) if row else None
    if content is None:
        raise Http404
    return send_picture(content)


def send_picture(content: bytes) -> HttpResponse:
    """Answer with a JPEG that no cache keeps, no browser takes for anything else, and whose name says nothing."""
    response = HttpResponse(content, content_type="image/jpeg")
    response["Cache-Control"] = "private, no-store"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Disposition"] = 'inline; filename="picture.jpg"'
    return response
