"""What is said of a look has limits for every way in: each is named with its value and its rule."""

from datetime import timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from observations.models import Observation
from observations.services import (
    FindingDraft,
    GroupDraft,
    LookDraft,
    check_look,
    record_look,
    species_by_code,
)
from tests.conftest import Cast, Places, see

CASES: list[tuple[str, dict[str, Any], str, str]] = [
    ("rod", {"wind_from_deg": 361}, "wind_from_deg", "361 is not a direction"),
    ("rod", {"wind_from_deg": -1}, "wind_from_deg", "between 0 and 360"),
    ("rod", {"note": "n" * 4001}, "note", "4001 letters; at most 4000"),
    ("rod", {"note": "a\0b"}, "note", "NUL"),
    ("rod", {"sky": "s" * 41}, "sky", "at most 40"),
    ("rod", {"clarity": "murky"}, "clarity", '"murky" is not one of clear'),
    ("rod", {"settings": {"n" * 61: "x"}}, "settings", "at most 60"),
    ("rod", {"settings": {"text": "x" * 201}}, "settings", "at most 200"),
    ("rod", {"settings": {"gain": float("inf")}}, "settings", "not a possible number"),
    ("rod", {"settings": {"small_filtered": "a bit"}}, "settings", 'must be yes or no, not "a bit"'),
    ("rod", {"settings": {str(n): "x" for n in range(41)}}, "settings", "41 settings; at most 40"),
    ("rod", {"findings": (FindingDraft("bluegill", depth_m=501.0),)}, "depth_m", "501 m is not possible"),
    ("camera", {"findings": (FindingDraft("bluegill", depth_m=float("nan")),)}, "depth_m", "nan m"),
    ("rod", {"findings": (FindingDraft("bluegill", fate="eaten"),)}, "fate", '"eaten" is not one of'),
    ("rod", {"presentations": (("jig", -1.0, ""),)}, "presentation", "-1 minutes is not possible"),
    ("rod", {"presentations": (("jig", 1441.0, ""),)}, "presentation", "between 0 and 1440"),
    ("rod", {"presentations": (("j" * 121, 5.0, ""),)}, "presentation", "at most 120"),
    ("rod", {"presentations": ((" ", 5.0, ""),)}, "presentation", "Say what"),
    ("rod", {"presentations": (("jig", 5.0, "ate it"),)}, "response", '"ate it" is not one of'),
    ("2d", {"groups": (GroupDraft(count=3, call="bluegill", size="huge"),)}, "call_size", '"huge"'),
    ("2d", {"groups": tuple(GroupDraft(count=1) for _ in range(51))}, "echoes", "51 groups"),
]


def draft(cast: Cast, places: Places, method: str, **more: Any) -> LookDraft:
    at = timezone.now() - timedelta(hours=1)
    return LookDraft(spot=places.shared, observer=cast.member, method=method, started_at=at, **more)


@pytest.mark.parametrize(("method", "said", "field", "words"), CASES)
def test_what_is_beyond_a_limit_is_refused_by_name_and_nothing_is_saved(
    cast: Cast, places: Places, method: str, said: dict[str, Any], field: str, words: str
) -> None:
    with see(cast, "member"), pytest.raises(ValidationError) as refused:
        record_look(draft(cast, places, method, **said), cast.viewer("member"), timezone.now())
    assert list(refused.value.message_dict) == [field]
    assert words in " ".join(refused.value.message_dict[field])
    assert not Observation.objects.exists()


@pytest.mark.parametrize(
    "said",
    [
        {"wind_from_deg": 0},
        {"wind_from_deg": 360},
        {"note": "n" * 4000, "sky": "s" * 40},
        {"settings": {"text": "x" * 200, "typed": {"secchi": ["1.20", "m"]}, "gain": 60, "note": "x" * 900}},
        {"findings": (FindingDraft("bluegill", depth_m=500.0, fate="kept"),)},
        {"presentations": (("j" * 120, 1440.0, "bit"), ("jig", None, ""))},
    ],
)
def test_what_lies_on_a_limit_is_taken(cast: Cast, places: Places, said: dict[str, Any]) -> None:
    check_look(draft(cast, places, "rod", **said), timezone.now(), species_by_code())
