"""Advice on fish from deep water: the physics by outside values, and when it is shown."""

from collections.abc import Callable

import pytest
from django.test import Client

from observations.care import gas_expansion
from tests.conftest import Places
from tests.observations.log_page import post

ClientOf = Callable[..., Client]


@pytest.mark.parametrize(
    ("metres", "factor"),
    # Boyle's law by hand: (P0 + rho g z) / P0 with rho 998.2 kg/m3, g 9.80665 m/s2, P0 101,325 Pa.
    [(0, 1), (5, 1.4830), (7.62, 1.7362), (9.144, 1.8834), (10, 1.9661), (20, 2.9322), (10.351, 2.0)],
)
def test_gas_grows_as_boyle_says(metres: float, factor: float) -> None:
    assert gas_expansion(metres) == pytest.approx(factor, abs=1e-4)


def landed(client: Client, places: Places, method: str, depth: str) -> str:
    fields = {"found": "fish", "minutes": "5", "f0__species": "white-crappie", "f0__depth": depth}
    answer = post(client, places.shared, method, **fields)
    return client.get(answer["Location"]).content.decode()


def test_advice_stands_beside_a_deep_landing_and_not_beside_others(
    places: Places, client_of: ClientOf
) -> None:
    client = client_of("member")
    deep = landed(client, places, "rod", "10")
    assert "From 10\u00a0m, gas in a fish grows 2.0-fold." in deep
    assert "local authority’s limits and guidance come first" in deep
    for method, depth in (("rod", "7.6"), ("rod", ""), ("camera", "10")):
        assert "local authority" not in landed(client, places, method, depth)


def test_every_page_says_that_it_is_not_for_navigation(places: Places, client_of: ClientOf) -> None:
    client = client_of("member")
    for address in (f"/log/?spot={places.shared.pk}", "/log/?choose=1", "/log/mine/"):
        assert "Not for navigation" in client.get(address).content.decode()
