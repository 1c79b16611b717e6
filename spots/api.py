"""`/api/waters/`: waters are public."""

from typing import Any
from uuid import UUID

import brotli  # type: ignore[import-untyped]
from django.contrib.gis.geos import GEOSGeometry, MultiPolygon
from django.core.exceptions import ValidationError as DjangoValidationError
from django.http import Http404, HttpResponse
from django.utils.cache import patch_vary_headers
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.exceptions import PermissionDenied, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView
from shapely import wkb
from shapely.geometry import shape as geojson_shape

from club.api import Anyone
from club.api_parts import query_of
from club.idempotency import idempotent
from spots.charting import chart_text
from spots.models import Water
from spots.services import save_water

GEOJSON = "application/geo+json"


class WaterSerializer(serializers.ModelSerializer[Water]):
    """A water. On writing, `outline` is a GeoJSON Polygon or MultiPolygon."""

    timezone = serializers.CharField(source="time_zone", help_text="IANA name, like America/Chicago.")
    outline = serializers.JSONField(write_only=True, required=False, allow_null=True)

    class Meta:
        model = Water
        fields = ["id", "name", "timezone", "area_ha", "full_pool_m", "rules_url", "outline"]
        read_only_fields = ["id", "area_ha"]

    def validate_outline(self, value: Any) -> MultiPolygon | None:
        if value is None:
            return None
        try:
            # By shapely, which knows only shapes: GDAL would follow a spatial reference that the text names.
            shape = GEOSGeometry(memoryview(wkb.dumps(geojson_shape(value))), srid=4326)
        except Exception as error:
            raise ValidationError("This is not a GeoJSON geometry.") from error
        if shape.geom_type == "Polygon":
            shape = MultiPolygon(shape, srid=4326)
        if not isinstance(shape, MultiPolygon):
            raise ValidationError(f"An outline is a Polygon or MultiPolygon, not a {shape.geom_type}.")
        return shape


def water_or_404(key: UUID) -> Water:
    water = Water.objects.filter(pk=key).first()
    if water is None:
        raise Http404
    return water


def _organisers_only(request: Request, answer: Any = None) -> None:
    if not request._request.viewer.is_organiser:  # type: ignore[attr-defined]
        raise PermissionDenied("Waters are added by an organiser.")


class WatersView(APIView):
    permission_classes = [Anyone]

    @extend_schema(operation_id="waters_list", responses=WaterSerializer(many=True))
    def get(self, request: Request) -> Response:
        """List the club's waters."""
        query_of(request)
        return Response(WaterSerializer(Water.objects.all(), many=True).data)

    @extend_schema(
        operation_id="waters_create",
        request=WaterSerializer,
        responses={201: WaterSerializer, 400: OpenApiTypes.OBJECT},
    )
    @idempotent(_organisers_only)
    def post(self, request: Request) -> Response:
        """Add a water. For organisers."""
        _organisers_only(request)
        form = WaterSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        try:
            water = save_water(Water(**form.validated_data))
        except DjangoValidationError as error:
            raise ValidationError(error.message_dict) from error
        return Response(WaterSerializer(water).data, status=status.HTTP_201_CREATED)


class WaterView(APIView):
    permission_classes = [Anyone]

    @extend_schema(operation_id="waters_read", responses={200: WaterSerializer, 404: OpenApiTypes.OBJECT})
    def get(self, request: Request, key: UUID) -> Response:
        """Read one water."""
        query_of(request)
        return Response(WaterSerializer(water_or_404(key)).data)


class WaterChartView(APIView):
    permission_classes = [Anyone]

    @extend_schema(
        operation_id="waters_chart", responses={(200, GEOJSON): OpenApiTypes.OBJECT, 404: OpenApiTypes.OBJECT}
    )
    def get(self, request: Request, key: UUID) -> HttpResponse:
        """Read a water's chart: outline, depths and public features, as GeoJSON."""
        query_of(request)
        text = chart_text(water_or_404(key)).encode()
        answer = HttpResponse(text, content_type=GEOJSON)
        patch_vary_headers(answer, ["Accept-Encoding"])
        if "br" in [word.strip() for word in request.headers.get("Accept-Encoding", "").split(",")]:
            # The largest part of the first page, and public: a fifth less than what the gzip middleware makes of
            # it, whose random padding only a secret needs.
            answer.content, answer["Content-Encoding"] = brotli.compress(text, quality=5), "br"
        return answer
