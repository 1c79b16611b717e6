"""Calls, the field guide, practice and the queue on a phone and a desktop: axe finds nothing, the keys work."""

import uuid
from collections.abc import Callable
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from observations import jobs
from observations.clearing_models import ClearedPicture
from observations.models import BlindCall, Confirmation
from tests.browser.conftest import SIZES, Visit, choose
from tests.browser.test_chart_page import violations
from tests.conftest import Cast, Places, found, look, sonar

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def fill(cast: Cast, places: Places) -> None:
    """Twelve proved calls of the checker's, two proofs that wait for them, and a cleared picture to practise on."""
    start = timezone.now() - timedelta(days=13)
    for day in range(12):
        at = start + timedelta(days=day)
        look(cast, "checker", places.shared, "2d", at, groups=sonar("white-crappie", 0.8), seal="record")
        look(
            cast, "checker", places.shared, "camera", at + timedelta(minutes=9), minutes=6,
            findings=found("white-crappie" if day % 3 else "bluegill", 2, tie="same fish"),
        )  # fmt: skip
    for hours, species in ((5, "largemouth-bass"), (3, "bluegill")):
        at = timezone.now() - timedelta(hours=hours)
        look(cast, "member", places.shared, "rod", at, findings=found(species))
    ClearedPicture.objects.create(
        id=uuid.uuid4(), method="2d", species_id="white-crappie", number=5, length_mm=260
    )
    jobs.refit()


@pytest.mark.parametrize("size", SIZES)
def test_calls_guide_practice_and_queue(
    visit: Callable[..., Visit], cast: Cast, places: Places, size: str
) -> None:
    fill(cast, places)
    window = visit("checker", size)
    for path in ("/calls/", "/calls/?who=me", "/calls/?method=2d", "/calls/guide/", "/proofs/decided/"):
        page = window.open(path)
        assert violations(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size]["width"], path

    page = window.open("/calls/blind/")
    assert violations(page) == []
    page.get_by_label("What is it").select_option("crappie")
    for name, value in (("band", "4-8"), ("size", "large"), ("sure", "80")):
        choose(page, name, value)
    page.get_by_role("button", name="Seal this call").click()
    expect(page.get_by_role("heading", name="White crappie")).to_be_visible()
    assert violations(page) == []
    made = BlindCall.objects.get()
    assert (made.right, made.band == made.true_band, made.size == made.true_size) == (True, True, True)

    page = window.open("/proofs/?order=oldest")
    assert violations(page) == []
    first = page.locator("[data-first]")
    if size == "phone":
        first.focus()
    expect(first).to_be_focused()
    page.keyboard.press("1")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Verified: you and the observer both say")).to_be_visible()
    assert "order=oldest" in page.url
    assert Confirmation.objects.get().undone_at is None
    page.locator("[data-first]").focus()
    page.keyboard.press("u")
    expect(page.get_by_role("heading", name="Decide again")).to_be_visible()
    assert Confirmation.objects.get().undone_at is not None
    assert violations(page) == []
    assert window.elsewhere == []
    # The practice picture has a row and no file here.
    assert [told for told in window.trouble if "404" not in told] == []
