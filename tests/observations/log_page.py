"""Filling in the log page as a browser does."""

import uuid
from typing import Any

from django.http import HttpResponse
from django.test import Client

from observations.models import Observation
from spots.models import Spot


def typed(spot: Spot, method: str, **more: Any) -> dict[str, Any]:
    """What the page sends; field names with a dash are written with two underscores."""
    data = {"look": str(uuid.uuid4()), "spot": str(spot.pk), "method": method}
    return data | {name.replace("__", "-"): value for name, value in more.items()}


def post(client: Client, spot: Spot, method: str, **more: Any) -> Any:
    return client.post("/log/", typed(spot, method, **more))


def errors(client: Client, spot: Spot, method: str, **more: Any) -> dict[str, list[str]]:
    """Send as the script does; return the messages by field, after checking that nothing was saved."""
    before = Observation.objects.count()
    answer = client.post("/log/", typed(spot, method, **more), headers={"accept": "application/json"})
    assert answer.status_code == 422, answer.content
    assert Observation.objects.count() == before
    found: dict[str, list[str]] = answer.json()["errors"]
    return found


def saved(answer: HttpResponse) -> Observation:
    assert answer.status_code == 302, answer.content[:2000]
    return Observation.objects.get(pk=answer["Location"].split("/")[2])


CALLED = {"g0__band": "4-8", "g0__placement": "over", "g0__call": "crappie", "g0__sure": "80"}
