"""The season page: sums over the spots a reader may see, by hand, and nothing of the others."""

import re
from collections.abc import Callable
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client

from club.units import Units
from observations import jobs
from observations.season_page import pooled_catch, season_of_spots
from observations.season_words import _day, catch_words, chance_rests_on, number
from tests.conftest import Cast, Places, found, look

MAY = datetime(2026, 5, 12, 11, tzinfo=UTC)


def spot(p: float, looks: int, grade: str, caught: int, hours: float, band: float | None = None) -> Any:
    """A history whose twelve months are alike, with one band."""
    cell = {"probability": p, "low": p / 2, "high": (1 + p) / 2, "looks": looks, "camera_minutes": 2.0 * looks,
            "rod_hours": hours, "grade": grade}  # fmt: skip
    rate = {"caught": caught, "rod_hours": hours, "rate": 0.1, "low": 0, "high": 1, "own": 1}
    bands = [{"from_c": None, "to_c": 5.0, **cell, "probability": band}] if band is not None else []
    catches = (
        {"all": rate, "months": [rate] * 12, "bands": [rate] * len(bands), "inflation": 1.0} if hours else {}
    )
    return SimpleNamespace(looks=12 * looks, months=[cell] * 12, bands=bands, catches=catches)


def test_a_month_is_the_mean_chance_and_the_sum_of_what_was_done() -> None:
    season = season_of_spots([
        spot(0.8, 3, "verified", 4, 2.0, band=0.6), spot(0.2, 1, "none", 0, 6.0), spot(0.5, 0, "", 0, 0.0)
    ])  # fmt: skip
    assert season is not None and season.spots == 2, "a spot where nobody looked is no evidence"
    may = season.months[4]
    assert (may.probability, may.low, may.high) == pytest.approx((0.5, 0.25, 0.75))
    assert (may.looks, may.camera_minutes, may.rod_hours, may.grade) == (4, 8.0, 8.0, "verified")
    assert (may.spots_looked, may.spots_found, may.spots_verified) == (2, 1, 1)
    assert may.catch is not None and may.catch[0] == pytest.approx(4 / 8), "not the mean of 2 and 0"
    ((low, high, band),) = season.bands
    assert (low, high, band.probability) == (None, 5.0, 0.6)
    assert season_of_spots([spot(0.5, 0, "", 0, 0.0)]) is None and season_of_spots([]) is None


def test_a_pooled_catch_takes_clumping_out_and_bounds_no_catch_from_above() -> None:
    rate, low, high = pooled_catch([(9, 10.0, 3.0)])
    even = pooled_catch([(9, 10.0, 1.0)])
    assert rate == even[0] == 0.9 and low < even[1] < even[2] < high
    none = pooled_catch([(0, 10.0, 1.0), (0, 5.0, 1.0)])
    assert none[:2] == (0.0, 0.0) and 0.1 < none[2] < 0.3


def test_bands_rates_and_what_they_rest_on_in_words() -> None:
    assert Units().temperature_range(None, 5.0) == "under 5\u00a0°C"
    assert Units(temperature="F").temperature_range(5.0, 10.0) == "41 to 50\u00a0°F"
    assert Units().temperature_range(25.0, None) == "25\u00a0°C and over"
    assert (Units().depth_band(4, 5), Units().depth_band(30, None)) == (
        "4 to 5\u00a0m",
        "deeper than 30\u00a0m",
    )
    assert [number(x) for x in (0, 0.001, 0.05, 0.5, 0.996, 1.04, 2.26, 12.3)] == [
        "0",
        "0.01",
        "0.05",
        "0.5",
        "1",
        "1",
        "2.3",
        "12",
    ]
    cell = {"caught": 0, "rod_hours": 6.0, "rate": 0.1, "low": 0.0, "high": 0.42, "own": 0.2}
    told = catch_words("May", cell)
    assert (told.rate, told.interval) == ("none caught", "under 0.42")
    assert told.rests_on == "mostly borrowed from other months and the club’s rate"
    own = catch_words("May", {**cell, "caught": 4, "rate": 0.6, "low": 0.2, "own": 0.7})
    assert (own.rate, own.interval, own.rests_on) == ("0.6", "0.2 to 0.42", "mostly on these hours")
    assert catch_words("May", {**cell, "rod_hours": 0.0, "own": 0.0}).rests_on.startswith("not fished")
    assert (_day(0), _day(128), _day(None)) == ("1 January", "9 May", "")
    assert chance_rests_on(1, 9) == "1 look here" and "like spots" in chance_rests_on(0, 0)
    assert "the spot’s other looks" in chance_rests_on(0, 9)


def test_each_reader_is_told_of_the_spots_they_may_see_and_of_no_other(
    cast: Cast, places: Places, client_of: Callable[[str], Client], quiet_queue: Any
) -> None:
    for persona in ("member", "captain", "checker"):
        look(
            cast,
            persona,
            places.shared,
            "camera",
            MAY,
            minutes=6,
            water_temp_c=17.0,
            findings=found("bluegill", 2),
        )
    look(cast, "member", places.private, "camera", MAY, minutes=6, findings=found("channel-catfish", 1),
         scope=f"member:{cast.member.pk}")  # fmt: skip
    jobs.refit()

    def told(persona: str, query: str = "?species=bluegill&month=5") -> str:
        page = client_of(persona).get(f"/season/{query}")
        assert page.status_code == 200
        return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode()))

    member, rival = told("member"), told("rival")
    assert "Where, in May" in member and "15 to 20" in member
    assert "Bluegill" in rival and "catfish" not in rival.lower()
    assert "Canary Private" not in rival
    assert re.search(r"Canary Private Laydown [^.]*looked, none found in 1 look", member), "one's own counts"
    assert "channel catfish" in member.lower() and "Canary Private" in told(
        "member", "?species=channel-catfish&month=5"
    )
    for persona in ("guest", "nobody"):
        assert "bluegill" not in told(persona).lower(), "nothing is verified yet"
    assert "Where, in" in told("member", "?species=none&month=13&water=x"), (
        "what is not understood is left out"
    )
