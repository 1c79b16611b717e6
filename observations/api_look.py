"""`/api/observations/<id>/`: one look, and putting right its conditions, platform and note."""

import uuid
from typing import Any

from django.core.exceptions import ValidationError as DjangoValidationError
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import APIException, PermissionDenied
from rest_framework.request import Request
from rest_framework.response import Response

from club.api_parts import ApiView, Strict, moment_of, query_of, viewer_of
from club.idempotency import idempotent
from club.versions import wait_for_other_edits
from observations.api_looks import look_or_404, refused_look, shown_look
from observations.api_shapes import ConditionsShape, LookShape
from observations.editing import change_look, look_version, why_not_changed
from observations.jobs import wake
from observations.look_limits import LONGEST_NOTE
from observations.models import Platform


class LookChange(Strict):
    """What can be changed of a look; what is left out stays."""

    platform = serializers.ChoiceField(Platform.choices, required=False, allow_blank=True)
    conditions = ConditionsShape(source="*", required=False)
    note = serializers.CharField(required=False, allow_blank=True, max_length=LONGEST_NOTE)


class ConflictingLook(serializers.Serializer[Any]):
    """Both versions: what was sent, and the look as it is saved."""

    detail = serializers.CharField()
    yours = LookChange()
    saved = LookShape()


class NoVersion(APIException):
    status_code = 428
    default_detail = "Send the version that you read as If-Match, so that nobody's change is lost."


class Conflicting(APIException):
    """409 with both versions. Raised, so that nothing is kept of it under an Idempotency-Key."""

    status_code = 409

    def __init__(self, told: str, yours: Any, saved: Any) -> None:
        super().__init__(told)
        self.detail = {"detail": told, "yours": yours, "saved": saved}  # type: ignore[dict-item]


class LookView(ApiView):
    @extend_schema(operation_id="observations_read", responses={200: LookShape, 404: OpenApiTypes.OBJECT})
    def get(self, request: Request, key: uuid.UUID) -> Response:
        """Read one look."""
        query_of(request)
        return _shown(key, request)

    @extend_schema(
        operation_id="observations_change",
        parameters=[
            OpenApiParameter(
                "If-Match",
                str,
                OpenApiParameter.HEADER,
                description="The `version` of the look that was changed.",
            )
        ],
        request=LookChange,
        responses={
            200: LookShape,
            400: OpenApiTypes.OBJECT,
            404: OpenApiTypes.OBJECT,
            409: OpenApiResponse(
                ConflictingLook, "It was changed meanwhile: both versions. Or it can no longer be changed."
            ),
            428: OpenApiResponse(OpenApiTypes.OBJECT, "Without a version."),
        },
    )
    @idempotent(lambda request, answer: look_or_404(answer["id"]))
    def patch(self, request: Request, key: uuid.UUID) -> Response:
        """Change conditions, platform or note of one of your own looks. What was seen and called stays sealed."""
        query_of(request)
        wait_for_other_edits(key)
        look = look_or_404(key)
        if look.observer_id != viewer_of(request).member_id:
            raise PermissionDenied("Only its observer changes a look.")
        form = LookChange(data=request.data)
        form.is_valid(raise_exception=True)
        version = request.headers.get("If-Match", "").strip().removeprefix("W/").strip('"')
        if not version:
            raise NoVersion
        told = why_not_changed(look, moment_of(request))
        if version != look_version(look):
            told = (
                "This look was changed meanwhile: choose, and send what you chose with its present version."
            )
        if told:
            raise Conflicting(told, form.initial_data, shown_look(look, request))
        if form.validated_data:
            try:
                change_look(look, form.validated_data, moment_of(request))
            except DjangoValidationError as error:
                raise refused_look(error) from error
            wake()
        return _shown(key, request)


def _shown(key: uuid.UUID, request: Request) -> Response:
    look = look_or_404(key)
    return Response(shown_look(look, request), headers={"ETag": f'"{look_version(look)}"'})
