"""The chart page in a browser: the list equals the map, the keyboard reaches all of it, nothing leaves the house."""

from collections.abc import Callable
from typing import Any

import pytest
from django.conf import settings
from playwright.sync_api import Browser, Page, expect

from tests.browser.conftest import ROOT, SIZES, Visit
from tests.conftest import Cast, Places

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

AXE = ROOT / ".local" / "assets" / "node_modules" / "axe-core" / "axe.min.js"
PRIVATE, SHARED = "Canary Private Laydown", "Canary Shared Pile"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def chart(window: Visit, query: str = "") -> Page:
    page = window.open(f"/{query}")
    page.wait_for_selector(".chart-page.ready")
    return page


def violations(page: Page) -> list[str]:
    if not AXE.exists():
        pytest.fail(
            "axe-core is not installed: `python3 manage.py test` installs it with the browser assets."
        )
    page.evaluate(AXE.read_text())
    found = page.evaluate("rules => axe.run(document, { runOnly: rules })", RULES)
    return [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found["violations"]]


def shown(page: Page) -> list[dict[str, Any]]:
    """What the API gives this reader for this chart."""
    answer = page.evaluate("async () => (await fetch('/api/spots/?view=chart')).json()")
    features: list[dict[str, Any]] = answer["features"]
    return features


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("persona", ["nobody", "member"])
def test_axe_finds_nothing_on_the_chart_its_list_or_its_panel(
    visit: Callable[..., Visit], places: Places, persona: str, size: str
) -> None:
    window = visit(persona, size)
    page = chart(window)
    assert violations(page) == []
    page.locator(".spot-sign, .zone").first.dispatch_event("click")
    expect(page.locator(".chart-panel.chosen h2")).to_be_visible()
    assert violations(page) == []
    assert violations(chart(window, "?view=list")) == []
    assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size]["width"]
    assert window.elsewhere == []
    assert window.trouble == []


def test_the_list_names_every_spot_that_the_chart_may_show_and_no_other(
    visit: Callable[..., Visit], places: Places
) -> None:
    for persona in ("member", "teammate", "nobody"):
        page = chart(visit(persona), "?view=list")
        wanted = sorted(f["properties"]["name"] for f in shown(page))
        assert wanted, persona
        assert sorted(page.locator(".chart-list tbody .list-name").all_inner_texts()) == wanted, persona
        drawn = page.locator(".spot-sign").count()
        assert drawn == sum((f["geometry"] or {}).get("type") == "Point" for f in shown(page)), persona


def test_below_exact_there_is_a_hatched_zone_and_no_sign(visit: Callable[..., Visit], places: Places) -> None:
    page = chart(visit("nobody"))
    assert page.locator(".spot-sign").count() == 0
    zone = page.locator(".zone").first
    expect(zone).to_be_attached()
    fill = zone.evaluate("e => getComputedStyle(e).fill")
    assert "zone-hatch" in fill
    assert page.locator("#zone-hatch").count() == 1
    assert "within th" in (zone.get_attribute("aria-label") or "")


def test_the_chart_is_fitted_to_the_water_whoever_looks(visit: Callable[..., Visit], places: Places) -> None:
    borders = {
        persona: chart(visit(persona)).locator(".neat-dark").get_attribute("d")
        for persona in ("nobody", "member", "captain")
    }
    assert borders["nobody"]
    assert len(set(borders.values())) == 1


def test_the_keyboard_reaches_a_spot_opens_it_and_comes_back(
    visit: Callable[..., Visit], places: Places
) -> None:
    page = chart(visit("member"))
    page.locator(".chart-map").focus()
    page.keyboard.press("Tab")
    focused = page.locator(":focus")
    first = focused.get_attribute("data-id")
    assert first
    # Arrow keys go to others; each stop is one of the shown places.
    reached = {first}
    for key in ("ArrowRight", "ArrowDown", "ArrowLeft", "ArrowUp") * 2:
        page.keyboard.press(key)
        reached.add(focused.get_attribute("data-id") or "")
    assert len(reached) >= 2
    held = focused.get_attribute("data-id")
    page.keyboard.press("Enter")
    expect(page.locator(".chart-panel.chosen h2")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator(f"[data-id='{held}']")).to_be_focused()
    assert not page.locator(".chart-panel.chosen").count()


def test_the_panel_is_the_servers_own_and_names_the_spot(visit: Callable[..., Visit], places: Places) -> None:
    page = chart(visit("member"), "?view=list")
    page.get_by_role("button", name=PRIVATE, exact=True).click()
    expect(page.locator(".chart-panel h2")).to_have_text(PRIVATE)
    expect(page.locator(".panel-acts .primary")).to_have_attribute("href", f"/log/?spot={places.private.pk}")
    assert f"spot={places.private.pk}" in page.url


def test_a_filter_changes_what_fits_and_the_address(visit: Callable[..., Visit], places: Places) -> None:
    page = chart(visit("member"))
    expect(page.locator("[data-count]")).not_to_have_text("0 spots fit")
    page.locator("label", has_text="verified").first.click()
    expect(page.locator("[data-count]")).to_have_text("0 spots fit")
    expect(page.locator("[data-told]")).to_be_visible()
    assert "grade=verified" in page.url


def test_a_chosen_month_is_named_wherever_a_chance_is(visit: Callable[..., Visit], places: Places) -> None:
    page = chart(visit("member"))
    expect(page.locator(".chart-panel h2")).to_have_text("Most likely now")
    page.locator("form.wide label", has_text="October").click()
    expect(page.locator(".chart-panel h2")).to_have_text("Most likely in October")
    expect(page.locator("[data-sort=chance]")).to_have_text("Chance in October")
    assert "season=10" in page.url


def test_without_a_script_the_list_is_there(
    browser: Browser, live_server: Any, client_of: Callable[..., Any], cast: Cast, places: Places
) -> None:
    cookie = client_of("member").cookies[settings.SESSION_COOKIE_NAME]
    context = browser.new_context(java_script_enabled=False)
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()
    page.goto(live_server.url + "/?view=list")
    names = page.locator(".chart-list tbody th a").all_inner_texts()
    context.close()
    assert PRIVATE in names
    assert SHARED in names
