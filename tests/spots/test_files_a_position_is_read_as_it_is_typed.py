"""Decimal degrees, degrees-minutes and degrees-minutes-seconds, in the spellings people use."""

import pytest
from django.core.exceptions import ValidationError
from hypothesis import given
from hypothesis import strategies as st

from spots.files.coordinates import parse_latitude, parse_longitude, parse_position

# 34 deg 7.407 min = 34.12345 deg and 85 deg 34.068 min = 85.5678 deg: arithmetic, by hand.
SAME_PLACE = [
    "34.12345, -85.5678",
    "34.12345 -85.5678",
    "  34.12345;-85.5678 ",
    "+34.12345/-85.5678",
    "34,12345 -85,5678",
    "34,12345; -85,5678",
    "34.12345N 85.5678W",
    "N34.12345 W85.5678",
    "n 34.12345, w 85.5678",
    "W 85.5678, N 34.12345",
    "34 07.407 N, 85 34.068 W",
    "34 7,407 N 85 34,068 W",
    "34:07.407N 085:34.068W",
    "N 34° 07.407' W 085° 34.068'",
    "34°07.407′N 85°34.068′W",
    "34º07.407’N 85º34.068’W",
    "34 7.407 -85 34.068",
    "34 7.407, −85 34.068",
    "34°07'24.42\"N 85°34'04.08\"W",
    "34°07'24.42''N 85°34'04.08''W",
    "34 07 24.42 -85 34 04.08",
    "34d07m24.42secN 85d34m4.08secW",
    "34\u00a0deg\u00a007\u00a0min 24.42 sec N 85 deg 34 min 4.08 sec W",
]


@pytest.mark.parametrize("text", SAME_PLACE)
def test_every_usual_spelling_gives_the_same_place(text: str) -> None:
    assert parse_position(text) == pytest.approx((34.12345, -85.5678), abs=1e-9)


def test_two_whole_numbers_with_a_comma_are_a_latitude_and_a_longitude() -> None:
    assert parse_position("34,85") == (34, 85)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("", "Give a position"),
        ("brush pile", "needs a latitude and a longitude"),
        ("34", "needs a latitude and a longitude"),
        ("34 85 2", "needs a latitude and a longitude"),
        ("34.1, -85.2, 3", "needs a latitude and a longitude"),
        ("nan, inf", "latitude cannot be read"),
        ("1e1, 5", "one part needs N or S and the other E or W"),
        ("٣٤, 12", "latitude cannot be read"),
        ("-95 34", "may be exchanged"),
        ("91N 34E", "a latitude lies within ±90"),
        ("34S 185W", "a longitude lies within ±180"),
        ("34 60 N 85 2 W", "60 minutes: they run from 0 to below 60"),
        ("34 5 61 N 85 2 0 W", "61 seconds: they run from 0 to below 60"),
        ("34.5 2 N 85 2 W", "only the last number of a part may have decimals"),
        ("-34N 85W", "either a sign or N, not both"),
        ("34N 85N", "the other E or W"),
        ("34N 85", "the other E or W"),
        ("34123 N 85 W", "a latitude lies within ±90"),
    ],
)
def test_a_slip_is_named_with_what_was_typed_and_the_rule(text: str, rule: str) -> None:
    with pytest.raises(ValidationError) as caught:
        parse_position(text)
    assert rule in caught.value.messages[0]
    assert text in caught.value.messages[0]


@pytest.mark.parametrize(("text", "value"), [("34,5", 34.5), ("S 34 7.407", -34.12345), ("-34.5", -34.5)])
def test_a_latitude_can_stand_alone(text: str, value: float) -> None:
    assert parse_latitude(text) == pytest.approx(value, abs=1e-9)


def test_a_longitude_alone_refuses_the_letters_of_a_latitude() -> None:
    assert parse_longitude("85 34.068 W") == pytest.approx(-85.5678, abs=1e-9)
    with pytest.raises(ValidationError, match="goes with E or W"):
        parse_longitude("85N")


_degrees = st.tuples(
    st.integers(-89, 89), st.integers(-179, 179), st.integers(0, 59), st.integers(0, 59), st.integers(0, 599)
)


@given(_degrees)
def test_degrees_minutes_seconds_return_what_they_were_made_from(
    case: tuple[int, int, int, int, int],
) -> None:
    lat, lon, minute, second, tenth = case
    seconds = min(second + tenth / 10, 59.9)
    text = (
        f"{abs(lat)}°{minute:02}'{seconds:.1f}\"{'S' if lat < 0 else 'N'}"
        f" {abs(lon)}°{minute}'{seconds:.1f}\"{'W' if lon < 0 else 'E'}"
    )
    rest = minute / 60 + round(seconds, 1) / 3600
    want = (lat - rest if lat < 0 else lat + rest, lon - rest if lon < 0 else lon + rest)
    assert parse_position(text) == pytest.approx(want, abs=1e-9)


@given(st.text(max_size=40))
def test_whatever_is_typed_gives_a_position_on_earth_or_a_plain_refusal(text: str) -> None:
    try:
        lat, lon = parse_position(text)
    except ValidationError:
        return
    assert -90 <= lat <= 90 and -180 <= lon <= 180
