"""The log page under a thumb: quick, lossless without a signal, and whole without a script."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Browser

from observations.models import BlindName, Call, Confirmation, Observation, Picture
from tests.browser.conftest import SIZES, Visit, choose
from tests.conftest import Cast, Places, found, look

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

OpenVisit = Callable[..., Visit]


def test_nothing_there_takes_three_taps_on_one_screen(visit: OpenVisit, places: Places) -> None:
    member = visit("member", "phone")
    page = member.open(f"/log/?spot={places.shared.pk}")
    choose(page, "method", "forward")
    choose(page, "g0-band", "none")
    seal = page.get_by_role("button", name="Seal: nothing there")
    assert page.evaluate("scrollY") == 0, "nothing had to be scrolled to"
    seal.click()
    page.wait_for_url("**/log/*-*/")
    assert [(one.method, one.groups.get().band) for one in Observation.objects.all()] == [("forward", "none")]
    assert "No echoes" in page.get_by_role("main").inner_text()
    assert (member.trouble, member.elsewhere) == ([], [])


def test_a_whole_call_fits_on_a_phones_screen(visit: OpenVisit, places: Places) -> None:
    member = visit("member", "phone")
    page = member.open(f"/log/?spot={places.shared.pk}")
    for name, value in (
        ("method", "forward"),
        ("g0-band", "4-8"),
        ("g0-placement", "over"),
        ("g0-call", "crappie"),
        ("g0-sure", "80"),
    ):
        choose(page, name, value)
    assert page.evaluate("scrollY") == 0
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"]["width"]
    page.get_by_role("button", name="Seal this call").click()
    page.wait_for_url("**/log/*-*/")
    assert (Call.objects.get().species_id, Call.objects.get().probability) == ("crappie", 0.8)
    assert member.trouble == []


def test_only_what_the_method_needs_is_shown(visit: OpenVisit, places: Places) -> None:
    page = visit("member", "phone").open(f"/log/?spot={places.shared.pk}")
    echoes, minutes, lines = (
        page.locator(f"[id='{name}-field']") for name in ("g0-band", "minutes", "lines")
    )
    shown = {"": (False, False, False), "2d": (True, False, False), "camera": (False, True, False)}
    shown |= {"rod": (False, True, True), "eye": (True, False, False)}
    for method, expected in shown.items():
        if method:
            choose(page, "method", method)
        assert (echoes.is_visible(), minutes.is_visible(), lines.is_visible()) == expected, method


def test_a_look_whose_answer_was_lost_is_sent_again_and_is_the_same_look(
    visit: OpenVisit, places: Places, tmp_path: Path
) -> None:
    picture = tmp_path / "screen.jpg"
    Image.new("RGB", (300, 200), (40, 80, 60)).save(picture)
    page = visit("member", "phone").open(f"/log/?spot={places.shared.pk}")
    choose(page, "method", "down")
    choose(page, "g0-band", "1-3")
    choose(page, "g0-call", "unsure")
    page.locator("[name=pictures]").set_input_files(picture)
    # The server saves the look, but its answer never arrives.
    page.evaluate(
        """() => {
            const answered = window.fetch;
            window.fetch = (url, ...more) => answered(url, ...more).then((answer) => {
                if (url === "/log/") throw new TypeError();
                return answer;
            });
        }"""
    )
    seal = page.get_by_role("button", name="Seal this look")
    seal.click()
    page.get_by_text("ept on this phone").wait_for()
    assert Observation.objects.count() == 1
    page.reload()  # the next page finds it waiting, and sends it again
    page.locator("[data-outbox]").wait_for(state="hidden")
    deadline = time.monotonic() + 15
    while not Picture.objects.exists() and time.monotonic() < deadline:
        page.wait_for_timeout(50)
    assert (Observation.objects.count(), Picture.objects.count()) == (1, 1)


def test_a_refused_look_keeps_what_was_typed_and_chosen(
    visit: OpenVisit, places: Places, tmp_path: Path
) -> None:
    picture = tmp_path / "fish.jpg"
    Image.new("RGB", (300, 200), (40, 80, 60)).save(picture)
    page = visit("member", "phone").open(f"/log/?spot={places.shared.pk}")
    choose(page, "method", "rod")
    choose(page, "found", "fish")
    choose(page, "f0-species", "bluegill")
    page.locator("[name=f0-lengths]").fill("999")
    page.locator("[name=f0-pictures]").set_input_files(picture)
    page.get_by_role("button", name="Seal this look").click()
    alert = page.get_by_role("alert")
    alert.wait_for()
    assert "999 mm is not possible for bluegill: at most 420 mm." in alert.inner_text()
    assert page.locator("[name=f0-lengths]").get_attribute("aria-invalid") == "true"
    assert page.evaluate("document.querySelector('[name=f0-pictures]').files.length") == 1
    page.locator("[name=f0-lengths]").fill("199")
    page.get_by_role("button", name="Seal this look").click()
    page.wait_for_url("**/log/*-*/")
    assert Observation.objects.get().findings.get().pictures.count() == 1


def test_the_minutes_count_by_themselves_until_typed_over(visit: OpenVisit, places: Places) -> None:
    member = visit("member", "phone")
    page = member.page
    page.clock.install()
    member.open(f"/log/?spot={places.shared.pk}")
    choose(page, "method", "camera")
    page.clock.run_for(7 * 60_000 + 6_000)
    assert page.locator("[name=minutes]").input_value() == "8"
    page.locator("[name=minutes]").fill("5")
    page.clock.run_for(10 * 60_000)
    assert page.locator("[name=minutes]").input_value() == "5"


def test_going_back_after_sealing_starts_another_look(visit: OpenVisit, places: Places) -> None:
    page = visit("member", "phone").open(f"/log/?spot={places.shared.pk}")
    choose(page, "method", "2d")
    choose(page, "g0-band", "none")
    page.get_by_role("button", name="Seal: nothing there").click()
    page.wait_for_url("**/log/*-*/")
    page.go_back()
    choose(page, "method", "side")
    choose(page, "g0-band", "none")
    page.get_by_role("button", name="Seal: nothing there").click()
    page.wait_for_url("**/log/*-*/")
    assert sorted(Observation.objects.values_list("method", flat=True)) == ["2d", "side"]


def test_it_all_works_without_a_script(
    browser: Browser, visit: OpenVisit, cast: Cast, places: Places, live_server: Any
) -> None:
    cookies = visit("member").page.context.cookies()
    context = browser.new_context(java_script_enabled=False, viewport=SIZES["phone"])  # type: ignore[arg-type]
    context.add_cookies(cookies)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto(f"{live_server.url}/log/?choose=1")
    page.get_by_label("Name of the spot").fill("shared")
    page.get_by_role("button", name="Find").click()
    page.get_by_text("Canary Shared Pile").click()
    choose(page, "method", "rod")
    choose(page, "found", "nothing")
    page.get_by_role("button", name="Seal: nothing there").click()
    assert "Minutes are missing" in page.get_by_role("alert").inner_text()
    page.locator("[name=minutes]").fill("25")
    page.get_by_role("button", name="Seal: nothing there").click()
    page.wait_for_url("**/log/*-*/")
    assert Observation.objects.get().minutes == 25
    context.close()


def test_a_checker_names_and_decides_by_keys_alone(visit: OpenVisit, cast: Cast, places: Places) -> None:
    for species in ("bluegill", "white-crappie"):
        look(cast, "member", places.shared, "rod", timezone.now(), findings=found(species))
    checker = visit("checker")
    page = checker.open("/proofs/")
    for _ in range(2):  # bluegill is the sixth: right once, wrong once
        page.keyboard.press("6")
        with page.expect_navigation():
            page.keyboard.press("Enter")
    assert "You differ" in page.get_by_role("main").inner_text()
    assert BlindName.objects.count() == 2
    page.keyboard.press("2")
    page.keyboard.type("out of the picture")
    page.keyboard.press("Enter")
    page.get_by_text("No proofs wait for you.").wait_for()
    assert sorted(Confirmation.objects.values_list("decision", flat=True)) == ["confirmed", "rejected"]
    assert checker.trouble == []
