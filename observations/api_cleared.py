"""`/api/pictures/`: the pictures that were cleared for everybody."""

from typing import Any

from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from club.api import Anyone
from club.api_parts import PAGING, ApiView, one_page, page_of, query_of, viewer_of
from observations.blind import leave_unnamed
from observations.clearing_models import ClearedPicture


class ClearedOut(serializers.Serializer[Any]):
    """A cleared picture. It says nothing of its spot, water, day or observer, and its id leads to no look."""

    id = serializers.UUIDField()
    url = serializers.CharField()
    method = serializers.CharField()
    species = serializers.CharField(
        allow_null=True,
        help_text="Species code, once it is verified; and once you have called it, where it is kept for practice.",
    )
    grade = serializers.ChoiceField(["", "verified"])


class ClearedView(ApiView):
    permission_classes = [Anyone]

    @extend_schema(
        operation_id="pictures_list",
        parameters=PAGING,
        responses={200: page_of(ClearedOut, "ClearedPicture"), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List the cleared pictures, in no order that means anything."""
        rows, following = one_page(
            request, ClearedPicture.objects.order_by("id"), query_of(request, paged=True)
        )
        shown = [
            {
                "id": row.pk,
                "url": f"/pictures/cleared/{row.pk}/",
                "method": row.method,
                "species": row.species_id,
                "grade": row.grade,
            }
            for row in leave_unnamed(rows, viewer_of(request))
        ]
        return Response({"results": ClearedOut(shown, many=True).data, "next": following})
