"""A day from the plotter's card to confirmed looks, in the browser; printed: how long it takes, how many taps.

A short day in every run. TALLOW_LONG_DAY=1 takes the whole one: 30,000 fixes, 40 stops, 60 screenshots, 15 waypoints.
TALLOW_SHOTS names a folder for pictures of the page.
"""

import os
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import time_machine
from django.contrib.gis.geos import Point
from playwright.sync_api import Page

from observations.debrief_models import DebriefDraft, DebriefPicture
from observations.models import Call, Observation, Picture
from spots.models import Spot, Water
from spots.services import SpotDraft, save_spots
from tests.browser.conftest import SIZES, Visit
from tests.browser.test_chart_page import violations
from tests.conftest import Cast, see
from tests.observations.debrief_kit import BEGAN, M_EAST, M_NORTH, Place, gpx, make_day, nmea, screenshot
from tests.observations.test_debrief_drafts_a_day import AFTER

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OpenVisit = Callable[..., Visit]

LONG = os.environ.get("TALLOW_LONG_DAY") == "1"
STOPS, SHOTS, MARKS, STAY_S, BETWEEN_S = (40, 60, 15, 300, 450) if LONG else (6, 6, 3, 160, 240)
# What a tap takes on a boat's phone.
TAP_S = 1.0


def place_spots(cast: Cast, water: Water, places: list[Place]) -> list[Spot]:
    """Place the member's spot at each place, another of theirs 60 m beside it, and a rival's hidden one 4 m off."""

    def save(persona: str, name: str, east: float) -> list[Spot]:
        member = getattr(cast, persona)
        made = [
            SpotDraft(
                water=water,
                name=f"{name} {n + 1}",
                scope=f"member:{member.pk}",
                point=Point(lon + east * M_EAST, lat, srid=4326),
                structure=("point", "hump", "ledge")[n % 3],
            )
            for n, (lat, lon) in enumerate(places)
        ]
        with see(cast, persona):
            saved = {spot.pk: spot for spot in save_spots(made, cast.viewer(persona), AFTER)}
        return [saved[one.id] for one in made]

    save("rival", "Rival pile", 4)
    save("member", "Decoy", 60)
    return save("member", "Pile", 0)


def laid_to(start: int, rows: list[DebriefDraft]) -> object:
    """Return the spot of the draft that begins within a minute of this second of the day."""
    at = BEGAN + timedelta(seconds=start)
    near = [row.spot_id for row in rows if row.started_at and abs(row.started_at - at) < timedelta(minutes=1)]
    return near[0] if len(near) == 1 else None


def shoot(page: Page, name: str) -> None:
    if folder := os.environ.get("TALLOW_SHOTS"):
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=name.endswith("whole"))


def test_a_days_files_become_looks_on_one_screen(
    visit: OpenVisit, cast: Cast, water: Water, tmp_path: Path, quiet_queue: Any
) -> None:
    rng = np.random.default_rng(11)
    grid = [(45.006 + 0.0066 * row, -93.294 + 0.0088 * col) for row in range(8) for col in range(6)]
    if not LONG:
        grid = [(45.010 + 0.002 * n, -93.29) for n in range(6)]
    places = [
        (lat + rng.uniform(-1, 1) * 9e-4, lon + rng.uniform(-1, 1) * 1.2e-3) for lat, lon in grid[:STOPS]
    ]
    spots = place_spots(cast, water, places)
    day = make_day(places, STAY_S, BETWEEN_S, seed=4, swing_m=6.0)
    marks: list[tuple[Place, str, int | None]] = []
    for n in range(MARKS):
        at = 60 + n * (len(day) - 100) // MARKS
        # Off the track, and no nearer than 100 m to a spot of theirs.
        marks.append(((day.lat[at] + 130 * M_NORTH, day.lon[at] - 40 * M_EAST), f"WPT{n:03}", at))
    files = {"day.nmea": nmea(day), "marks.gpx": gpx(None, marks)}
    for n in range(SHOTS):
        start, _ = day.stops[n % STOPS]
        size = (1280, 800) if LONG else (320, 200)
        shot = screenshot(start + 15 + 3 * (n // STOPS) + n % 20, n + 1, size)
        files[str(shot.name)] = shot.read()
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)

    with time_machine.travel(AFTER, tick=True):
        member = visit("member", "phone")
        page = member.open("/debrief/")
        assert violations(page) == []
        shoot(page, "start-phone")
        page.get_by_label("The day’s files").set_input_files([tmp_path / name for name in files])
        began = time.monotonic()
        page.get_by_role("button", name="Draft the day").click(no_wait_after=True, timeout=120_000)
        page.wait_for_url("**/debrief/*-*/", timeout=120_000)
        drafted = time.monotonic() - began

        with see(cast, "member", AFTER):
            rows = list(DebriefDraft.objects.filter(kind="stop").order_by("started_at"))
            inbox = DebriefDraft.objects.filter(kind="waypoint").count()
            laid = DebriefPicture.objects.exclude(draft=None).count()
        right = sum(
            laid_to(start, rows) == spot.pk for (start, _), spot in zip(day.stops, spots, strict=True)
        )
        print(
            f"\n{len(day):,} fixes, {STOPS} stops, {SHOTS} screenshots, {MARKS} waypoints: drafted in {drafted:.1f} s;"
            f" {len(rows)} stops found, {right} of {STOPS} at the right spot; {laid} pictures laid,"
            f" {inbox} in the inbox"
        )
        assert right >= 0.95 * STOPS
        assert len(rows) <= STOPS * 1.05
        assert (laid, inbox) == (SHOTS, MARKS)
        assert drafted <= 30
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"]["width"]
        shoot(page, "day-phone")
        fold = "open => document.querySelectorAll('main details').forEach(one => { one.open = open })"
        page.evaluate(fold, True)
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"]["width"]
        page.evaluate(fold, False)
        shoot(page, "day-phone-whole")
        if "TALLOW_SHOTS" in os.environ:
            desk = visit("member").open(page.url.partition(member.base)[2])
            shoot(desk, "day-desktop")
            desk.locator("ul.stops summary").first.click()
            desk.mouse.wheel(0, 260)
            shoot(desk, "day-desktop-open")
        began, taps = time.monotonic(), 0
        for n, card in enumerate(page.locator("ul.stops").first.locator("> li").all()):
            band = ("none", "1-3", "none", "4-8")[n % 4]
            card.locator(f"label:has([value='{band}'])").click()
            taps += 1
            if band == "4-8":
                card.locator("summary").click()
                card.get_by_label("Called").select_option("crappie")
                taps += 3
        kept = 0
        for card in page.locator("ul.stops").last.locator("> li").all():
            is_spot = "WPT" in card.inner_text() and kept < MARKS // 2
            card.locator(f"label:has([value='{'spot' if is_spot else 'discard'}'])").click()
            kept, taps = kept + is_spot, taps + 1
        shoot(page, "answered-phone")
        page.get_by_role("button", name="Confirm what is answered").click(no_wait_after=True, timeout=120_000)
        page.wait_for_url("**/done/", timeout=60_000)
        driven = time.monotonic() - began
        by_hand = driven + (taps + 1) * TAP_S
        print(f"{taps + 1} taps; the script took {driven:.1f} s, at {TAP_S:g} s a tap {by_hand:.0f} s")
        assert by_hand <= 300
        shoot(page, "done-phone")
        asked = sum(row.spot_id is not None for row in rows)
        assert (Observation.objects.count(), Call.objects.count()) == (asked, asked // 4)
        assert not Call.objects.exclude(seal=Call.Seal.MEMORY).exists()
        assert Picture.objects.count() == SHOTS
        assert Spot.objects.filter(owner_member=cast.member).count() == 2 * STOPS + MARKS // 2
        desktop = visit("member")
        desktop.open(page.url.removeprefix(desktop.base))
        assert violations(desktop.page) == []
        shoot(desktop.page, "done-desktop-whole")
    assert (member.trouble, member.elsewhere) == ([], [])
