"""The README's pictures, taken from a running demo."""

import io
import urllib.request
from argparse import ArgumentParser
from collections.abc import Callable
from dataclasses import dataclass
from http.client import HTTPException
from importlib import import_module
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from PIL import Image

from club.boot import system
from club.context import INVENTED

DESKTOP, PHONE = (1440, 900), (390, 844)
COLOURS = 128


def _choose_sonar(page: Any) -> None:
    page.locator("label:has([name=method][value=forward])").click()


@dataclass(frozen=True)
class Picture:
    """One picture: who looks, at what size, at which address ({spot} is one with a verified history)."""

    name: str
    persona: str
    size: tuple[int, int]
    address: str
    wait_ms: int = 600
    prepare: Callable[[Any], None] | None = None


PICTURES = (
    Picture("chart", "member", DESKTOP, "/", 3000),
    Picture("chart-public", "", DESKTOP, "/", 3000),
    Picture("spot", "member", (1440, 1100), "/spots/{spot}/"),
    Picture("log-phone", "member", PHONE, "/log/?spot={spot}", 600, _choose_sonar),
    Picture("proofs", "checker", DESKTOP, "/proofs/"),
)


class Command(BaseCommand):
    help = "Take the README's pictures of a running demo into docs/pictures/."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--url", default="http://127.0.0.1:8000", help="Where the demo is.")

    def handle(self, *args: Any, **options: Any) -> None:
        url = options["url"].rstrip("/")
        try:
            with urllib.request.urlopen(url + "/sign-in/", timeout=30) as answer:  # noqa: S310
                if INVENTED.encode() not in answer.read():
                    raise CommandError(f"What answers at {url} is not the demo club.")
        except (OSError, HTTPException, ValueError) as error:
            raise CommandError(f"No site answers at {url}: start `python3 manage.py demo` first.") from error
        try:
            playwright = import_module("playwright.sync_api")
        except ImportError as error:
            raise CommandError("Playwright is missing: `python3 manage.py test` installs it.") from error
        chromium = system.chromium()
        if chromium is None:
            raise CommandError("Chromium is missing: `python3 manage.py test` installs it.")
        folder = settings.BASE_DIR / "docs" / "pictures"
        folder.mkdir(parents=True, exist_ok=True)
        flags = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        with playwright.sync_playwright() as running:
            browser = running.chromium.launch(executable_path=chromium, args=flags)
            for picture in PICTURES:
                path = folder / f"{picture.name}.png"
                path.write_bytes(self._small(self._take(browser, url, picture)))
                self.stdout.write(f"{path.relative_to(settings.BASE_DIR)}, {path.stat().st_size // 1024} kB")
            browser.close()

    def _take(self, browser: Any, url: str, picture: Picture) -> bytes:
        width, height = picture.size
        context = browser.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce")
        page = context.new_page()
        if picture.persona:
            page.goto(f"{url}/sign-in/")
            page.get_by_label("Username").fill(picture.persona)
            page.get_by_label("Password").fill(f"tallow-{picture.persona}")
            page.get_by_role("main").get_by_role("button", name="Sign in").click()
            page.wait_for_url(lambda address: "sign-in" not in address)
        address = picture.address
        if "{spot}" in address:
            address = address.format(spot=self._best_spot(page))
        page.goto(url + address)
        if picture.prepare:
            picture.prepare(page)
        page.wait_for_timeout(picture.wait_ms)
        shot: bytes = page.screenshot()
        context.close()
        return shot

    def _best_spot(self, page: Any) -> str:
        """Return the spot the member sees exactly that is surest of holding something verified."""
        found: str = page.evaluate(
            "async () => (await (await fetch('/api/spots/?grade=verified')).json()).features"
            ".filter(f => f.properties.precision === 'exact' && !f.properties.sharing)"
            ".sort((a, b) => b.properties.probability - a.properties.probability)[0].id"
        )
        return found

    def _small(self, shot: bytes) -> bytes:
        out = io.BytesIO()
        image = Image.open(io.BytesIO(shot)).convert("RGB")
        image.quantize(COLOURS).save(out, "PNG", optimize=True)
        return out.getvalue()
