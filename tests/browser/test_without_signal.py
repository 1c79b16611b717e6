"""Logging without signal: nothing is lost, nothing doubled, and the phone keeps no more places than it may."""

import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings as site
from django.db.models import Count
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page

from observations.camera_check_models import CameraCheck
from observations.models import Call, Observation, Picture
from observations.services import record_look
from spots.models import Spot
from tests.browser.conftest import FLAGS, SIZES, choose, chromium_path
from tests.browser.faults import FaultyProxy
from tests.conftest import Places

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# The whole day by `TALLOW_OUTBOX_LOOKS=50 python3 manage.py test tests/browser/test_without_signal.py -s -p no:xdist`.
LOOKS = int(os.environ.get("TALLOW_OUTBOX_LOOKS", "10"))
PICTURES = LOOKS * 2 // 5
FAULTS = 0.2


class Phone:
    """A browser with a profile on the disk, behind a network that comes and goes."""

    def __init__(self, browser: Browser, profile: Path, proxy: FaultyProxy) -> None:
        self.browser, self.profile, self.proxy = browser, profile, proxy
        self.base = f"http://localhost:{proxy.port}"
        self.context: BrowserContext | None = None
        self.trouble: list[str] = []

    def open(self) -> Page:
        for lock in self.profile.glob("Singleton*"):
            lock.unlink()
        self.context = self.browser.browser_type.launch_persistent_context(
            str(self.profile), executable_path=chromium_path(), args=list(FLAGS), viewport=SIZES["phone"],  # type: ignore[arg-type]
            service_workers="allow",
        )  # fmt: skip
        self.context.set_default_timeout(20_000)
        page = self.context.pages[0]
        page.on("pageerror", lambda error: self.trouble.append(str(error)))
        page.on("dialog", lambda dialog: dialog.accept())
        return page

    def kill(self) -> None:
        """End the browser as a dead battery does."""
        for entry in Path("/proc").iterdir():
            if entry.name.isdecimal():
                try:
                    line = (entry / "cmdline").read_bytes()
                except OSError:
                    continue
                if str(self.profile).encode() in line and b"--type=" not in line:
                    os.kill(int(entry.name), signal.SIGKILL)
        self.close()

    def close(self) -> None:
        if self.context:
            try:
                self.context.close()
            except Exception as error:  # the browser of `kill` is gone already
                assert "closed" in str(error).lower(), error
        self.context = None

    def sign_in(self, page: Page, client: Any) -> None:
        cookie = client.cookies[site.SESSION_COOKIE_NAME]
        assert self.context
        self.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": self.base,
                                   "expires": time.time() + 86_400}])  # fmt: skip
        page.goto(f"{self.base}/log/")
        page.wait_for_selector("html[data-ready=offline]", state="attached")
        # Not `wait_for_function`, which evaluates text in the page: its policy refuses that.
        while not page.evaluate("Boolean(navigator.serviceWorker.controller)"):
            page.wait_for_timeout(50)


@pytest.fixture
def phone(
    browser: Browser, live_server: Any, tmp_path: Path, places: Places, client_of: Callable[..., Any]
) -> Iterator[Phone]:
    target = urlsplit(live_server.url)
    proxy = FaultyProxy((target.hostname or "", target.port or 0))
    device = Phone(browser, tmp_path / "profile", proxy)
    yield device
    device.close()
    proxy.down()


def log_one(
    page: Page,
    phone: Phone,
    spot: Spot,
    number: int,
    picture: Path | Sequence[Path] | None,
    secchi: str = "",
) -> None:
    """Log one look by taps, with what the trip carried."""
    page.goto(f"{phone.base}/log/?spot={spot.pk}")
    page.wait_for_selector("html[data-began]", state="attached")
    if number % 3 == 0:
        choose(page, "method", "down")
        choose(page, "g0-band", "none")
    else:
        choose(page, "method", "forward")
        choose(page, "g0-band", "4-8")
        choose(page, "g0-call", "crappie")
        choose(page, "g0-sure", "80")
    page.locator("[name=note]").evaluate("(box, text) => { box.value = text; }", f"look {number}")
    page.locator("[name=secchi]").evaluate("(box, text) => { box.value = text; }", secchi)
    if picture:
        page.locator("[name=pictures]").set_input_files(picture)
    page.locator("[data-seal]").click()
    page.wait_for_url("**/log/offline/?queued=*")


def waiting(page: Page) -> int:
    """Return how many looks this phone has not sent."""
    return int(page.evaluate("import('/static/js/store.js').then((s) => s.all()).then((all) => all.length)"))


def wait_until_sent(page: Page, longest: float = 90) -> None:
    deadline = time.monotonic() + longest
    while waiting(page):
        assert time.monotonic() < deadline, page.locator("[data-waiting]").inner_text()
        page.evaluate("import('/static/js/outbox.js').then((outbox) => outbox.tryNow())")
        page.wait_for_timeout(100)


def test_looks_and_pictures_logged_without_signal_arrive_once_each(
    phone: Phone, places: Places, client_of: Callable[..., Any], tmp_path: Path
) -> None:
    shots = []
    for number in range(PICTURES):
        shots.append(tmp_path / f"{number}.jpg")
        # The first is large enough to go in parts.
        size = (320, 240) if number else (1100, 900)
        Image.effect_noise(size, 40 + number).convert("RGB").save(shots[-1], quality=90)
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    phone.proxy.down()
    began = time.monotonic()
    for number in range(LOOKS // 2):
        log_one(page, phone, places.private, number, shots[number] if number < PICTURES else None)
    phone.close()  # closed, and opened again without any network
    page = phone.open()
    opened = time.monotonic()
    page.goto(f"{phone.base}/log/?spot={places.private.pk}")
    page.wait_for_selector("html[data-began]", state="attached")
    cold = time.monotonic() - opened
    assert page.locator("[data-seal]").is_visible()
    assert f"{LOOKS // 2} looks wait to send" in page.locator("[data-outbox]").inner_text()
    for number in range(LOOKS // 2, LOOKS):
        log_one(page, phone, places.private, number, None)
    logged = time.monotonic() - began
    assert Observation.objects.count() == 0
    phone.proxy.rate = FAULTS
    phone.proxy.up()
    while waiting(page) >= LOOKS * 4 // 5:
        # Not awaited, and asked for again, or what a loss costs is the phone's patience: up to half a minute.
        page.evaluate("import('/static/js/outbox.js').then((outbox) => { outbox.tryNow(); })")
        page.wait_for_timeout(50)
    phone.kill()  # and the battery dies in the middle of the queue
    killed_at = Observation.objects.count()
    assert 0 < killed_at < LOOKS
    page = phone.open()
    for _ in range(20):  # a page load may be lost as well
        try:
            page.goto(f"{phone.base}/log/offline/?waiting")
            page.wait_for_selector("html[data-began]", state="attached", timeout=4000)
            break
        except Exception:  # noqa: S112 - asked again
            continue
    sending = time.monotonic()
    wait_until_sent(page)
    sent = time.monotonic() - sending
    notes = list(Observation.objects.order_by("started_at").values_list("note", flat=True))
    asked = phone.proxy.passed + sum(phone.proxy.lost.values())
    print(
        f"\n{LOOKS} looks logged in {logged:.1f} s, offline cold start {cold:.2f} s, the rest sent in {sent:.1f} s"
    )
    print(f"{dict(phone.proxy.lost)} of {asked} requests lost; killed with {killed_at} looks there")
    assert notes == [f"look {number}" for number in range(LOOKS)], "each once, in order"
    assert Picture.objects.count() == PICTURES
    assert Picture.objects.values("look").distinct().count() == PICTURES
    assert set(Call.objects.values_list("seal", flat=True)) <= {"device", "server"}
    assert all(phone.proxy.lost[kind] for kind in ("before", "during", "after"))
    assert phone.trouble == []


@pytest.mark.skipif("TALLOW_FORTY_PICTURES" not in os.environ, reason="minutes; by TALLOW_FORTY_PICTURES=1")
def test_forty_pictures_of_twelve_megapixels_over_a_bad_link(
    phone: Phone, places: Places, client_of: Callable[..., Any], tmp_path: Path
) -> None:
    """Eight looks of five; one request in five is lost."""
    grain = Image.effect_noise((1000, 750), 50).resize((4000, 3000)).convert("RGB")
    shots = []
    for number in range(40):
        shots.append(tmp_path / f"{number}.jpg")
        grain.rotate(number).save(shots[-1], quality=95)
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    phone.proxy.down()
    for number in range(8):
        log_one(page, phone, places.private, number, shots[5 * number : 5 * number + 5])
    phone.proxy.rate = FAULTS
    phone.proxy.up()
    began = time.monotonic()
    wait_until_sent(page, longest=1200)
    took, sizes = time.monotonic() - began, sum(shot.stat().st_size for shot in shots)
    print(f"\n40 pictures, {sizes / 1e6:.0f} MB, sent in {took:.0f} s; {dict(phone.proxy.lost)} lost")
    assert Picture.objects.count() == 40
    per_look = Picture.objects.values("look").annotate(n=Count("id")).values_list("n", flat=True)
    assert sorted(per_look) == [5] * 8
    assert list((Path(site.MEDIA_ROOT) / "parts").glob("*")) == []
    assert phone.trouble == []


def test_the_camera_is_asked_for_without_signal_and_the_answer_goes_out_with_the_look(
    phone: Phone, places: Places, client_of: Callable[..., Any], settings: Any
) -> None:
    settings.CAMERA_CHECK_ODDS = 1.0
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    phone.proxy.down()
    log_one(page, phone, places.private, 0, None)
    page.get_by_role("heading", name="Camera on this one, whatever it looks like").wait_for()
    page.get_by_role("button", name="Not this time").click()
    page.get_by_text("Not this time: that is kept, and goes out with the look.").wait_for()
    phone.proxy.up()
    wait_until_sent(page)
    check = CameraCheck.objects.get()
    assert (check.look.random_check, check.answer, check.odds) == (True, "refused", 1.0)
    assert phone.trouble == []


STORE = "import('/static/js/store.js')"


def kept(page: Page) -> dict[str, Any]:
    """Return what the phone keeps: the places of its pack, those carried by choice, the page, and what waits."""
    found: dict[str, Any] = page.evaluate(
        f"""{STORE}.then(async (store) => ({{
            own: ((await store.recall("pack"))?.spots ?? []).map((spot) => spot.id),
            carried: ((await store.recall("carried")) ?? []).map((one) => one.spots.length),
            page: await caches.has(store.SHELL),
            waiting: (await store.all()).map((one) => one.state),
        }}))"""
    )
    return found


def test_places_go_with_the_sign_in_and_what_waits_stays_until_its_member_says(
    phone: Phone, places: Places, client_of: Callable[..., Any]
) -> None:
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    assert kept(page)["own"] == [str(places.private.pk)]
    page.goto(f"{phone.base}/log/offline/?choose")
    page.get_by_role("button", name="Carry them").click()
    page.locator("[data-carried] li").wait_for()
    assert page.locator("[data-spots] li").count() > 1
    phone.proxy.down()
    log_one(page, phone, places.private, 1, None)
    phone.proxy.up()
    # The session ends on its own: a page that comes to nobody forgets the places, not the work.
    assert phone.context
    phone.context.clear_cookies()
    page.goto(f"{phone.base}/events/")
    deadline = time.monotonic() + 10
    while (now := kept(page)) != {"own": [], "carried": [], "page": False, "waiting": ["waiting"]}:
        assert time.monotonic() < deadline, now
        page.wait_for_timeout(50)
    # Somebody else's sign-in sends nothing of it.
    phone.sign_in(page, client_of("teammate"))
    page.evaluate("import('/static/js/outbox.js').then((outbox) => outbox.tryNow())")
    assert (kept(page)["waiting"], Observation.objects.count()) == (["waiting"], 0)
    # The member is back: it goes out.
    phone.sign_in(page, client_of("member"))
    wait_until_sent(page)
    assert Observation.objects.count() == 1
    # Signing out wipes the phone, after a question when something waits.
    phone.proxy.down()
    log_one(page, phone, places.private, 2, None, secchi="900")  # which the server refuses: it stays
    phone.proxy.up()
    page.goto(f"{phone.base}/log/offline/?waiting")
    page.get_by_text("Needs you: ").wait_for()
    asked: list[str] = []
    page.on("dialog", lambda dialog: asked.append(dialog.message))
    page.evaluate("document.querySelector('form[action=\"/sign-out/\"]').requestSubmit()")
    page.locator("body[data-member='']").wait_for()
    assert kept(page) == {"own": [], "carried": [], "page": False, "waiting": []}
    assert ["1 look was not sent" in words for words in asked] == [True]
    assert Observation.objects.count() == 1


def test_a_look_that_the_server_refuses_stays_and_says_why(
    phone: Phone, places: Places, client_of: Callable[..., Any]
) -> None:
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    phone.proxy.down()
    page.goto(f"{phone.base}/log/?spot={places.private.pk}")
    page.wait_for_selector("html[data-began]", state="attached")
    choose(page, "method", "down")
    choose(page, "g0-band", "none")
    page.locator("[name=secchi]").evaluate("(box) => { box.value = '900'; }")
    page.locator("[data-seal]").click()
    page.wait_for_url("**/log/offline/?queued=*")
    phone.proxy.up()
    page.goto(f"{phone.base}/log/offline/?waiting")
    page.get_by_text("Needs you: ").wait_for()
    assert "900" in page.locator("[data-waiting]").inner_text()
    page.get_by_role("link", name="Put it right").click()
    page.get_by_role("alert").wait_for()
    page.locator("[name=secchi]").fill("9")
    page.locator("[data-seal]").click()
    page.wait_for_url("**/log/*-*/")
    assert Observation.objects.count() == 1
    assert waiting(page) == 0


def test_a_place_that_is_no_spot_is_kept_and_becomes_one(
    phone: Phone, places: Places, client_of: Callable[..., Any]
) -> None:
    spots = Spot.objects.count()
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    phone.proxy.down()
    page.goto(f"{phone.base}/log/offline/?choose")
    page.get_by_role("link", name="A place that is no spot").click()
    page.get_by_label("Where you are").fill("10.0, 10.0")  # dry land, which the phone cannot know
    page.locator("[data-here] [name=name]").fill("Canary bend")
    page.get_by_role("button", name="Log a look here").click()
    page.wait_for_url("**/log/offline/?spot=*")
    for _ in range(2):
        page.wait_for_selector("html[data-began]", state="attached")
        choose(page, "method", "down")
        choose(page, "g0-band", "none")
        page.locator("[data-seal]").click()
        page.wait_for_url("**/log/offline/?queued=*")
        page.get_by_role("link", name="Log another look here").click()
        page.wait_for_url("**/log/offline/?spot=*")
    phone.proxy.up()
    page.goto(f"{phone.base}/log/offline/?waiting")
    page.get_by_text("Needs you: ").nth(1).wait_for()
    page.get_by_role("link", name="Put it right").first.click()
    page.wait_for_selector("html[data-began]", state="attached")
    assert page.get_by_label("Where you are").input_value() == "10.0, 10.0"
    page.get_by_label("Where you are").fill("45.02, -93.27")
    page.get_by_role("button", name="Log a look here").click()
    page.wait_for_url("**/log/offline/?waiting=")
    wait_until_sent(page)
    spot = Spot.objects.get(sheet__name="Canary bend")
    assert (Spot.objects.count(), Observation.objects.filter(spot=spot).count()) == (spots + 1, 2)
    assert spot.scope.startswith("member:")
    assert phone.trouble == []


def test_a_look_on_which_the_server_fails_keeps_no_other_waiting(
    phone: Phone, places: Places, client_of: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    page = phone.open()
    phone.sign_in(page, client_of("member"))
    phone.proxy.down()
    for number in range(2):
        log_one(page, phone, places.private, number, None)

    def fails(draft: Any, *more: Any) -> Any:
        if draft.note == "look 0":
            raise RuntimeError("a fault of the server's own")
        return record_look(draft, *more)

    with monkeypatch.context() as patched:
        patched.setattr("observations.log_views.record_look", fails)
        phone.proxy.up()
        deadline = time.monotonic() + 20
        while not Observation.objects.exists():
            assert time.monotonic() < deadline
            page.evaluate("import('/static/js/outbox.js').then((outbox) => outbox.tryNow())")
        assert Observation.objects.get().note == "look 1"
        assert waiting(page) == 1
    wait_until_sent(page)
    assert Observation.objects.count() == 2
