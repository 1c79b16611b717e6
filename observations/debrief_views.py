"""The debrief's pages: send what the plotter and the phone made, say what was there, see what it came to."""

import uuid
from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.db import transaction
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from club.access import id_or_none, members_only
from club.models import Member, Team
from club.units import Units
from club.viewer import ViewedRequest
from observations import log_queries as queries
from observations.debrief import charting, drafting, laying, showing, uploads
from observations.debrief.answers import AS_THE_SPOT, LOOKED_WITH, SELF, THERE, Answers, read_answers
from observations.debrief.deciding import Decided, Decider, keep_pictures, shift_pictures
from observations.debrief_models import DebriefDraft, DebriefPicture, Pass, Track
from observations.jobs import wake, wake_for_pictures
from observations.log_fields import parse_number
from observations.models import EchoGroup, Finding, Method, Observation, Trip
from observations.pictures import discard
from observations.services import species_by_code
from spots.disclosures import held_back
from spots.files.report import FileError, Remark
from spots.models import Term

_LATEST = 12
_FURTHEST_SHIFT = 26 * 60
_NOT_STORED = "It could not be stored: the disk may be full. Nothing was saved."


def _member(request: ViewedRequest) -> Member:
    assert request.member is not None  # noqa: S101 - members_only
    return request.member


def own_trip(request: ViewedRequest, trip_id: uuid.UUID) -> Trip:
    """Return one's own trip that has been debriefed; the same 404 for others' and for none."""
    trip = Trip.objects.filter(pk=trip_id, member=request.viewer.member_id).select_related("water").first()
    if trip is None or not (Track.objects.filter(trip=trip).exists() or trip.drafts.exists()):
        raise Http404
    return trip


def wait_for_other_presses(trip: Trip) -> None:
    """Of two presses on one day at once, the second waits here: whoever presses twice is answered twice, saves once."""
    list(DebriefDraft.objects.select_for_update().filter(trip=trip).order_by("id").values_list("id"))


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def debrief(request: ViewedRequest) -> HttpResponseBase:
    """Send the day's files; or go on with a day that waits."""
    if request.method != "POST":
        return _start(request)
    files = request.FILES.getlist("files")
    if not files:
        return _start(request, [Remark(0, "files", "", "Choose the day’s files.")], status=422)
    member = _member(request)
    try:
        with transaction.atomic():
            sent = uploads.sort(files)
            drafted = drafting.draft(sent, member, request.moment)
            pictures = laying.lay(sent.pictures, drafted, member, request.moment)
    except FileError as error:
        return _start(request, list(error.remarks), status=422)
    except OSError:
        return _start(request, [Remark(0, "files", "", _NOT_STORED)], status=507)
    if pictures:
        wake_for_pictures()
    _tell(request, drafted, pictures)
    if len(drafted.trips) == 1:
        return redirect(f"/debrief/{drafted.trips[0].pk}/")
    return redirect("/debrief/")


def _tell(request: ViewedRequest, drafted: drafting.Drafted, pictures: int) -> None:
    if drafted.known_already:
        messages.info(request, "The track of this time is here already; what you decided stays as it is.")
    parts = [f"{number} × {words}" for words, number in drafted.left_out.items()]
    if parts:
        messages.info(request, f"Left out: {', '.join(parts)}.")
    if (held := held_back(drafted.held)) is not None:
        messages.warning(request, f"{held.number} spots had no part in this: they are held back. {held.why}")
    if pictures:
        messages.success(request, f"{pictures} picture{'s' if pictures != 1 else ''} laid to the day.")


def _start(request: ViewedRequest, errors: list[Remark] | None = None, status: int = 200) -> HttpResponse:
    trips = Trip.objects.filter(member=request.viewer.member_id, drafts__isnull=False) | Trip.objects.filter(
        member=request.viewer.member_id, track__isnull=False
    )
    days = [
        showing.day_of(trip)
        for trip in trips.select_related("water").distinct().order_by("-started_at", "id")[:_LATEST]
    ]
    context = {
        "errors": errors or [],
        "open": [day for day in days if day.is_open],
        "done": [day for day in days if not day.is_open],
        "most_files": uploads.MOST_FILES,
        "most_megabytes": uploads.MOST_LOG_BYTES // 1024**2,
    }
    return render(request, "debrief/start.html", context, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@members_only
def day(request: ViewedRequest, trip_id: uuid.UUID) -> HttpResponseBase:
    """One day on one screen: what was there? Answered drafts become looks and spots, all of them or none."""
    trip = own_trip(request, trip_id)
    if request.method != "POST":
        return _day(request, showing.day_of(trip))
    wait_for_other_presses(trip)
    asked = showing.day_of(trip)
    answers = read_answers(
        asked.stops,
        asked.places,
        request.POST,
        species_by_code(),
        organises=request.viewer.is_organiser,
        scopes={value for value, _ in _scopes(request)},
        words={
            kind: set(Term.objects.filter(kind=kind).values_list("name", flat=True))
            for kind in Term.Kind.values
        },
    )
    pictures = _picture_choices(request, asked, answers)
    shift = _shift(request, answers)
    search = request.POST.get("search", "")
    if search and search not in Method.values:
        answers.say("search", f'"{search[:40]}" is not one of the choices.')
    if answers.errors:
        return _day(request, asked, answers, status=422)
    try:
        with transaction.atomic():
            decider = Decider(
                trip, _member(request), request.viewer, request.moment, request.POST.get("scope", "")
            )
            done = decider.save(answers)
            dropped = _lay_pictures(pictures, request)
            if shift:
                by_hand = {picture.pk for picture, _ in pictures}
                left = [picture for picture in asked.loose if picture.pk not in by_hand]
                shift_pictures(left, _stops_of(trip), shift, request.moment)
            if search and asked.track:
                Track.objects.filter(trip=trip).update(search_method=search)
            Pass.objects.filter(trip=trip, pk__in=_ids(request.POST.getlist("drop-pass"))).delete()
    except ValidationError as error:
        told = error.message_dict if hasattr(error, "error_dict") else {"page": error.messages}
        for name, found in told.items():
            for message in found:
                answers.say(name, str(message))
        return _day(request, asked, answers, status=422)
    transaction.on_commit(lambda: discard([row.stored() for row in dropped]))
    if done.looks or done.spots:
        wake()
    _say_done(request, done)
    after = showing.day_of(trip)
    return redirect(f"/debrief/{trip.pk}/" if after.is_open else f"/debrief/{trip.pk}/done/")


def _ids(texts: list[str]) -> list[uuid.UUID]:
    return [key for text in texts if (key := id_or_none(text)) is not None]


def _say_done(request: ViewedRequest, done: Decided) -> None:
    counted = ((done.looks, "look"), (done.spots, "spot"), (done.hazards, "hazard"))
    parts = [f"{number} {word}{'s' if number != 1 else ''} saved" for number, word in counted if number]
    parts += [f"{done.discarded} discarded"] if done.discarded else []
    if parts:
        messages.success(request, f"{', '.join(parts)}.".capitalize())


def _picture_choices(
    request: ViewedRequest, asked: showing.Day, answers: Answers
) -> list[tuple[DebriefPicture, DebriefDraft | None]]:
    """Return what was said of pictures that lie at no stop: a stop or look of the day, or None to discard it."""
    targets = {
        str(one.pk): one for one in (*asked.stops, *asked.decided) if one.kind == DebriefDraft.Kind.STOP
    }
    out: list[tuple[DebriefPicture, DebriefDraft | None]] = []
    for picture in asked.loose:
        said = request.POST.get(f"{picture.pk}-stop", "")
        if said == "discard":
            out.append((picture, None))
        elif said in targets:
            out.append((picture, targets[said]))
        elif not said and "drop-loose" in request.POST:
            out.append((picture, None))
        elif said:
            answers.say(f"{picture.pk}-stop", f'"{said[:40]}" is not a stop of this day.')
    return out


def _shift(request: ViewedRequest, answers: Answers) -> float:
    """Return by how many minutes the clock of the pictures between stops is said to have run ahead."""
    text = request.POST.get("shift", "").strip()
    if not text:
        return 0
    try:
        minutes = parse_number(text.replace("\u2212", "-"))
    except ValidationError as error:
        answers.say("shift", error.messages[0])
        return 0
    if abs(minutes) > _FURTHEST_SHIFT:
        answers.say(
            "shift", f"{minutes:g} is not possible: at most {_FURTHEST_SHIFT} minutes, a day and two hours."
        )
        return 0
    return minutes


def _stops_of(trip: Trip) -> list[DebriefDraft]:
    """Return the stops as they stand now, which a picture may be laid to."""
    stops = DebriefDraft.objects.filter(trip=trip, kind=DebriefDraft.Kind.STOP)
    return list(stops.exclude(state=DebriefDraft.State.DISCARDED).order_by("started_at", "id"))


def _lay_pictures(
    chosen: list[tuple[DebriefPicture, DebriefDraft | None]], request: ViewedRequest
) -> list[DebriefPicture]:
    dropped = []
    for picture, draft in chosen:
        if draft is None:
            dropped.append(picture)
        else:
            # As it stands now: the same press may have made a look of it.
            draft.refresh_from_db()
            keep_pictures([picture], draft, request.moment)
    DebriefPicture.objects.filter(pk__in=[one.pk for one in dropped]).delete()
    return dropped


def _day(
    request: ViewedRequest, asked: showing.Day, answers: Answers | None = None, status: int = 200
) -> HttpResponse:
    units, species = Units.of(request.member), species_by_code()
    data = request.POST if request.method == "POST" else {}
    errors = answers.errors if answers else {}
    stops = showing.stop_cards(asked, units, data, errors)
    places = showing.place_cards(asked, units, data, errors, organises=request.viewer.is_organiser)
    looked_with = _usual_method(request)
    dropped = set(_ids(request.POST.getlist("drop-pass")))
    context: dict[str, Any] = {
        "day": asked,
        "stops": stops,
        "places": places,
        "errors": errors,
        "page_errors": [
            text for name in ("page", "method", "scope", "search", "shift") for text in errors.get(name, [])
        ],
        "wrong": sum(bool(card.errors) for card in (*stops, *places)),
        "there": THERE,
        "methods": [(value, Method(value).label) for value in LOOKED_WITH],
        "search_methods": Method.choices,
        "method": data.get("method") or looked_with,
        "search": data.get("search") or (asked.track.search_method if asked.track else ""),
        "scope": data.get("scope", AS_THE_SPOT),
        "scopes": _scopes(request),
        "placements": EchoGroup.Placement.choices,
        "call_tree": queries.species_tree(species, wider=True),
        "finding_tree": queries.species_tree(species, wider=False),
        "same_fish": [(Finding.Tie.FISH.value, "the same fish")],
        "proofs": [("", "nothing"), (Method.CAMERA.value, "camera"), (Method.ROD.value, "rod")],
        "covers": _terms(Term.Kind.COVER),
        "structures": _terms(Term.Kind.STRUCTURE),
        "map": charting.chart(asked, units),
        "split": showing.split(asked.track),
        "left_out": showing.left_out(asked.track),
        "passes": [
            (
                one,
                f"{asked.clock(one.started_at)}–{asked.clock(one.ended_at)}",
                round(one.metres),
                one.pk in dropped,
            )
            for one in asked.passes
        ],
        "loose": [
            (one, asked.clock(one.taken_at) if one.taken_at else "", data.get(f"{one.pk}-stop", ""))
            for one in asked.loose[: showing.MOST_LOOSE]
        ],
        "drop_loose": "drop-loose" in data,
        "shift": data.get("shift", ""),
        "likely_shift": laying.likely_shift(
            [one.taken_at for one in asked.loose if one.taken_at], _stops_of(asked.trip)
        ),
        "targets": _targets(asked),
        "met": sum(one.look_id is not None for one in asked.decided),
    }
    return render(request, "debrief/day.html", context, status=status)


def _usual_method(request: ViewedRequest) -> str:
    """Return what the member looks with, as far as their last looks tell."""
    last = (
        Observation.objects.filter(observer=request.viewer.member_id, method__in=LOOKED_WITH)
        .order_by("-started_at", "-received_at")
        .values_list("method", flat=True)
        .first()
    )
    return str(last or Method.SIDE)


def _scopes(request: ViewedRequest) -> list[tuple[str, str]]:
    """Return whose evidence the day's looks may be, nothing wider than each spot's own."""
    teams = Team.objects.filter(pk__in=request.viewer.team_ids)
    return [
        (AS_THE_SPOT, "the spot’s own"),
        *((f"team:{team.pk}", team.name) for team in teams),
        (SELF, "only mine"),
    ]


def _terms(kind: str) -> list[str]:
    return list(Term.objects.filter(kind=kind).values_list("name", flat=True))


def _targets(asked: showing.Day) -> list[tuple[str, str]]:
    """Return the stops of the day that a picture can be laid to by hand."""
    out = []
    for one in sorted(
        (*asked.stops, *asked.decided), key=lambda one: (one.started_at or asked.trip.started_at, one.pk)
    ):
        spot = asked.spots.get(one.spot_id) if one.spot_id else None
        if (
            one.kind == DebriefDraft.Kind.STOP
            and spot
            and one.started_at
            and one.state != DebriefDraft.State.DISCARDED
        ):
            out.append((str(one.pk), f"{asked.clock(one.started_at)} {spot.label}"))
    return out
