"""What the API's tests share: a checked caller for each persona, and the queue kept quiet."""

import uuid
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client

from spots.models import Spot
from tests.api.document import Api


@pytest.fixture(autouse=True)
def _no_worker(quiet_queue: SimpleNamespace) -> None:
    """No test here drives the worker."""


@pytest.fixture
def api(client_of: Callable[..., Client]) -> Callable[..., Api]:
    return lambda persona: Api(client_of(persona))


def a_look(spot: Spot, **more: Any) -> dict[str, Any]:
    """The body of a sonar look with a sealed call."""
    return {
        "id": str(uuid.uuid4()),
        "spot": str(spot.pk),
        "method": "down",
        "started_at": "2026-06-15T06:30:00-05:00",
        "minutes": 4,
        "settings": {"range_m": 12.5, "palette": "plain", "boost": True},
        "conditions": {"secchi_m": 1.2, "clarity": "stained", "water_temp_c": 24.5, "wind_from_deg": 270},
        "groups": [
            {
                "count": 6,
                "placement": "beside",
                "depth_m": 4.2,
                "call": {"species": "white-crappie", "probability": 0.7, "size": "middle"},
            },
            {"band": "none"},
        ],
        **more,
    }


def a_drop(spot: Spot, species: str = "white-crappie", **more: Any) -> dict[str, Any]:
    """The body of a camera look that found something, a quarter of an hour later."""
    return {
        "id": str(uuid.uuid4()),
        "spot": str(spot.pk),
        "method": "camera",
        "started_at": "2026-06-15T06:45:00-05:00",
        "minutes": 5,
        "findings": [{"species": species, "count": 3, "lengths_mm": [220, 240], "fate": "swam off"}],
        **more,
    }
