"""`/api/spots/` and each spot's history, as exactly as the caller may see them."""

import json
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

from django.contrib.gis.geos import Point
from django.core.exceptions import ValidationError as DjangoValidationError
from django.http import Http404, HttpResponse
from django.utils.dateparse import parse_date, parse_datetime
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers, status
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from club.api import Anyone
from club.api_parts import query_of
from club.idempotency import idempotent
from club.viewer import Viewer
from observations.asof import history_as_of
from observations.models import Species
from observations.reading import GRADES, ChartFilter, chart_features, histories, species_payload
from spots.api import GEOJSON
from spots.disclosure_models import Channel
from spots.disclosures import tell_held_back
from spots.files.features import spot_feature
from spots.models import Water
from spots.precision import released_spot
from spots.services import CLUB, SpotDraft, create_spot

MOST = 5000
PARAMETERS = {"bbox", "water", "species", "grade", "season", "limit", "offset", "view"}


def viewer_of_request(request: Request) -> Viewer:
    viewer: Viewer = request._request.viewer  # type: ignore[attr-defined]
    return viewer


def moment_of(request: Request) -> datetime:
    moment: datetime = request._request.moment  # type: ignore[attr-defined]
    return moment


class SpotIn(serializers.Serializer[Any]):
    """A new spot. Without `lat` and `lon` it has a name and a water only, and still a full history."""

    id = serializers.UUIDField(
        required=False, help_text="Made by the client, so that a retry is the same spot."
    )
    water = serializers.UUIDField()
    name = serializers.CharField(max_length=80)
    alias = serializers.CharField(max_length=80, required=False, allow_blank=True)
    scope = serializers.CharField(
        required=False,
        help_text="`club`, `team:<id>` or `member:<id>`. Default: yourself; the club for an organiser.",
    )
    lat = serializers.FloatField(required=False)
    lon = serializers.FloatField(required=False)
    cover = serializers.CharField(max_length=40, required=False, allow_blank=True)
    structure = serializers.CharField(max_length=40, required=False, allow_blank=True)
    depth_min_m = serializers.FloatField(required=False, allow_null=True)
    depth_max_m = serializers.FloatField(required=False, allow_null=True)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("lat" in attrs) != ("lon" in attrs):
            raise ValidationError({"lat": "Give both lat and lon, or neither."})
        return attrs


class SpotOut(serializers.Serializer[Any]):
    """One GeoJSON feature (RFC 7946) with what the caller may know."""

    type = serializers.ChoiceField(["Feature"])
    id = serializers.UUIDField()
    geometry = serializers.DictField(
        allow_null=True, help_text="Point (exact), MultiPolygon (the zone), or null (the water alone)."
    )
    properties = serializers.DictField()


class SpotMade(SpotOut):
    warnings = serializers.ListField(child=serializers.CharField())


class SpotsOut(serializers.Serializer[Any]):
    """A FeatureCollection; `next` is the address of the next page.

    `held_back` counts the features that you may see exactly, but that are shown as their zone until tomorrow
    (00:00 UTC): you have opened as many new positions today as the club allows. Ask an organiser.
    """

    type = serializers.ChoiceField(["FeatureCollection"])
    features = SpotOut(many=True)
    next = serializers.CharField(allow_null=True)
    held_back = serializers.IntegerField(min_value=0)


def _whole(values: dict[str, str], name: str, low: int, high: int) -> int | None:
    text = values.get(name, "")
    if not text:
        return None
    if not text.isdigit() or not low <= int(text) <= high:
        raise ValidationError({name: f'"{text}" is not a whole number from {low} to {high}.'})
    return int(text)


def parse_filter(request: Request) -> ChartFilter:
    """Read the query, or raise ValidationError naming the parameter. An unknown parameter is an error."""
    values = {name: request.query_params[name].strip() for name in request.query_params}
    if unknown := set(values) - PARAMETERS:
        raise ValidationError({name: "This parameter is unknown." for name in sorted(unknown)})
    water_id = None
    if water := values.get("water"):
        water_id = _water_id(water)
    species = values.get("species", "")
    if species and not Species.objects.filter(pk=species).exists():
        raise ValidationError({"species": f'"{species}" is not in the list of species.'})
    grade = values.get("grade", "")
    if grade and grade not in GRADES:
        raise ValidationError({"grade": f'"{grade}" is not one of {", ".join(GRADES)}.'})
    return ChartFilter(
        water=water_id,
        species=species,
        grade=grade,
        season=_whole(values, "season", 1, 12),
        bbox=_bbox(values.get("bbox", "")),
        limit=_whole(values, "limit", 1, MOST) or 1000,
        offset=_whole(values, "offset", 0, 10_000_000) or 0,
    )


def _water_id(text: str) -> uuid.UUID:
    try:
        found = Water.objects.filter(pk=uuid.UUID(text)).first()
    except ValueError:
        found = Water.objects.filter(name__iexact=text).first()
    if found is None:
        raise ValidationError({"water": f'There is no water "{text[:80]}".'})
    return found.pk


def _bbox(text: str) -> tuple[float, float, float, float] | None:
    if not text:
        return None
    try:
        west, south, east, north = (float(part) for part in text.split(","))
    except ValueError as error:
        raise ValidationError({"bbox": "Four numbers: west,south,east,north in degrees."}) from error
    if not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        raise ValidationError({"bbox": "West and south come first, within ±180 and ±90 degrees."})
    return west, south, east, north


_QUERY = [
    OpenApiParameter("bbox", str, description="west,south,east,north; what is shown of a spot touches it."),
    OpenApiParameter("water", str, description="Id or name of a water."),
    OpenApiParameter("species", str, description="Species code."),
    OpenApiParameter("grade", str, enum=list(GRADES), description="At least this grade."),
    OpenApiParameter("season", int, description="Month, 1 to 12: that month's chance and grade."),
    OpenApiParameter("limit", int, description=f"At most {MOST}; 1000 if left out."),
    OpenApiParameter("offset", int),
    OpenApiParameter("view", str, enum=["chart"]),
]


def _still_exact(request: Request, answer: Any) -> None:
    if not released_spot(uuid.UUID(answer["id"]), channel=Channel.API).is_exact:
        raise Http404


class SpotsView(APIView):
    permission_classes = [Anyone]

    @extend_schema(
        operation_id="spots_list",
        parameters=_QUERY,
        responses={(200, GEOJSON): SpotsOut, 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> HttpResponse:
        """List the spots you may see, as a GeoJSON FeatureCollection (RFC 7946). No `bbox` and no count."""
        wanted = parse_filter(request)
        channel = Channel.CHART if request.query_params.get("view") == "chart" else Channel.API
        page = chart_features(wanted, viewer_of_request(request), channel)
        following = "null"
        if page.more:
            query = {**request.query_params.dict(), "offset": str(wanted.offset + wanted.limit)}
            following = json.dumps(f"/api/spots/?{urlencode(query)}")
        body = (
            f'{{"type":"FeatureCollection","features":{page.features},"next":{following},'
            f'"held_back":{page.held_back}}}'
        )
        response = HttpResponse(body, content_type=GEOJSON, headers={"Cache-Control": "private, no-store"})
        tell_held_back(response, page.held_back)
        return response

    @extend_schema(
        operation_id="spots_create",
        request=SpotIn,
        responses={201: SpotMade, 400: OpenApiTypes.OBJECT, 403: OpenApiTypes.OBJECT},
    )
    @idempotent(_still_exact)
    def post(self, request: Request) -> Response:
        """Add a spot."""
        form = SpotIn(data=request.data)
        form.is_valid(raise_exception=True)
        data = form.validated_data
        viewer = viewer_of_request(request)
        water = Water.objects.filter(pk=data["water"]).first()
        if water is None:
            raise ValidationError({"water": "There is no such water."})
        point = Point(data["lon"], data["lat"], srid=4326) if "lat" in data else None
        default_scope = CLUB if viewer.is_organiser else f"member:{viewer.member_id}"
        try:
            spot, warnings = create_spot(
                SpotDraft(
                    water=water,
                    point=point,
                    typed=f"{data['lat']}, {data['lon']}" if point else "",
                    scope=data.get("scope") or default_scope,
                    batched=True,
                    **{k: v for k, v in data.items() if k not in {"water", "lat", "lon", "scope"}},
                ),
                viewer,
                moment_of(request),
            )
        except DjangoValidationError as error:
            raise ValidationError(error.message_dict) from error
        feature = spot_feature(released_spot(spot.id, channel=Channel.API), water.name)
        return Response({**feature, "warnings": warnings}, status=status.HTTP_201_CREATED)


class SpotView(APIView):
    permission_classes = [Anyone]

    @extend_schema(operation_id="spots_read", responses={200: SpotOut, 404: OpenApiTypes.OBJECT})
    def get(self, request: Request, key: uuid.UUID) -> Response:
        """Read one spot, as exactly as you may."""
        query_of(request)
        spot = released_spot(key, channel=Channel.API)
        response = Response(spot_feature(spot, Water.objects.get(pk=spot.water_id).name))
        tell_held_back(response, int(spot.held))
        return response


class SpeciesName(serializers.Serializer[Any]):
    id = serializers.CharField()
    name = serializers.CharField()


class GradeCounts(serializers.Serializer[Any]):
    """Looks, each counted once, at its highest grade."""

    called = serializers.IntegerField()
    seen = serializers.IntegerField()
    landed = serializers.IntegerField()
    verified = serializers.IntegerField()


class Effort(serializers.Serializer[Any]):
    """Below `exact`, of three members or more: two digits; and null where fewer than three had a part in it, or
    where it would tell theirs as a difference."""

    looks = serializers.IntegerField()
    camera_minutes = serializers.FloatField(allow_null=True)
    rod_hours = serializers.FloatField(allow_null=True)


class _Chance(serializers.Serializer[Any]):
    probability = serializers.FloatField(min_value=0, max_value=1)
    interval = serializers.ListField(
        child=serializers.FloatField(min_value=0, max_value=1), min_length=2, max_length=2
    )


class MonthHistory(_Chance):
    month = serializers.IntegerField(min_value=1, max_value=12)
    effort = Effort()


class BandHistory(_Chance):
    """A band of water temperature; its own lower edge belongs to it. Null: open."""

    from_c = serializers.FloatField(allow_null=True)
    to_c = serializers.FloatField(allow_null=True)
    effort = Effort()


class CatchCell(serializers.Serializer[Any]):
    """Fish per rod-hour. `own` is the share of it that rests on the cell's own hours, the rest is borrowed."""

    caught = serializers.IntegerField()
    rod_hours = serializers.FloatField()
    rate = serializers.FloatField()
    low = serializers.FloatField(help_text="5th percentile; 0 where nothing was caught.")
    high = serializers.FloatField(help_text="95th percentile.")
    own = serializers.FloatField(min_value=0, max_value=1)


class CatchHistory(serializers.Serializer[Any]):
    """Catch rates here: over all, January to December, and by band of water temperature.

    Null for a month or band, below `exact` alone: where its rod-hours are.
    """

    all = CatchCell()
    months: Any = serializers.ListSerializer(child=CatchCell(allow_null=True), min_length=12, max_length=12)
    bands: Any = serializers.ListSerializer(child=CatchCell(allow_null=True))
    inflation = serializers.FloatField(help_text="By which clumped catches vary more than chance alone.")


class DepthCount(serializers.Serializer[Any]):
    from_m = serializers.FloatField()
    to_m = serializers.FloatField(allow_null=True)
    entries = serializers.IntegerField()


class Placing(serializers.Serializer[Any]):
    """Findings, or groups of echoes, by depth and by placement, each counted once."""

    entries = serializers.IntegerField()
    fish = serializers.IntegerField()
    depths = DepthCount(many=True)
    placements = serializers.DictField(child=serializers.IntegerField())


class Places(serializers.Serializer[Any]):
    found = Placing()
    called = Placing()
    middle_day = serializers.IntegerField(
        allow_null=True, help_text="Day of the year about which the finds gather, 1 January 0."
    )


class SpeciesHistory(_Chance):
    species = SpeciesName()
    grades = GradeCounts()
    last_verified = serializers.CharField(allow_null=True, help_text="A day; below `exact` a month.")
    months: Any = serializers.ListSerializer(child=MonthHistory(), min_length=12, max_length=12)
    bands = BandHistory(many=True, help_text="Empty while the club has read no water temperature.")
    catch = CatchHistory(allow_null=True, help_text="Null without rod-hours here.")
    places = Places(allow_null=True, help_text="Null below `exact`: depth would narrow the search.")


class HistoryOut(serializers.Serializer[Any]):
    """Probabilities are 0 to 1; `interval` is the 5th and 95th percentile; months are never null."""

    spot = serializers.UUIDField()
    as_of = serializers.CharField()
    scope = serializers.CharField()
    species = SpeciesHistory(many=True)


class HistoryView(APIView):
    permission_classes = [Anyone]

    @extend_schema(
        operation_id="spots_history",
        parameters=[
            OpenApiParameter("as_of", str, description="A date or time; goes by when looks started.")
        ],
        responses={200: HistoryOut, 400: OpenApiTypes.OBJECT, 404: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request, key: uuid.UUID) -> Response:
        """Read a spot's history in your widest evidence scope. Below `exact`, times are months."""
        values = query_of(request, "as_of")
        spot = released_spot(key, channel=Channel.UNSEEN)
        viewer = viewer_of_request(request)
        as_of = parse_as_of(values.get("as_of", ""), moment_of(request))
        rows = history_as_of(spot, viewer, as_of) if as_of else histories(spot, viewer)
        shown = as_of or moment_of(request)
        scope = rows[0].scope if rows else CLUB
        return Response(
            {
                "spot": str(spot.id),
                "as_of": shown.isoformat() if spot.is_exact else f"{shown:%Y-%m}",
                "scope": scope.partition(":")[0],
                "species": species_payload(rows, spot.is_exact),
            }
        )


def parse_as_of(text: str, moment: datetime) -> datetime | None:
    """Return the moment asked for; a bare date means the end of that day, UTC. None: nothing was asked."""
    if not text:
        return None
    try:
        at = parse_datetime(text) if "T" in text or " " in text.strip() else None
        day = parse_date(text) if at is None else None
    except ValueError:
        at = day = None
    if day:
        at = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(days=1) - timedelta(seconds=1)
    if at is None or at.tzinfo is None:
        raise ValidationError(
            {"as_of": f'"{text[:40]}" is not a date like 2026-10-31 or a time with its offset.'}
        )
    return min(at, moment)
