"""What a cone covers, what a lens sees and what a fish should weigh, where a member meets them."""

import html
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from club.units import Units
from observations.gauging import weight_words
from tests.conftest import DAY, Cast, Places, found, look, sonar

ClientOf = Callable[..., Client]


def text_of(response: Any) -> str:
    plain = html.unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).replace("\u00a0", " ")
    return re.sub(r"\s+", " ", plain)


def test_a_look_tells_the_cone_it_had_or_says_what_is_assumed(
    cast: Cast, places: Places, client_of: ClientOf, quiet_queue: Any
) -> None:
    at = timezone.now() - DAY
    told = look(
        cast, "member", places.shared, "2d", at,
        settings={"text": "83 kHz, 60° cone"}, groups=sonar("bluegill", 0.7, depth_m=20.0),
    )  # fmt: skip
    assumed = look(cast, "member", places.shared, "2d", at, groups=sonar("bluegill", 0.7, depth_m=10.0))
    other = look(
        cast, "member", places.shared, "down", at, settings={"text": "455 kHz, 3° fore and aft"},
        groups=sonar("bluegill", 0.7, depth_m=10.0),
    )  # fmt: skip
    client = client_of("member")
    # Worked values: 60 deg at 20 m covers 23.0940 m, 20 deg at 10 m 3.5265 m.
    assert "23.1 m across at 20 m, by the 60° of the settings" in text_of(client.get(f"/log/{told.pk}/"))
    assert "3.5 m across at 10 m, if the cone is 20°: the settings name none" in text_of(
        client.get(f"/log/{assumed.pk}/")
    )
    assert "The cone covers" not in text_of(client.get(f"/log/{other.pk}/")), "not every beam is a cone"
    plate = text_of(client.get(f"/spots/{places.shared.pk}/side-by-side/"))
    assert "The cone covers 3.5 m across" in plate or "The cone covers 23.1 m across" in plate


def test_a_measured_fish_has_its_standard_weight_or_is_said_to_have_none(
    cast: Cast, places: Places, client_of: ClientOf, quiet_queue: Any
) -> None:
    at = timezone.now() - DAY
    rod = look(
        cast, "member", places.shared, "rod", at, rod_hours=1,
        findings=found("largemouth-bass", 2, lengths_mm=(400, 120)),
    )  # fmt: skip
    camera = look(cast, "member", places.shared, "camera", at, secchi_m=2.0, minutes=5)
    client = client_of("member")
    page = text_of(client.get(f"/log/{rod.pk}/"))
    # FSA's coefficients: a largemouth bass of 400 mm has the standard weight 973.96 g; the least length is 150 mm.
    assert "Standard weight 974 g, none given below 150 mm; the longest of preferred length" in page
    assert "Standard weight 974 g" in text_of(client.get(f"/spots/{places.shared.pk}/side-by-side/"))
    assert "1.1 to 1.8 m around the lens, a rough band" in text_of(client.get(f"/log/{camera.pk}/"))
    units = Units()
    assert weight_words("largemouth-bass", [100], units) == "no standard weight below 150\u00a0mm"
    assert weight_words("a-fish-of-the-club", [300], units) == weight_words("walleye", [], units) == ""
    assert weight_words("walleye", [400], Units("ft", "F", "lb")).startswith("standard weight 1.46\u00a0lb")


@pytest.mark.parametrize(
    ("query", "told"),
    [
        # Worked values of sonar geometry and standard weight, recomputed independently.
        ("what=cone&depth=10&angle=20", "At 10 m it covers 3.5 m across."),
        ("what=shadow&height=10&top=31.0483494&end=38.8104367", "It stands 2 m high, 30 m to the side"),
        ("what=sounder&shown=10&temperature=10&speed=1500", "Really 9.65 m: sound runs at 1447 m/s"),
        ("what=weight&species=walleye&length=400&weight=0.6", "Relative weight 90: 100 is the standard."),
        ("what=weight&species=redear-sunfish&length=200", "differ by 4.5 %"),
    ],
)
def test_the_page_reckons(client: Client, cast: Cast, query: str, told: str) -> None:
    answer = client.get(f"/measures/?{query}")
    assert answer.status_code == 200
    assert told in text_of(answer)


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("what=cone&depth=NaN&angle=20", '"NaN" is not a number'),
        ("what=cone&depth=1e9&angle=20", "is not a number"),
        ("what=cone&depth=10&angle=180", "must lie between 1 and 120"),
        ("what=cone&depth=-1&angle=20", "must lie between 0 and 300"),
        ("what=cone", "This field is required"),
        ("what=shadow&height=10&top=20&end=15", "must end farther out than it begins"),
        ("what=shadow&height=10&top=5&end=9", "A shadow lies on the bottom"),
        ("what=sounder&shown=10&temperature=-5&speed=1500", "must lie between 0 and 40"),
        ("what=weight&species=dragon&length=400", "dragon"),
        ("what=weight&species=walleye&length=0", "must lie between 10 and 2,500"),
    ],
)
def test_what_cannot_be_is_refused_by_name(client: Client, cast: Cast, query: str, told: str) -> None:
    answer = client.get(f"/measures/?{query}")
    assert answer.status_code == 422
    assert told in text_of(answer)


def test_feet_and_pounds_are_taken_and_told(cast: Cast, client_of: ClientOf) -> None:
    cast.member.length_unit, cast.member.temperature_unit, cast.member.weight_unit = "ft", "F", "lb"
    cast.member.save()
    client = client_of("member")
    assert "At 30 ft it covers 10.6 ft across" in text_of(
        client.get("/measures/?what=cone&depth=30&angle=20")
    )
    # 15.748 in is 400 mm; 2 lb is 907.18 g of a standard 663.06 g.
    page = text_of(client.get("/measures/?what=weight&species=walleye&length=15.748&weight=2"))
    assert "Relative weight 137" in page
