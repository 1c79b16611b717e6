"""Seasons on the spot sheet and on their own page, on a phone and a desktop: all of it open, axe finds nothing."""

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from playwright.sync_api import expect

from observations import jobs
from tests.browser.conftest import SIZES, Visit
from tests.browser.test_chart_page import violations
from tests.conftest import Cast, Places, found, look, sonar

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
MAY = datetime(2026, 5, 12, 11, tzinfo=UTC)


def test_seasons_are_read_on_the_sheet_and_on_their_page(
    visit: Callable[..., Visit], cast: Cast, places: Places
) -> None:
    look(
        cast,
        "member",
        places.shared,
        "down",
        MAY,
        groups=sonar("bluegill", 0.7, placement="over", depth_m=3.0),
    )
    look(cast, "captain", places.shared, "rod", MAY, rod_hours=2.0, water_temp_c=17.0,
         findings=found("bluegill", 3, depth_m=3.2))  # fmt: skip
    jobs.refit()
    for size in SIZES:
        window = visit("member", size)
        page = window.open(f"/spots/{places.shared.pk}/")
        for fold in page.locator("main .by-band details").all():
            fold.evaluate("fold => { fold.open = true }")
        for heading in ("By water temperature", "Catch with the rod", "How deep, and where in the cover"):
            expect(page.get_by_role("heading", name=heading)).to_be_visible()
        assert violations(page) == []
        page = window.open("/season/?species=bluegill&month=5")
        page.get_by_text("The months in figures").click()
        expect(page.get_by_role("heading", name="Where, in May")).to_be_visible()
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size]["width"]
        assert window.elsewhere == [] and window.trouble == []
