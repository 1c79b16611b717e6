"""A visit by six methods, on a phone and a desktop: read across, printed on a page, and soon there over a slow link."""

import io
import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as site
from django.db import connection
from django.utils import timezone
from playwright.sync_api import Page, expect

from observations import jobs
from observations.demo.echoart import Scene, screen
from observations.demo.stills import board, camera_still
from observations.models import EchoGroup, Finding
from observations.pictures import clean_picture, store
from tests.browser.conftest import ROOT, SIZES, Visit
from tests.browser.test_chart_page import violations
from tests.conftest import Cast, Places, found, look, see, sonar

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("quiet_queue"),
]

SONAR = ("2d", "down", "side", "forward")
# What measuring tools of browsers have long called fast 3G; their figures, from memory.
DOWN_BIT_S, UP_BIT_S, ROUND_TRIP_MS = 1_600_000, 750_000, 150
# Where each row of each method begins.
TOPS = "columns => columns.map((one) => [...one.querySelectorAll('dl > div')].map((row) => row.offsetTop))"


def a_visit(cast: Cast, places: Places) -> None:
    """Six looks within the hour at one spot, each with a picture as noisy as a screen; the camera settles the first."""
    at, pictures = timezone.now() - timedelta(days=2), []
    for number, method in enumerate(SONAR):
        made = look(
            cast, "member", places.shared, method, at + timedelta(minutes=5 * number), minutes=3,
            groups=sonar("white-crappie", 0.7, placement="over", depth_m=4.6), settings={"text": "200 kHz, 20° cone"},
        )  # fmt: skip
        pictures.append((made, None))
    settles = EchoGroup.objects.get(look=pictures[0][0]).pk
    camera = look(
        cast, "member", places.shared, "camera", at + timedelta(minutes=25), minutes=6, secchi_m=1.8,
        findings=found("largemouth-bass", 2, tie="same fish", settles=settles, depth_m=5.2),
    )  # fmt: skip
    rod = look(
        cast, "member", places.shared, "rod", at + timedelta(minutes=40), rod_hours=0.5,
        presentations=(("jig", 20, "landed"),), findings=found("bluegill", 1),
    )  # fmt: skip
    pictures += [(made, Finding.objects.get(look=made)) for made in (camera, rod)]
    look(
        cast, "member", places.shared, "2d", at + timedelta(days=1), groups=sonar("bluegill", 0.9)
    )  # another visit, by one method
    scene = Scene("white-crappie", 5, 4.6, "over", 7.0, "brush pile")
    for (made, finding), drawn in zip(
        pictures,
        [
            *(screen(method, scene, 7) for method in SONAR),
            camera_still("largemouth-bass", 2, 1.8, "brush pile", 7, depth_m=5.2),
            board("bluegill", 190.0, 7),
        ],
        strict=True,
    ):
        file = io.BytesIO()
        drawn.resize((2000, 1500)).save(file, "JPEG")
        file.seek(0)
        with see(cast, "member"):
            store([(clean_picture(file, "x.jpg"), finding)], made, cast.member, timezone.now())
    assert jobs.make_small_pictures() == 6


def over_fast_3g(page: Page, address: str) -> str:
    """Load a page over fast 3G with nothing kept; say when its text and the pictures in view are there."""
    told = page.context.new_cdp_session(page)
    sent: list[float] = []
    told.on("Network.loadingFinished", lambda event: sent.append(event["encodedDataLength"]))
    told.send("Network.enable")
    slow = {"latency": ROUND_TRIP_MS, "downloadThroughput": DOWN_BIT_S / 8, "uploadThroughput": UP_BIT_S / 8}
    told.send("Network.emulateNetworkConditions", {"offline": False, **slow})
    began = time.monotonic()
    page.goto(address, wait_until="domcontentloaded")
    text = time.monotonic() - began
    while not page.evaluate(
        "() => [...document.querySelectorAll('.plate img')]"
        ".filter((one) => one.getBoundingClientRect().top < innerHeight)"
        ".every((one) => one.complete && one.naturalWidth > 0)"
    ):
        page.wait_for_timeout(10)
    pictures = time.monotonic() - began
    told.send(
        "Network.emulateNetworkConditions",
        {"offline": False, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1},
    )
    return f"text after {text:.2f} s, pictures after {pictures:.2f} s, {sum(sent) / 1024:.0f} KiB"


@pytest.fixture
def served(transactional_db: None, tmp_path: Path) -> Iterator[str]:
    """The site as a club's server runs it, on the test's database: gunicorn, and static files compressed."""
    state, place = tmp_path / "state", connection.settings_dict
    state.mkdir()
    (state / "assets").symlink_to(site.ASSETS_DIR.parent)
    (state / "media").symlink_to(site.MEDIA_ROOT)
    environment = {
        **os.environ,
        "DATABASE_URL": f"host={place['HOST']} port={place['PORT'] or 5432} dbname={place['NAME']}",
        "TALLOW_DB_ROLE": "web",
        "TALLOW_STATE_DIR": str(state),
        "TALLOW_SECRET_KEY": site.SECRET_KEY,
        "DJANGO_SETTINGS_MODULE": "club.settings",
    }
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    run = {"cwd": ROOT, "env": environment, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    subprocess.run([sys.executable, "-m", "django", "collectstatic", "--noinput"], check=True, **run)  # type: ignore[call-overload]
    process = subprocess.Popen(  # noqa: S603 - our own
        [
            sys.executable,
            "-m",
            "gunicorn",
            "-w",
            "2",
            "--threads",
            "2",
            "-b",
            f"127.0.0.1:{port}",
            "club.wsgi",
        ],
        **run,  # type: ignore[call-overload]
    )
    base = f"http://localhost:{port}"
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        with suppress(OSError), urllib.request.urlopen(f"{base}/sign-in/"):  # noqa: S310 - our own
            break
        time.sleep(0.2)
    yield base
    process.terminate()
    process.wait(timeout=20)


@pytest.mark.skipif("TALLOW_FAST_3G" not in os.environ, reason="a figure, not a check; by TALLOW_FAST_3G=1")
def test_six_pictures_are_there_within_two_seconds_over_fast_3g(
    visit: Callable[..., Visit], cast: Cast, places: Places, served: str, client_of: Any
) -> None:
    """Prints the figure: a busy machine is no reason to fail."""
    a_visit(cast, places)
    cookie = client_of("newcomer").cookies[site.SESSION_COOKIE_NAME]
    for number, size in enumerate(("desktop", *SIZES, *SIZES)):
        page = visit("newcomer", size).page  # a browser that keeps nothing of the site
        page.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": served}])
        told = over_fast_3g(page, f"{served}/spots/{places.shared.pk}/side-by-side/")
        print(f"\n{size}: {told}; fast 3G, nothing kept{'' if number else ', and the server just begun'}")
        assert page.locator(".plate img").count() == 6
        page.context.close()


def pages_of(pdf: bytes) -> int:
    return pdf.count(b"/Type /Page\n")


def test_a_visit_lies_side_by_side_prints_on_a_page_and_is_soon_there(
    visit: Callable[..., Visit], cast: Cast, places: Places
) -> None:
    a_visit(cast, places)
    path = f"/spots/{places.shared.pk}/side-by-side/"
    for size in SIZES:
        window = visit("newcomer", size)
        page = window.page
        page.route("**/small/", lambda route: route.abort())
        window.open(path)
        bare = page.locator(".plate-column").evaluate_all(TOPS)
        page.unroute("**/small/")
        window.trouble.clear()  # the pictures that were kept away
        window.open(path)
        tops = page.locator(".plate-column").evaluate_all(TOPS)
        assert tops == bare, "nothing moves when a picture comes"
        assert len(tops[0]) == 5 and all(column == tops[0] for column in tops), "rows are read across"
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size]["width"]
        expect(page.locator(".plate-column")).to_have_count(6)
        camera = page.locator(".plate-column", has=page.get_by_role("heading", name="Camera")).inner_text()
        for told in ("2 largemouth bass at 5.2", "seen", "The same fish as 2D sonar, "):
            assert told in camera, (told, camera)
        first = page.locator(".plate-column").first.inner_text()
        for told in ("200 kHz", "4–8 echoes over the cover at 4.6", "said", "70 %", "Call was wrong", "seen"):
            assert told in first, (told, first)
        page.get_by_role("link", name="Lay another beside").click()
        page.get_by_label("Beside another visit").select_option(index=1)
        page.get_by_role("button", name="Lay out").click()
        expect(page.locator(".plate")).to_have_count(2)
        assert page.locator(".plate").nth(1).get_by_text("Not looked with this").count() == 5
        assert violations(page) == []
        assert window.elsewhere == [] and window.trouble == []
    assert pages_of(page.pdf(format="A4", prefer_css_page_size=True)) == 2, "each visit on a page of its own"
    page.goto(window.base + path)
    assert pages_of(page.pdf(format="Letter", prefer_css_page_size=True)) == 1


def test_axe_finds_nothing_on_the_pages_of_the_evidence_and_a_spot_is_left_alone(
    visit: Callable[..., Visit], cast: Cast, places: Places
) -> None:
    a_visit(cast, places)
    spot = f"/spots/{places.shared.pk}/"
    pages: dict[str, tuple[str, ...]] = {
        "member": (
            "/measures/",
            f"{spot}tried/",
            f"/waters/{places.shared.water_id}/tried/",
            "/calls/blind/",
            "/log/mine/",
            "/calls/guide/bluegill/",
        ),
        "organiser": ("/club/refits/", f"{spot}rest/", "/calls/"),
    }
    found_there: dict[str, Any] = {}
    for size in SIZES:
        for persona, paths in pages.items():
            window = visit(persona, size)
            for path in paths:
                page = window.open(path)
                wide = page.evaluate("document.documentElement.scrollWidth")
                if (told := violations(page)) or wide != SIZES[size]["width"]:
                    found_there[f"{path} {size}"] = (told, wide)
            assert window.elsewhere == [] and window.trouble == []
        # The organiser's window: the club's spot is to be left alone, and the sheet and the chart say so.
        until = timezone.now().date() + timedelta(days=len(size))
        page = window.open(f"{spot}rest/")
        page.locator("[name=until]").fill(until.isoformat())
        page.locator("[name=wind]").fill("north")
        page.get_by_role("button", name="Save").click()
        expect(page.get_by_text(f"Resting until {until:%-d %B %Y}")).to_be_visible()
        expect(page.get_by_text("north", exact=False).first).to_be_visible()
        page = window.open("/?view=list")
        expect(page.locator(".chart-list").get_by_text("resting until")).to_be_visible()
        assert window.elsewhere == [] and window.trouble == []
    assert found_there == {}
