"""Each member types in their own units; SI is stored, and what was typed comes back as typed."""

from collections.abc import Callable

import pytest
from django.test import Client

from tests.conftest import Cast, Places
from tests.observations.log_page import CALLED, post, saved

ClientOf = Callable[..., Client]


@pytest.fixture
def in_feet(cast: Cast) -> None:
    cast.member.length_unit, cast.member.temperature_unit = "ft", "F"
    cast.member.save()


@pytest.mark.usefixtures("in_feet")
def test_feet_inches_and_fahrenheit_are_stored_as_si(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    sonar = saved(
        post(client, places.shared, "2d", **CALLED, g0__depth="15", water_temp="68.5", secchi="5.5")
    )
    # The international foot is 0.3048 m and the inch 25.4 mm exactly (agreement of 1959).
    assert sonar.groups.get().depth_m == pytest.approx(4.572)
    assert sonar.water_temp_c == pytest.approx((68.5 - 32) / 1.8)
    assert sonar.secchi_m == pytest.approx(1.6764)
    assert sonar.settings["typed"] == {
        "secchi": ["5.5", "ft"],
        "water_temp": ["68.5", "°F"],
        "g0-depth": ["15", "ft"],
    }
    rod = saved(
        post(
            client,
            places.shared,
            "rod",
            found="fish",
            minutes="9",
            f0__species="bluegill",
            f0__lengths="7.5, 8 9",
        )
    )
    finding = rod.findings.get()
    assert finding.lengths_mm == [190, 203, 229]  # 190.5 rounds to even
    assert finding.count == 3
    assert rod.settings["typed"]["f0-lengths"] == [["7.5", "8", "9"], "in"]


@pytest.mark.usefixtures("in_feet")
def test_conditions_are_carried_on_as_typed(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    post(client, places.shared, "2d", g0__band="none", water_temp="68,5", secchi="5.5", clarity="stained")
    page = client.get("/log/").content.decode()
    assert 'name="water_temp" value="68,5"' in page
    assert 'name="secchi" value="5.5"' in page
    assert 'name="clarity" value="stained" checked' in page


@pytest.mark.usefixtures("in_feet")
def test_conditions_are_converted_once_the_unit_has_changed(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    client = client_of("member")
    post(client, places.shared, "2d", g0__band="none", water_temp="68", secchi="5.5")
    cast.member.length_unit, cast.member.temperature_unit = "m", "C"
    cast.member.save()
    page = client.get("/log/").content.decode()
    assert 'name="water_temp" value="20"' in page
    assert 'name="secchi" value="1.7"' in page
    assert "Disc seen to, m" in page
