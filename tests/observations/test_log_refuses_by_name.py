"""What cannot be is refused: the message stands at its field and says the value and the rule."""

from collections.abc import Callable
from datetime import timedelta
from zoneinfo import ZoneInfo

from django.test import Client
from django.utils import timezone

from observations.models import Observation
from tests.conftest import Cast, Places
from tests.observations.log_page import CALLED, errors, post, typed

ClientOf = Callable[..., Client]
ROD = {"found": "fish", "minutes": "10", "f0__species": "white-crappie"}
NONE = {"g0__band": "none"}


# method, fields, the field that the message stands at, and what it says
CASES: list[tuple[str, dict[str, str], str, str]] = [
    ("2d", NONE | {"water_temp": "nan"}, "water_temp", '"nan" is not a number'),
    ("2d", NONE | {"secchi": "inf"}, "secchi", '"inf" is not a number'),
    ("2d", NONE | {"secchi": "1e3"}, "secchi", '"1e3" is not a number'),
    ("2d", NONE | {"secchi": "-2"}, "secchi", "-2 m is not possible: it must lie between 0 and 50 m"),
    ("2d", NONE | {"secchi": "−2"}, "secchi", "-2 m is not possible"),
    (
        "2d",
        NONE | {"water_temp": "68"},
        "water_temp",
        "68 °C is not possible: it must lie between -2 and 45 °C",
    ),
    ("2d", NONE | {"pool_level": "60"}, "pool_level", "60 m is not possible"),
    (
        "2d",
        CALLED | {"g0__depth": "501"},
        "g0-depth",
        "501 m is not possible: it must lie between 0 and 500 m",
    ),
    ("2d", CALLED | {"g0__depth": "-1"}, "g0-depth", "-1 m is not possible"),
    ("2d", {}, "g0-band", "none is an answer too"),
    ("2d", {"g0__band": "5"}, "g0-band", '"5" is not one of the choices'),
    ("2d", CALLED | {"g0__placement": "under"}, "g0-placement", '"under" is not one of the choices'),
    ("2d", CALLED | {"g0__sure": ""}, "g0-sure", "how sure"),
    ("2d", CALLED | {"g0__sure": "other"}, "g0-sure_other", "how sure"),
    ("2d", CALLED | {"g0__sure": "other", "g0__sure_other": "0"}, "g0-sure_other", "0 % is not possible"),
    ("2d", CALLED | {"g0__sure": "other", "g0__sure_other": "101"}, "g0-sure_other", "between 0 and 100 %"),
    (
        "2d",
        CALLED | {"g0__call": "other", "g0__call_other": "merfolk"},
        "g0-call_other",
        '"merfolk" is not in',
    ),
    ("2d", CALLED | {"g0__call": "other"}, "g0-call_other", "from the list"),
    ("2d", NONE | {"g1__band": "1-3"}, "g0-band", "None stands alone"),
    ("2d", NONE | {"wind": "gale"}, "wind", '"gale" is not one of the choices'),
    ("sonar", NONE, "method", '"sonar" is not one of the choices'),
    ("", NONE, "method", "Choose the method"),
    ("camera", {}, "found", "found nothing is an answer too"),
    ("camera", {"found": "nothing"}, "minutes", "Minutes are missing"),
    ("camera", {"found": "nothing", "minutes": "1441"}, "minutes", "1441 min is not possible"),
    ("rod", ROD | {"lines": "0"}, "lines", "0 lines is not possible: it must lie between 1 and 50 lines"),
    (
        "rod",
        ROD | {"f0__lengths": "561"},
        "f0-lengths",
        "561 mm is not possible for white crappie: at most 560 mm",
    ),
    ("rod", ROD | {"f0__lengths": "300 0"}, "f0-lengths", "0 mm is not possible"),
    ("rod", ROD | {"f0__lengths": "-300"}, "f0-lengths", "-300 mm is not possible"),
    ("rod", ROD | {"f0__lengths": "NaN"}, "f0-lengths", '"NaN" is not a number'),
    ("rod", ROD | {"f0__count": "1", "f0__lengths": "300 310"}, "f0-lengths", "2 lengths for 1 fish"),
    ("rod", ROD | {"f0__count": "0"}, "f0-count", "0 fish is not possible"),
    ("rod", ROD | {"f0__count": "-4"}, "f0-count", "-4 fish is not possible"),
    ("rod", ROD | {"f0__count": "2.5"}, "f0-count", "2.5 fish is not possible: a whole number"),
    ("rod", ROD | {"f0__species": ""}, "f0-species", "Name the species"),
    ("rod", ROD | {"f0__species": "other", "f0__species_other": "crappie"}, "f0-species_other", '"crappie"'),
    (
        "rod",
        ROD | {"f1__species": "other", "f1__species_other": "white-crappie"},
        "f1-species",
        "stands twice",
    ),
    ("rod", ROD | {"f0__depth": "x"}, "f0-depth", '"x" is not a number'),
    ("rod", ROD | {"settles": "cafe"}, "settles", '"cafe" is not one of the choices'),
    ("2d", NONE | {"when": "yesterday"}, "when", '"yesterday" is not a time'),
    ("2d", NONE | {"when": "1949-05-01T06:30"}, "when", "is before 1950"),
    ("2d", NONE | {"scope": "team:elsewhere"}, "scope", '"team:elsewhere" is not one of the choices'),
]


def test_each_message_stands_at_its_field(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    wrong = []
    for method, fields, name, words in CASES:
        found = errors(client, places.shared, method, **fields)
        if words not in " ".join(found.get(name, [])):
            wrong.append((method, fields, name, words, found))
    assert not wrong


def test_a_look_of_tomorrow_is_refused(places: Places, client_of: ClientOf) -> None:
    tomorrow = (timezone.now() + timedelta(days=1)).astimezone(ZoneInfo("America/Chicago"))
    found = errors(client_of("member"), places.shared, "2d", **NONE, when=f"{tomorrow:%Y-%m-%dT%H:%M}")
    assert f"{tomorrow:%Y-%m-%dT%H:%M}" in found["when"][0]
    assert "future" in found["when"][0]


def test_messages_speak_in_the_members_units(cast: Cast, places: Places, client_of: ClientOf) -> None:
    cast.member.length_unit, cast.member.temperature_unit = "ft", "F"
    cast.member.save()
    found = errors(
        client_of("member"), places.shared, "rod", **ROD, f0__lengths="30", f0__depth="2000", water_temp="200"
    )
    assert found["f0-lengths"] == ["30 in is not possible for white crappie: at most 22.05 in."]
    assert found["f0-depth"] == ["2000 ft is not possible: it must lie between 0 and 1,640.42 ft."]
    assert found["water_temp"] == ["200 °F is not possible: it must lie between 28.4 and 113 °F."]


def test_without_a_script_the_page_comes_back_with_all_that_was_typed(
    places: Places, client_of: ClientOf
) -> None:
    data = typed(
        places.shared, "rod", **ROD, f0__lengths="999", what="small jig", note="by the point", secchi="1.8"
    )
    answer = client_of("member").post("/log/", data)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "999 mm is not possible for white crappie: at most 560 mm." in page
    for kept in ("small jig", "by the point", 'value="1.8"', 'value="999"', data["look"]):
        assert kept in page
    for name, value in (("method", "rod"), ("found", "fish"), ("f0-species", "white-crappie")):
        assert f'name="{name}" value="{value}" checked' in page
    assert not Observation.objects.exists()


def test_several_errors_are_told_at_once(places: Places, client_of: ClientOf) -> None:
    found = errors(client_of("member"), places.shared, "2d", **CALLED | {"g0__depth": "-1", "secchi": "x"})
    assert set(found) == {"g0-depth", "secchi"}


def test_markup_in_a_value_is_shown_and_not_run(places: Places, client_of: ClientOf) -> None:
    answer = post(client_of("member"), places.shared, "2d", **NONE, water_temp="<b>hot</b>")
    assert "<b>hot</b>" not in answer.content.decode()
