"""The sharing desk on a phone: what others would see is looked at, then saved; axe finds nothing."""

from collections.abc import Callable

import pytest
from django.contrib.gis.geos import Point
from django.utils import timezone
from playwright.sync_api import Page, expect

from spots.models import Grant, SharingChange
from spots.services import SpotDraft, create_spot
from tests.browser.conftest import Visit
from tests.browser.test_chart_page import violations
from tests.conftest import Cast, Places, see

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def no_violations(page: Page) -> None:
    assert violations(page) == [], page.url


def narrow_enough(page: Page) -> None:
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), page.url


def test_a_member_tries_a_spot_on_others_then_shares_it_and_takes_it_back(
    visit: Callable[..., Visit], cast: Cast, places: Places
) -> None:
    phone = visit("member", "phone")
    page = phone.open("/sharing/")
    no_violations(page)
    narrow_enough(page)
    expect(page.get_by_role("row", name="Canary Private Laydown")).to_contain_text("nobody else")
    page.get_by_role("link", name="Canary Private Laydown").click()
    no_violations(page)
    narrow_enough(page)

    # What would members and Team Bittern see?
    page.get_by_label("Who").first.select_option("members")
    page.get_by_label("How exactly").first.select_option("2")
    page.get_by_label("See it also as").select_option(f"team:{cast.bittern.pk}")
    page.get_by_role("button", name="See it as they would").click()
    cards = page.locator(".as-they-see > li")
    for who in ("Members", "Team Bittern"):
        card = cards.filter(has_text=who)
        expect(card).to_contain_text("a zone")
        expect(card).to_contain_text(" ha")
        expect(card.locator(".zone-square").first).to_be_visible()
        assert "Canary" not in card.inner_text(), "below exact a spot goes by no name"
    expect(cards.filter(has_text="Guests")).to_contain_text("there is no such spot")
    no_violations(page)
    assert not Grant.objects.filter(spot=places.private, audience="members").exists()

    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.get_by_role("status")).to_contain_text("Saved who sees Canary Private Laydown")
    assert Grant.objects.filter(spot=places.private, audience="members", level=2).exists()

    page = phone.open("/sharing/")
    page.get_by_text("Your last changes").click()
    page.get_by_role("button", name="Undo").click()
    expect(page.get_by_role("status")).to_contain_text("Undone")
    assert not Grant.objects.filter(spot=places.private, audience="members").exists()
    assert SharingChange.objects.get().undone_at is not None
    assert not phone.trouble and not phone.elsewhere


def test_an_organiser_narrows_many_spots_and_tries_a_policy(
    visit: Callable[..., Visit], cast: Cast, places: Places
) -> None:
    desk = visit("organiser", "phone")
    page = desk.open("/sharing/")
    for name in ("Canary Club Crib", "Canary Shared Pile"):
        page.get_by_label(f"Choose {name}").check()
    page.get_by_label("Who").select_option("members")
    page.get_by_label("How exactly").select_option("1")
    page.get_by_role("button", name="See what it would change").click()
    expect(page.get_by_role("main")).to_contain_text("Nothing is saved yet")
    # What is left to them is the public's zone: a member can sign out.
    row = page.get_by_role("row").filter(has_text="Members").filter(has_text="the exact place")
    expect(row).to_contain_text("a zone of 250 ha or more")
    expect(row).to_contain_text("see less")
    no_violations(page)
    narrow_enough(page)
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_url("**/sharing/")
    assert Grant.objects.filter(audience="members", level=1).count() == 2

    page = desk.open("/sharing/policy/?preset=closed")
    no_violations(page)
    narrow_enough(page)
    page.get_by_role("button", name="See what it would change").click()
    expect(page.get_by_role("main")).to_contain_text("For the club’s spots")
    no_violations(page)
    assert not desk.trouble and not desk.elsewhere


def test_the_links_and_the_projector_read_well(
    visit: Callable[..., Visit], cast: Cast, places: Places
) -> None:
    draft = SpotDraft(
        water=places.shared.water, name="Canary Twin", scope=f"member:{cast.member.pk}",
        point=Point(-93.265951, 45.044379, srid=4326),
    )  # fmt: skip
    with see(cast, "member"):
        twin = create_spot(draft, cast.viewer("member"), timezone.now())[0]
    phone = visit("member", "phone")
    page = phone.open(f"/sharing/links/new/?spot={twin.pk}")
    no_violations(page)
    page.get_by_label("Which spot is it").select_option(str(places.shared.pk))
    page.get_by_role("button", name="Propose").click()
    expect(page.get_by_role("main")).to_contain_text("Waits for the other owner")
    no_violations(page)
    narrow_enough(page)

    page = phone.open("/projector/")
    no_violations(page)
    page.get_by_role("button", name="Show the public’s view").click()
    page = phone.open("/waters/")
    page.get_by_text("Projector", exact=True).click()
    expect(page.get_by_role("link", name="Sign in to leave")).to_be_visible()
    no_violations(page)
    narrow_enough(page)
    assert not phone.elsewhere
