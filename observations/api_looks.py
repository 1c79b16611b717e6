"""`/api/observations/`, `/api/trips/` and `/api/species/`."""

import uuid
from datetime import UTC
from typing import Any

from django.core.exceptions import ValidationError as DjangoValidationError
from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import status
from rest_framework.exceptions import PermissionDenied, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from club.api import Anyone
from club.api_parts import (
    PAGING,
    ApiView,
    Conflict,
    member_of,
    moment_of,
    one_page,
    page_of,
    query_of,
    since_of,
    viewer_of,
)
from club.idempotency import idempotent
from observations.api_shapes import LookShape, SpeciesShape, TripShape
from observations.jobs import wake
from observations.models import EchoGroup, Method, Observation, Species, Trip, band_of
from observations.services import FindingDraft, GroupDraft, LookDraft, record_look
from observations.withdrawing import withdraw_look
from spots.disclosure_models import Channel
from spots.models import Spot, Water
from spots.precision import released_spots

NO_SPOT = "There is no such spot, or you do not see it exactly."
_FLAT = ("platform", "minutes", "rod_hours", "settings", "note", "device_sealed_at", "clock_offset_s")
_CONDITIONS = ("secchi_m", "clarity", "water_temp_c", "water_temp_depth_m", "pool_level_m", "wind_m_s",
               "wind_from_deg", "sky")  # fmt: skip
# Where the API keeps what the services call by another name.
_PLACE_OF = {
    **{name: "groups" for name in ("echoes", "placement", "depth_m", "call", "call_probability")},
    **{name: "findings" for name in ("finding_species", "finding_count", "finding_length_mm", "tie")},
    **{name: "conditions" for name in _CONDITIONS},
    "utc_offset_min": "started_at",
}


def visible_looks() -> QuerySet[Observation]:
    """Return the looks that row-level security gives the caller, with all that belongs to them."""
    return (
        Observation.objects.select_related("observer")
        .prefetch_related("groups__call", "findings__look", "presentations")
        .order_by("-started_at", "id")
    )


def look_or_404(key: Any) -> Observation:
    look = visible_looks().filter(pk=key).first()
    if look is None:
        raise Http404
    return look


def shown_look(look: Observation, request: Request) -> Any:
    return LookShape(look, context={"member_id": viewer_of(request).member_id}).data


def uuid_of(values: dict[str, str], name: str) -> uuid.UUID | None:
    try:
        return uuid.UUID(values[name]) if values.get(name) else None
    except ValueError:
        raise ValidationError({name: [f'"{values[name][:40]}" is not an id.']}) from None


def draft_of(data: dict[str, Any], request: Request) -> LookDraft:
    """Return the draft of a checked body. What the caller may not see is answered like what never was."""
    spots = released_spots(ids=[data["spot_id"]], channel=Channel.UNSEEN)
    if not spots or not spots[0].is_exact:
        raise ValidationError({"spot": [NO_SPOT]})
    viewer = viewer_of(request)
    if data.get("scope") and data["scope"] not in viewer.audiences:
        raise ValidationError({"scope": ["Choose yourself, one of your teams, or the club."]})
    trip = Trip.objects.filter(pk=data["trip_id"]).first() if data.get("trip_id") else None
    if data.get("trip_id") and trip is None:
        raise ValidationError({"trip": ["You have no such trip."]})
    offset = data["started_at"].utcoffset().total_seconds() / 60
    return LookDraft(
        spot=Spot.objects.get(pk=data["spot_id"]),
        observer=member_of(request),
        method=data["method"],
        started_at=data["started_at"].astimezone(UTC),
        utc_offset_min=round(offset),
        groups=tuple(_group_of(group) for group in data.get("groups", ())),
        findings=tuple(_finding_of(finding, data) for finding in data.get("findings", ())),
        presentations=tuple(
            (item["what"], item.get("minutes"), item.get("response", ""))
            for item in data.get("presentations", ())
        ),
        scope=data.get("scope", ""),
        source=Observation.Source.API,
        trip=trip,
        id=data.get("id") or uuid.uuid4(),
        **{name: data[name] for name in (*_FLAT, *_CONDITIONS) if name in data},
    )


def _group_of(data: dict[str, Any]) -> GroupDraft:
    call = data.get("call") or {}
    return GroupDraft(
        band=data.get("band", ""),
        count=data.get("count"),
        placement=data.get("placement", ""),
        depth_m=data.get("depth_m"),
        call=call.get("species_id", ""),
        probability=call.get("probability"),
        size=call.get("size", ""),
        id=data.get("id") or uuid.uuid4(),
    )


def _finding_of(data: dict[str, Any], look: dict[str, Any]) -> FindingDraft:
    settles = data.get("settles_id")
    if settles:
        earlier = EchoGroup.objects.filter(
            pk=settles,
            look__spot_id=look["spot_id"],
            look__started_at__lte=look["started_at"],
            look__withdrawn_at=None,
        )
        if not earlier.exists():
            raise ValidationError(
                {
                    "findings": [
                        "You see no such group of an earlier look at this spot, for a finding to settle."
                    ]
                }
            )
    return FindingDraft(
        species=data["species_id"],
        count=data.get("count", 1),
        lengths_mm=tuple(data.get("lengths_mm", ())),
        fate=data.get("fate", ""),
        depth_m=data.get("depth_m"),
        settles=settles,
        id=data.get("id") or uuid.uuid4(),
        **({"tie": data["tie"]} if "tie" in data else {}),
    )


def refused_look(error: DjangoValidationError) -> ValidationError:
    """Return the services' errors under the fields of the API."""
    named: dict[str, Any] = {}
    for name, texts in (
        error.message_dict.items() if hasattr(error, "error_dict") else (("detail", error.messages),)
    ):
        place = _PLACE_OF.get(name, name)
        if place == "conditions":
            named.setdefault(place, {})[name] = texts
        else:
            named.setdefault(place, []).extend(texts)
    return ValidationError(named)


def _said(look: Observation) -> list[Any]:
    """Return what a stored look says, to compare with what is sent again."""
    groups = []
    for group in look.groups.all():
        call = getattr(group, "call", None)
        called = (call.species_id, call.probability, call.size) if call else None
        groups.append((group.band, group.count, group.placement, group.depth_m, called))
    return [
        (look.observer_id, look.spot_id, look.method, look.started_at, look.utc_offset_min, look.trip_id),
        [getattr(look, name) for name in (*_FLAT, *_CONDITIONS)],
        groups,
        sorted(
            (f.species_id, f.count, f.lengths_mm, f.fate, f.depth_m or -1.0, f.tie)
            for f in look.findings.all()
        ),
        sorted((p.what, p.minutes or -1.0, p.response) for p in look.presentations.all()),
    ]


def _sent(draft: LookDraft) -> list[Any]:
    trip = draft.trip.pk if draft.trip else None
    return [
        (draft.observer.pk, draft.spot.pk, draft.method, draft.started_at, draft.utc_offset_min, trip),
        [getattr(draft, name) for name in (*_FLAT, *_CONDITIONS)],
        [
            (
                group.band if group.count is None else band_of(group.count),
                group.count,
                group.placement,
                group.depth_m,
                (group.call, group.probability, group.size) if group.call else None,
            )
            for group in draft.groups
        ],
        sorted(
            (f.species, f.count, list(f.lengths_mm), f.fate, f.depth_m or -1.0, f.tie) for f in draft.findings
        ),
        sorted((what, minutes or -1.0, response) for what, minutes, response in draft.presentations),
    ]


def says_the_same(look: Observation, draft: LookDraft) -> bool:
    """Say whether a look that is sent again says what the stored one does.

    What was left out and filled in by the server (scope, the group settled) is compared only when sent.
    """
    settled = {finding.species_id: finding.settles_id for finding in look.findings.all()}
    return (
        _said(look) == _sent(draft)
        and draft.scope in ("", look.scope)
        and all(f.settles in (None, settled[f.species]) for f in draft.findings)
    )


class LooksView(ApiView):
    """Looks: your own, and those of your scopes at spots that you see exactly."""

    @extend_schema(
        operation_id="observations_list",
        parameters=[
            OpenApiParameter("spot", OpenApiTypes.UUID, description="Looks at this spot."),
            OpenApiParameter("method", str, enum=Method.values),
            OpenApiParameter("since", str, description="Looks that started at this date or time, or later."),
            *PAGING,
        ],
        responses={200: page_of(LookShape, "Look"), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List the looks you may see, the latest first. Looks that were taken back are left out."""
        values = query_of(request, "spot", "method", "since", paged=True)
        looks = visible_looks().filter(withdrawn_at=None)
        if spot := uuid_of(values, "spot"):
            looks = looks.filter(spot_id=spot)
        if method := values.get("method"):
            if method not in Method.values:
                raise ValidationError(
                    {"method": [f'"{method[:40]}" is not one of {", ".join(Method.values)}.']}
                )
            looks = looks.filter(method=method)
        if since := since_of(values):
            looks = looks.filter(started_at__gte=since)
        found, following = one_page(request, looks, values)
        return Response({"results": [shown_look(look, request) for look in found], "next": following})

    @extend_schema(
        operation_id="observations_create",
        request=LookShape,
        responses={
            201: LookShape,
            200: OpenApiResponse(LookShape, "This look was here already; nothing was done again."),
            400: OpenApiTypes.OBJECT,
            409: OpenApiResponse(OpenApiTypes.OBJECT, "Another look has this id."),
        },
    )
    @idempotent(lambda request, answer: look_or_404(answer["id"]))
    def post(self, request: Request) -> Response:
        """Record a look. Its calls are sealed as they arrive.

        The same look sent again (same `id`, same content) is answered 200; another look with that id, 409.
        """
        query_of(request)
        form = LookShape(data=request.data)
        form.is_valid(raise_exception=True)
        draft = draft_of(form.validated_data, request)
        mine = visible_looks().filter(pk=draft.id).first()
        if mine is not None:
            if says_the_same(mine, draft):
                return Response(shown_look(mine, request))
            raise Conflict
        try:
            with transaction.atomic():
                look = record_look(draft, viewer_of(request), moment_of(request))
        except DjangoValidationError as error:
            raise refused_look(error) from error
        except IntegrityError as error:
            # Somebody's look, group or finding has this id already. Whose, is not said.
            raise Conflict from error
        wake()
        return Response(shown_look(look_or_404(look.pk), request), status.HTTP_201_CREATED)


class WithdrawView(ApiView):
    @extend_schema(
        operation_id="observations_withdraw",
        request=None,
        responses={
            200: LookShape,
            404: OpenApiTypes.OBJECT,
            409: OpenApiResponse(
                OpenApiTypes.OBJECT, "A call of it has met its proof, or a finding is verified."
            ),
        },
    )
    @idempotent(lambda request, answer: look_or_404(answer["id"]))
    def post(self, request: Request, key: uuid.UUID) -> Response:
        """Take one of your own looks back. It is kept and counted, but is no longer evidence."""
        query_of(request)
        look = look_or_404(key)
        if look.observer_id != viewer_of(request).member_id:
            raise PermissionDenied("Only its observer takes a look back.")
        if look.withdrawn_at is None:
            try:
                withdraw_look(look, moment_of(request))
            except DjangoValidationError as error:
                raise Conflict(" ".join(error.messages)) from error
            wake()
        return Response(shown_look(look_or_404(key), request))


def _trip_or_404(key: Any) -> Trip:
    trip = Trip.objects.filter(pk=key).first()
    if trip is None:
        raise Http404
    return trip


class TripsView(ApiView):
    """Your own trips."""

    @extend_schema(
        operation_id="trips_list",
        parameters=[
            OpenApiParameter("since", str, description="Trips that started at this date or time, or later."),
            *PAGING,
        ],
        responses={200: page_of(TripShape, "Trip"), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List your own trips, the latest first."""
        values = query_of(request, "since", paged=True)
        own = Trip.objects.filter(member=member_of(request)).select_related("track").defer("track__packed")
        trips = own.order_by("-started_at", "id")
        if since := since_of(values):
            trips = trips.filter(started_at__gte=since)
        found, following = one_page(request, trips, values)
        return Response({"results": TripShape(found, many=True).data, "next": following})

    @extend_schema(
        operation_id="trips_create",
        request=TripShape,
        responses={
            201: TripShape,
            200: OpenApiResponse(TripShape, "This trip was here already."),
            400: OpenApiTypes.OBJECT,
            409: OpenApiTypes.OBJECT,
        },
    )
    @idempotent(lambda request, answer: _trip_or_404(answer["id"]))
    def post(self, request: Request) -> Response:
        """Record a trip. The same trip sent again is answered 200; another one with its id, 409."""
        query_of(request)
        form = TripShape(data=request.data)
        form.is_valid(raise_exception=True)
        data = form.validated_data
        if not Water.objects.filter(pk=data["water_id"]).exists():
            raise ValidationError({"water": ["There is no such water."]})
        trip = Trip(member=member_of(request), **data)
        mine = Trip.objects.filter(pk=trip.pk).first()
        if mine is not None:
            if all(getattr(mine, name) == value for name, value in data.items()):
                return Response(TripShape(mine).data)
            raise Conflict
        try:
            with transaction.atomic():
                trip.save(force_insert=True)
        except IntegrityError as error:
            raise Conflict from error
        return Response(TripShape(trip).data, status.HTTP_201_CREATED)


class SpeciesView(ApiView):
    permission_classes = [Anyone]

    @extend_schema(
        operation_id="species_list",
        parameters=PAGING,
        responses={200: page_of(SpeciesShape, "Species"), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List the club's species and wider kinds, in its own order."""
        values = query_of(request, paged=True)
        found, following = one_page(request, Species.objects.order_by("order", "name"), values)
        return Response({"results": SpeciesShape(found, many=True).data, "next": following})
