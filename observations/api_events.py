"""`/api/events/`: events are public; who is entered is not in them."""

from typing import Any
from uuid import UUID

from django.http import Http404
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from club.api import Anyone
from club.api_parts import ApiView, moment_of, query_of, viewer_of
from observations.models import Species
from spots import events
from spots.event_models import Entry, Event


class EventWater(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    name = serializers.CharField()
    timezone = serializers.CharField(source="time_zone")


class EventTarget(serializers.Serializer[Any]):
    id = serializers.CharField()
    name = serializers.CharField()


class EventOut(serializers.Serializer[Any]):
    """An event. Days are days on the water's own clock, the last one included; times are UTC."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    water = EventWater()
    target = EventTarget()
    off_limits_from = serializers.DateField(allow_null=True)
    off_limits_until = serializers.DateField(allow_null=True)
    practice_from = serializers.DateField(allow_null=True)
    practice_until = serializers.DateField(allow_null=True)
    fishing_from = serializers.DateField()
    fishing_until = serializers.DateField()
    cutoff_at = serializers.DateTimeField(help_text="From here to `ends_at` the water is frozen.")
    ends_at = serializers.DateTimeField()
    limit_number = serializers.IntegerField(allow_null=True)
    minimum_length_mm = serializers.IntegerField(allow_null=True)
    allowed_sources = serializers.CharField(allow_blank=True)
    rules_url = serializers.CharField(allow_blank=True)
    phase = serializers.ChoiceField([events.COMING, events.FROZEN, events.PAST])
    entered = serializers.BooleanField(help_text="You are entered.")


_PLAIN = (
    "id", "name", "water", "off_limits_from", "off_limits_until", "practice_from", "practice_until",
    "fishing_from", "fishing_until", "cutoff_at", "ends_at", "limit_number", "minimum_length_mm",
    "allowed_sources", "rules_url",
)  # fmt: skip


def _payload(request: Request, rows: list[Event]) -> list[dict[str, Any]]:
    viewer, moment = viewer_of(request), moment_of(request)
    names = dict(Species.objects.values_list("code", "name"))
    entered = {
        entry.event_id
        for entry in Entry.objects.filter(event__in=rows)
        if entry.member_id == viewer.member_id and entry.stands
    }
    shapes = [
        {name: getattr(event, name) for name in _PLAIN}
        | {
            "target": {"id": event.target, "name": names.get(event.target, event.target)},
            "phase": events.phase(event, moment),
            "entered": event.pk in entered,
        }
        for event in rows
    ]
    return list(EventOut(shapes, many=True).data)


class EventsView(ApiView):
    permission_classes = [Anyone]

    @extend_schema(
        operation_id="events_list",
        parameters=[OpenApiParameter("water", OpenApiTypes.UUID, description="Of this water only.")],
        responses={200: EventOut(many=True), 400: OpenApiTypes.OBJECT},
    )
    def get(self, request: Request) -> Response:
        """List the club's events, by their first fishing day."""
        asked = query_of(request, "water")
        rows = Event.objects.select_related("water")
        if text := asked.get("water", ""):
            try:
                rows = rows.filter(water=UUID(text))
            except ValueError as error:
                raise ValidationError({"water": [f'"{text[:40]}" is not the id of a water.']}) from error
        return Response(_payload(request, list(rows)))


class EventView(ApiView):
    permission_classes = [Anyone]

    @extend_schema(operation_id="events_read", responses={200: EventOut, 404: OpenApiTypes.OBJECT})
    def get(self, request: Request, key: UUID) -> Response:
        """Read one event."""
        query_of(request)
        event = Event.objects.select_related("water").filter(pk=key).first()
        if event is None:
            raise Http404
        return Response(_payload(request, [event])[0])
