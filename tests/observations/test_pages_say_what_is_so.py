"""Sentences and figures of the reading pages that a first visitor found wrong: each says now what is so."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from club.units import Units
from observations import jobs
from observations.models import Finding, History, Observation
from observations.services import FindingDraft, confirm
from observations.words import look_grade, what_words
from spots.disclosure_models import Channel
from spots.minimap import minimap
from spots.precision import released_spot
from tests.conftest import Cast, Places, found, look, see, sonar

ClientOf = Callable[..., Client]


@pytest.fixture
def shared(cast: Cast, places: Places, quiet_queue: Any) -> Places:
    at = timezone.now() - timedelta(days=2)
    look(cast, "member", places.shared, "2d", at, groups=sonar("white-crappie", 0.7))
    look(
        cast,
        "member",
        places.shared,
        "camera",
        at + timedelta(minutes=9),
        minutes=6,
        findings=found("bluegill", 2),
    )
    jobs.refit()
    return places


def test_the_panel_promises_no_log_that_there_is_not(shared: Places, client_of: ClientOf) -> None:
    panel = client_of("rival").get(f"/spots/{shared.shared.pk}/panel/").content.decode()
    assert "exact to you" in panel and "is logged" not in panel


def test_with_a_month_chosen_the_panel_tells_that_months_chance(shared: Places, client_of: ClientOf) -> None:
    row = History.objects.get(spot=shared.shared, species="bluegill", scope="club", edition="live")
    client = client_of("rival")
    address = f"/spots/{shared.shared.pk}/panel/?species=bluegill"
    now, june = client.get(address), client.get(f"{address}&season=6")
    assert "Bluegill here now" in now.content.decode() and now.context["probability"] == row.probability
    assert "Bluegill here in June" in june.content.decode()
    assert june.context["probability"] == row.months[5]["probability"]
    assert june.context["month"] == 6


def test_the_public_is_told_what_it_is_shown(shared: Places, client_of: ClientOf) -> None:
    page = client_of("nobody").get("/").content.decode()
    assert "Nothing finer" not in page and "at each spot" in page


def test_echoes_without_a_call_are_not_graded_called(cast: Cast, places: Places) -> None:
    now = timezone.now() - timedelta(hours=1)
    for groups, grade in ((sonar(), ""), (sonar(count=0), "none"), (sonar("bluegill", 0.6), "called")):
        row = look(cast, "member", places.shared, "2d", now, groups=groups)
        assert look_grade(Observation.objects.get(pk=row.pk)) == grade


def test_an_unverified_fish_does_not_borrow_its_neighbours_seal(cast: Cast, places: Places) -> None:
    two = (FindingDraft("bluegill"), FindingDraft("walleye"))
    at = timezone.now() - timedelta(hours=1)
    row = look(cast, "member", places.shared, "camera", at, minutes=5, findings=two)
    assert "not verified" not in what_words(Observation.objects.get(pk=row.pk), Units())
    with see(cast, "checker"):
        confirm(
            Finding.objects.get(species="bluegill"), cast.checker, "bluegill", "confirmed", "", timezone.now()
        )
    assert what_words(Observation.objects.get(pk=row.pk), Units()) == "1 bluegill; 1 walleye (not verified)"


def test_the_small_charts_bar_is_in_the_readers_unit(cast: Cast, places: Places) -> None:
    with see(cast, "member"):
        spot = released_spot(places.shared.pk, channel=Channel.UNSEEN)
        metric = minimap(spot, places.shared.water, Units("m"))
        feet = minimap(spot, places.shared.water, Units("ft"))
    assert metric and feet
    assert metric["bar"].endswith("m") and feet["bar"].endswith(("ft", "mi"))
    assert 20 < feet["bar_px"] < 130 and 20 < metric["bar_px"] < 130


def test_a_rejection_without_a_reason_keeps_the_choice_and_says_so_first(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    at = timezone.now() - timedelta(hours=1)
    look(cast, "member", places.shared, "camera", at, minutes=5, findings=found("bluegill"))
    finding = Finding.objects.get()
    client = client_of("checker")
    client.post(f"/proofs/{finding.pk}/name/", {"species": "walleye"})
    answer = client.post(f"/proofs/{finding.pk}/decide/", {"decision": "rejected", "reason": ""})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert page.index('role="alert"') < page.index('name="decision"')
    assert 'value="rejected" data-key="2" checked' in page


def test_a_long_list_of_spots_says_that_it_is_not_all(
    cast: Cast, places: Places, client_of: ClientOf, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of("member")
    assert "Find the others" not in client.get("/log/spots/").content.decode()
    monkeypatch.setattr("observations.log_queries.FOUND_SPOTS", 2)
    assert "Find the others" in client.get("/log/spots/").content.decode()
