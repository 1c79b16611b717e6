"""What every page says of a water that its reader sees only as it stood."""

from typing import Any

from django.http import HttpRequest

from club.viewer import current_freeze
from spots.event_models import Event


def frozen(request: HttpRequest) -> dict[str, Any]:
    """The context processor: the events whose cut-off holds for this reader, by water."""
    waters = current_freeze().waters
    if not waters:
        return {}
    moment = request.moment  # type: ignore[attr-defined]
    events = Event.objects.filter(water__in=list(waters), cutoff_at__lte=moment, ends_at__gt=moment)
    first: dict[Any, Event] = {}
    for event in events.select_related("water").order_by("cutoff_at", "id"):
        first.setdefault(event.water_id, event)
    return {"frozen": list(first.values())}
