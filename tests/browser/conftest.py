"""Headless Chromium against a live server, with a real worker where a test asks for one."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.signals import request_finished, request_started
from django.db import connection
from playwright.sync_api import Browser, Page, sync_playwright

from tests.conftest import Cast

ROOT = Path(__file__).resolve().parents[2]
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
    "--no-first-run",
)
SIZES = {"phone": {"width": 390, "height": 844}, "desktop": {"width": 1440, "height": 900}}


@pytest.fixture(scope="session", autouse=True)
def _sync_playwright_beside_django() -> None:
    # Playwright's sync API runs an event loop in this thread; Django would refuse its queries here.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=chromium_path(), args=list(FLAGS))
        yield chromium
        chromium.close()


def chromium_path() -> str:
    for path in ("/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"):
        if Path(path).exists():
            return path
    pytest.fail("Chromium is not installed: `python3 manage.py test` installs it where apt is there.")


class Traffic:
    """Count the requests that the live server is answering.

    A page may be loading still when its test has seen enough. The tables must not be emptied under that
    answer: it holds locks on some of them, and PostgreSQL then ends one of the two as a deadlock.
    """

    def __init__(self) -> None:
        self.lock, self.open, self.last = threading.Lock(), 0, 0.0
        request_started.connect(self._one_more, weak=False)
        request_finished.connect(self._one_less, weak=False)

    def _one_more(self, **_: Any) -> None:
        self._count(1)

    def _one_less(self, **_: Any) -> None:
        self._count(-1)

    def _count(self, change: int) -> None:
        with self.lock:
            self.open, self.last = self.open + change, time.monotonic()

    def settle(self, quiet: float = 0.25, longest: float = 30.0) -> None:
        """Wait until nothing has been asked or answered for `quiet` seconds."""
        deadline = time.monotonic() + longest
        while self.open > 0 or time.monotonic() - self.last < quiet:
            if time.monotonic() > deadline:
                pytest.fail(
                    f"{self.open} requests were still open {longest:.0f} s after their windows closed"
                )
            time.sleep(0.02)

    def forget(self) -> None:
        request_started.disconnect(self._one_more)
        request_finished.disconnect(self._one_less)


@pytest.fixture(autouse=True)
def _nothing_open_when_the_tables_are_emptied(transactional_db: None, live_server: Any) -> Iterator[None]:
    traffic = Traffic()
    yield
    traffic.settle()
    traffic.forget()


class Visit:
    """One person's browser window."""

    def __init__(self, page: Page, base: str) -> None:
        self.page, self.base = page, base
        self.elsewhere: list[str] = []
        self.trouble: list[str] = []
        page.on("request", lambda request: self._watch(request.url))
        page.on("console", lambda told: self.trouble.append(told.text) if told.type == "error" else None)
        page.on("pageerror", lambda error: self.trouble.append(str(error)))

    def _watch(self, url: str) -> None:
        if not url.startswith((self.base, "data:", "blob:")):
            self.elsewhere.append(url)

    def open(self, path: str) -> Page:
        self.page.goto(self.base + path)
        return self.page


@pytest.fixture
def visit(
    transactional_db: None,
    live_server: Any,
    browser: Browser,
    cast: Cast,
    client_of: Callable[..., Any],
) -> Iterator[Callable[..., Visit]]:
    """Open a window signed in as a persona; `password=True` goes through the sign-in page itself."""
    contexts = []

    def make(persona: str, size: str = "desktop", password: bool = False) -> Visit:
        context = browser.new_context(viewport=SIZES[size], reduced_motion="reduce")  # type: ignore[arg-type]
        contexts.append(context)
        context.set_default_timeout(15000)
        window = Visit(context.new_page(), live_server.url)
        if password:
            page = window.open("/sign-in/")
            page.get_by_label("Username").fill(persona)
            page.get_by_label("Password").fill(f"tallow-{persona}")
            page.get_by_role("main").get_by_role("button", name="Sign in").click()
            page.wait_for_url(lambda url: "sign-in" not in url)
        elif persona != "nobody":
            cookie = client_of(persona).cookies[settings.SESSION_COOKIE_NAME]
            context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
        return window

    yield make
    for context in contexts:
        context.close()


@pytest.fixture
def worker(transactional_db: None) -> Iterator[subprocess.Popen[bytes]]:
    """A real Celery worker on the real queue, signed in to the test database as the worker role."""
    place = connection.settings_dict
    environment = {
        **os.environ,
        "DATABASE_URL": f"host={place['HOST']} port={place['PORT'] or 5432} dbname={place['NAME']}",
        "TALLOW_DB_ROLE": "worker",
        "OPENBLAS_NUM_THREADS": "1",
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "celery", "-A", "club.celery", "worker", "-P", "solo", "-l", "info", "--without-gossip",
         "--without-mingle", "--without-heartbeat"],
        cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, close_fds=False,
    )  # fmt: skip
    assert process.stderr
    os.set_blocking(process.stderr.fileno(), False)
    told, deadline = b"", time.monotonic() + 60
    while b"ready." not in told and time.monotonic() < deadline and process.poll() is None:
        told += process.stderr.read() or b""
        time.sleep(0.1)
    assert b"ready." in told, told.decode()[-2000:]
    yield process
    process.terminate()
    process.communicate(timeout=20)


def choose(page: Page, name: str, value: str) -> None:
    """Tap the box of a segmented choice."""
    page.locator(f"label:has([name='{name}'][value='{value}'])").click()
