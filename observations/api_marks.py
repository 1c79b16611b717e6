"""`/api/pictures/<id>/annotations/`: what is drawn on a picture, as W3C Web Annotations."""

import uuid
from typing import Any

from django.core.exceptions import ValidationError as DjangoValidationError
from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.parsers import JSONParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from club.api_parts import ApiView, Conflict, Strict, moment_of, query_of, refused, viewer_of
from club.idempotency import idempotent
from observations.marking import (
    annotation,
    annotations,
    draft_of,
    may_mark,
    picture_in_look,
    remove_mark,
    save_mark,
)
from observations.marking_models import Mark

LD = "application/ld+json"
PROFILE = f'{LD}; profile="http://www.w3.org/ns/anno.jsonld"'


class LdRenderer(JSONRenderer):
    media_type = LD
    format = "jsonld"


class LdParser(JSONParser):
    media_type = LD


class LdView(ApiView):
    """A view whose answers are JSON-LD, and whose refusals are the API's own JSON."""

    renderer_classes = [LdRenderer, JSONRenderer]

    def finalize_response(self, request: Request, response: Response, *args: Any, **kwargs: Any) -> Response:
        if response.status_code >= status.HTTP_400_BAD_REQUEST:
            request.accepted_renderer, request.accepted_media_type = JSONRenderer(), "application/json"
        return super().finalize_response(request, response, *args, **kwargs)


class AnnotationIn(Strict):
    """A Web Annotation: a TextualBody that says fish, cover, bottom, thermocline or bait; a FragmentSelector
    (`xywh=pixel:` in whole pixels) or an SvgSelector (one polyline or polygon)."""

    id = serializers.CharField(
        required=False, max_length=60, help_text="`urn:uuid:` and a random UUID that the client makes."
    )
    type = serializers.ChoiceField(["Annotation"])
    motivation = serializers.CharField(required=False, max_length=40)
    created = serializers.CharField(
        required=False, max_length=40, help_text="Ignored: the server’s own counts."
    )
    body = serializers.JSONField()
    target = serializers.JSONField()

    def get_fields(self) -> dict[str, Any]:
        return {**super().get_fields(), "@context": serializers.JSONField(required=False)}


def _may_still_read(request: Request, answer: Any) -> None:
    key = str(answer.get("id", "")).removeprefix("urn:uuid:")
    if not Mark.objects.filter(pk=key).exists():
        raise Http404


class AnnotationsView(LdView):
    parser_classes = [LdParser, JSONParser]

    @extend_schema(
        operation_id="annotations_list",
        responses={(200, LD): OpenApiTypes.OBJECT, 404: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request, key: uuid.UUID) -> Response:
        """List what is drawn on a picture of a look that you may see, as an AnnotationPage."""
        query_of(request)
        picture = picture_in_look(viewer_of(request), key)
        return Response(annotations(picture, request.build_absolute_uri))

    @extend_schema(
        operation_id="annotations_create",
        request={LD: AnnotationIn, "application/json": AnnotationIn},
        responses={
            (201, LD): OpenApiTypes.OBJECT,
            400: OpenApiTypes.OBJECT,
            404: OpenApiTypes.OBJECT,
            409: OpenApiTypes.OBJECT,
        },
    )
    @idempotent(_may_still_read)
    def post(self, request: Request, key: uuid.UUID) -> Response:
        """Draw on a picture of your own look. The same annotation again, under its id, is the same."""
        query_of(request)
        picture = picture_in_look(viewer_of(request), key)
        if not may_mark(viewer_of(request), picture):
            raise Http404
        form = AnnotationIn(data=request.data)
        form.is_valid(raise_exception=True)
        try:
            mark = save_mark(viewer_of(request), picture, draft_of(form.validated_data), moment_of(request))
        except DjangoValidationError as error:
            if getattr(error, "code", "") == "used":
                raise Conflict from error
            raise refused(error) from error
        return Response(annotation(mark, request.build_absolute_uri), status.HTTP_201_CREATED)


class AnnotationView(LdView):
    @extend_schema(
        operation_id="annotations_delete",
        request=None,
        responses={204: None, 404: OpenApiTypes.OBJECT},
    )
    @idempotent(lambda request, answer: None)
    def delete(self, request: Request, key: uuid.UUID, mark: uuid.UUID) -> Response:
        """Remove what you drew. What is gone already is gone."""
        query_of(request)
        remove_mark(viewer_of(request), picture_in_look(viewer_of(request), key), mark)
        return Response(None, status.HTTP_204_NO_CONTENT)
