"""How many taps the log page takes, counted as they are made; slips are put right and forgiven."""

import random
import time
import uuid
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Locator, Page

from observations.camera_check import drawn, key_of
from observations.models import Finding, Observation
from tests.browser.conftest import Visit
from tests.conftest import Cast, Places

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

OpenVisit = Callable[..., Visit]


class Taps:
    """A thumb that counts. What it taps must be on the page and reachable."""

    def __init__(self, page: Page) -> None:
        self.page, self.count = page, 0

    def on(self, target: Locator) -> None:
        target.click()
        self.count += 1

    def choose(self, name: str, value: str) -> None:
        self.on(self.page.locator(f"label:has([name='{name}'][value='{value}'])"))

    def press(self, name: str) -> None:
        self.on(self.page.get_by_role("button", name=name))

    def sealed(self) -> None:
        self.page.wait_for_url("**/log/*-*/")


CALL = (
    ("method", "forward"),
    ("g0-band", "4-8"),
    ("g0-placement", "over"),
    ("g0-call", "crappie"),
    ("g0-sure", "80"),
)


def seal_a_call(taps: Taps) -> None:
    for name, value in CALL:
        taps.choose(name, value)
    taps.press("Seal this call")
    taps.sealed()


def test_a_look_takes_eight_taps_and_the_next_nothing_there_three(visit: OpenVisit, places: Places) -> None:
    member = visit("member", "phone")
    taps = Taps(member.open("/log/"))
    taps.on(taps.page.get_by_text("Canary Shared Pile"))
    seal_a_call(taps)
    assert taps.count <= 8, taps.count
    # Later on the trip: the page opens at the spot, with the method, from any page's own link.
    again = Taps(member.open("/"))
    again.on(again.page.locator("a[href='/log/']:visible").first)
    again.choose("g0-band", "none")
    again.press("Seal: nothing there")
    again.sealed()
    assert again.count == 3
    assert [one.method for one in Observation.objects.all()] == ["forward", "forward"]
    assert member.trouble == []


def test_a_call_is_proved_in_two_more_taps_and_as_the_same_fish_in_three(
    visit: OpenVisit, places: Places
) -> None:
    member = visit("member", "phone")
    taps = Taps(member.open(f"/log/?spot={places.shared.pk}"))
    seal_a_call(taps)
    sealed = taps.page.url
    for by, link, tie in (("camera", "Prove it by camera", ""), ("rod", "by rod", "same fish")):
        taps.page.goto(sealed)
        taps.on(taps.page.get_by_role("link", name=link))
        before = taps.count
        taps.choose("f0-species", "white-crappie")
        if tie:
            taps.choose("f0-tie", tie)
        taps.press("Seal this look")
        taps.sealed()
        assert taps.count - before == (3 if tie else 2)
        one = Finding.objects.get(look__method=by)
        assert (one.species_id, one.tie) == ("white-crappie", tie or "same cover")
        assert one.settles and one.settles.look.method == "forward"
    assert member.trouble == []


def test_taking_back_is_two_taps_and_one_slip_does_nothing(visit: OpenVisit, places: Places) -> None:
    taps = Taps(visit("member", "phone").open(f"/log/?spot={places.shared.pk}"))
    seal_a_call(taps)
    for ask, yes in (("Withdraw the call", "withdraw it"), ("Undo this look", "take it back")):
        first = taps.page.locator("summary", has_text=ask)
        # Tapped twice in the same place, it opens and closes again.
        box = first.bounding_box()
        assert box
        for _ in range(2):
            taps.page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        assert not taps.page.get_by_role("button", name=yes).is_visible()
        before = taps.count
        taps.on(first)
        taps.press(yes)
        taps.page.get_by_role("status").wait_for()
        assert taps.count - before == 2
        one = Observation.objects.get()
        call_gone, look_gone = one.groups.get().call.withdrawn_at, one.withdrawn_at
        assert (call_gone is not None, look_gone is not None) == (True, "look" in ask)


def test_with_a_slip_in_ten_a_look_takes_under_twenty_seconds(
    visit: OpenVisit, places: Places, capsys: Any
) -> None:
    """One second a tap, as a thumb takes, and the machine's own time; each slip lands beside and is put right."""
    member, chance, took, slips = visit("member", "phone"), random.Random(7), [], 0  # noqa: S311
    for _ in range(4):
        taps = Taps(member.open("/log/?choose=1"))
        began = time.monotonic()
        if chance.random() < 0.1:  # another spot, and back
            taps.on(taps.page.get_by_text("Canary Private Laydown"))
            taps.on(taps.page.get_by_role("link", name="Change"))
            slips += 1
        taps.on(taps.page.get_by_text("Canary Shared Pile").first)
        for name, value in CALL:
            if chance.random() < 0.1:
                other = taps.page.locator(
                    f"label:has([name='{name}']:not([value='{value}'], [value='none']))"
                )
                taps.on(other.first)
                slips += 1
            taps.choose(name, value)
        taps.press("Seal this call")
        taps.sealed()
        took.append(taps.count * 1.0 + time.monotonic() - began)
    assert [one.groups.get().call.probability for one in Observation.objects.all()] == [0.8] * 4
    assert slips, "the draw made no slip"
    with capsys.disabled():
        print(f"\nfour looks with {slips} slips, at 1 s a tap: " + ", ".join(f"{one:.1f} s" for one in took))
    assert max(took) <= 20


def test_the_page_draws_for_the_camera_as_the_server_does(
    visit: OpenVisit, cast: Cast, places: Places, settings: Any
) -> None:
    """Both by the same look numbers; then the whole way: drawn, asked, refused."""
    settings.CAMERA_CHECK_ODDS = 0.3
    page = visit("member", "phone").open(f"/log/?spot={places.shared.pk}")
    looks = [str(uuid.UUID(int=number, version=4)) for number in range(300)]
    theirs = page.evaluate(
        """async (looks) => {
            const { drawn } = await import("/static/js/camera-check.js");
            const { key, odds } = document.querySelector("[data-camera-check]").dataset;
            return Promise.all(looks.map((look) => drawn(key, look, Number(odds))));
        }""",
        looks,
    )
    assert theirs == [drawn(key_of(cast.member.pk), uuid.UUID(one), 0.3) for one in looks]
    assert 60 < sum(theirs) < 120
    settings.CAMERA_CHECK_ODDS = 1.0
    taps = Taps(page)
    seal_a_call(taps)
    page.get_by_role("heading", name="Camera on this one, whatever it looks like").wait_for()
    taps.press("Not this time")
    page.get_by_text("You said not this time, and that is kept.").wait_for()
