"""The whole main job: one posts, another confirms, the worker computes, a third sees it on the chart."""

import subprocess
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from django.utils import timezone
from PIL import Image

from observations import jobs
from tests.browser.conftest import Visit
from tests.conftest import Cast, Places, look, sonar

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_confirmed_look_reaches_the_chart_of_a_third_viewer(
    visit: Callable[..., Visit], worker: subprocess.Popen[bytes], cast: Cast, places: Places, tmp_path: Path
) -> None:
    # A club with a little past, and parameters fitted to it.
    for day in range(3, 8):
        at = timezone.now() - timedelta(days=day)
        look(cast, "member", places.shared, "2d", at, groups=sonar("white-crappie", 0.7))
    jobs.refit()
    rival = visit("rival", password=True)
    before = rival.open(f"/spots/{places.shared.pk}/").content()
    assert "verified here" in before, "nothing is verified yet"

    # The member drops a camera, finds bluegill, and adds a picture.
    picture = tmp_path / "IMG_0001.jpg"
    Image.new("RGB", (800, 600), (40, 80, 60)).save(picture)
    page = visit("member", "phone", password=True).open(f"/log/?spot={places.shared.pk}")
    page.locator("label", has_text="Camera").first.click()
    page.locator("label", has_text="found fish").click()
    page.locator("label:has([name=f0-species][value=bluegill])").click()
    page.locator("[name=f0-count]").fill("3")
    page.locator("[name=minutes]").fill("6")
    page.locator("input[type=file]").first.set_input_files(picture)
    page.get_by_role("button", name="Seal this look").click()
    page.wait_for_url("**/log/*-*/")
    assert "bluegill" in page.content().lower()

    # The checker names it blind.
    page = visit("checker", password=True).open("/proofs/")
    page.wait_for_load_state()
    text = page.get_by_role("main").inner_text()
    assert "Canary" not in text and "Member" not in text, "the checker sees neither the spot nor the observer"
    page.locator("label", has_text="bluegill").first.click()
    confirmed = time.monotonic()
    page.get_by_role("button", name="Name it").click()
    page.wait_for_load_state()

    # The third viewer's chart knows it within ten seconds.
    feature = None
    while time.monotonic() - confirmed < 10:
        answer = rival.page.evaluate("async () => (await fetch('/api/spots/?species=bluegill')).json()")
        feature = next(f for f in answer["features"] if f["id"] == str(places.shared.pk))
        if feature["properties"]["grade"] == "verified":
            break
        time.sleep(0.2)
    took = time.monotonic() - confirmed
    assert feature and feature["properties"]["grade"] == "verified"
    print(f"\nfrom the checker's click to the third viewer's chart: {took:.1f} s")
    page = rival.open("/?species=bluegill&grade=verified&view=list")
    row = page.locator("tr", has_text="Canary Shared Pile")
    assert "verified" in row.inner_text()
    page = rival.open(f"/spots/{places.shared.pk}/")
    sheet = page.get_by_role("main").inner_text()
    assert "Bluegill" in sheet and "checked by Checker" in sheet
    assert rival.elsewhere == []
