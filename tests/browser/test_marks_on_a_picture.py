"""Drawing and measuring on a picture with a mouse, a finger and the keyboard; axe finds nothing."""

import io
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from observations.marking_models import Mark
from observations.models import Picture
from observations.pictures import content_of
from tests.browser.conftest import SIZES, Visit
from tests.browser.test_chart_page import violations
from tests.conftest import Cast, Places, found
from tests.observations.test_marks_are_annotations import picture_at

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("quiet_queue"),
]


def spot_on(page: Page, x: float, y: float) -> tuple[float, float]:
    """Where on the screen the picture's pixel is; the picture is 800 by 600."""
    page.locator("[data-sheet]").scroll_into_view_if_needed()
    box = page.locator("[data-drawn]").bounding_box()
    assert box
    return box["x"] + x / 800 * box["width"], box["y"] + y / 600 * box["height"]


def drag(page: Page, *points: tuple[float, float], size: str = "desktop") -> None:
    """Drag from point to point: with a finger on the phone, with the mouse elsewhere."""
    first, *others = points
    if size == "phone":
        places = [spot_on(page, *point) for point in points]
        steps = [
            {"x": x + (nx - x) * n / 5, "y": y + (ny - y) * n / 5}
            for (x, y), (nx, ny) in pairwise(places)
            for n in range(1, 6)
        ]
        screen = page.context.new_cdp_session(page)
        screen.send("Emulation.setTouchEmulationEnabled", {"enabled": True})
        begin = [{"x": places[0][0], "y": places[0][1]}]
        screen.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": begin})
        for step in steps:
            screen.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [step]})
        screen.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        screen.detach()
        return
    page.mouse.move(*spot_on(page, *first))
    page.mouse.down()
    for point in others:
        page.mouse.move(*spot_on(page, *point), steps=5)
    page.mouse.up()


@pytest.mark.parametrize("size", SIZES)
def test_a_fish_is_boxed_a_bottom_traced_and_a_length_measured(
    visit: Callable[..., Visit], cast: Cast, places: Places, size: str
) -> None:
    picture = picture_at(cast, places.shared, "camera", findings=found("largemouth-bass", 1))
    window = visit("member", size)
    page = window.open(f"/pictures/{picture.pk}/marks/")
    expect(page.get_by_role("button", name="Drag on the picture")).to_be_visible()
    assert violations(page) == []

    page.locator("label:has([value=fish])").click()
    drag(page, (100, 150), (500, 350), size=size)
    page.get_by_role("button", name="Draw it").click()
    expect(page.locator(".mark-list li")).to_have_count(1)
    box = Mark.objects.get()
    assert (box.kind, box.shape) == ("fish", "box")
    assert box.points == pytest.approx([100, 150, 400, 200], abs=3)

    page.locator("label:has([value=bottom])").click()
    drag(page, (20, 500), (400, 560), (780, 500), size=size)
    page.get_by_role("button", name="Draw it").click()
    expect(page.locator(".mark-list li")).to_have_count(2)
    line = Mark.objects.get(kind="bottom")
    assert line.shape == "line" and 6 <= len(line.points) <= 120
    assert line.points[:2] == pytest.approx([20, 500], abs=3) and line.points[-2:] == pytest.approx(
        [780, 500], abs=3
    )
    assert max(line.points[1::2]) == pytest.approx(560, abs=4), "the deepest point of the drag is kept"

    # Four taps: a fish of 400 pixels beside a thing of 100 pixels that is 100 mm long.
    page.get_by_role("button", name="Tap the points on the picture").click()
    for point in ((100, 250), (500, 250), (100, 400), (200, 400)):
        page.mouse.click(*spot_on(page, *point))
    expect(page.get_by_text("All points are set")).to_be_visible()
    page.get_by_label("Size of the known thing, mm").fill("100")
    page.locator("label:has([name=turned][value='0'])").click()
    page.get_by_role("button", name="Measure", exact=True).click()
    expect(page.locator(".mark-list li")).to_have_count(3)
    length = Mark.objects.get(kind="length")
    assert length.value and length.low and length.high
    assert length.value == pytest.approx(400, rel=0.04) and length.low < 400 < length.high
    assert "Standard weight" in page.locator(".mark-list li").nth(2).inner_text()
    assert violations(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size]["width"]

    # Side by side, where others meet it.
    other = visit("newcomer", size)
    page = other.open(f"/spots/{places.shared.pk}/side-by-side/")
    expect(page.locator(".frame .drawn .sign")).to_have_count(3)
    assert "Marked: fish 1, bottom 1, length 1: " in (page.locator(".frame img").get_attribute("alt") or "")
    assert violations(page) == []
    page = other.open(f"/pictures/{picture.pk}/marks/")
    assert page.get_by_role("button", name="Remove").count() == page.locator("[data-draw]").count() == 0
    assert violations(page) == []
    assert window.elsewhere == other.elsewhere == [] and window.trouble == other.trouble == []


def test_the_keyboard_and_a_page_without_scripts_draw_as_well(
    visit: Callable[..., Visit], cast: Cast, places: Places, client_of: Any
) -> None:
    picture = picture_at(cast, places.shared)
    page = visit("member").open(f"/pictures/{picture.pk}/marks/")
    page.locator("[name=kind]").first.focus()
    page.keyboard.press("ArrowRight")  # cover
    page.get_by_text("Where, in pixels").first.focus()
    page.keyboard.press("Enter")
    for value in ("10", "20", "110", "80"):
        page.keyboard.press("Tab")
        page.keyboard.type(value)
    expect(page.locator("[data-preview] rect.ink")).to_have_attribute("width", "100")
    page.keyboard.press("ArrowUp")  # a number steps by one pixel
    page.keyboard.press("Enter")
    expect(page.locator(".mark-list li")).to_have_count(1)
    assert Mark.objects.get().points == [10, 20, 100, 61] and Mark.objects.get().kind == "cover"
    # The same form as a browser without scripts sends it; twice is once.
    form = {"kind": "thermocline", "x1": 0, "y1": 300, "x2": 800, "y2": 310, "mark": picture.pk, "points": ""}
    client = client_of("member")
    for _ in range(2):
        assert client.post(f"/pictures/{picture.pk}/marks/draw/", form).status_code == 302
    assert Mark.objects.filter(kind="thermocline").count() == 1
    refused = client.post(
        f"/pictures/{picture.pk}/marks/draw/", {**form, "x2": 801, "kind": "carp", "points": "<svg>"}
    )
    told = refused.content.decode()
    assert refused.status_code == 422 and "less than or equal to 800" in told and "Say what it is." in told
    assert "pairs of whole pixels" in told
    assert "<svg>" not in told.split("data-draw", 1)[1].split("</form>")[0]


def test_coordinates_are_blacked_out_before_the_picture_leaves_the_phone(
    visit: Callable[..., Visit], cast: Cast, places: Places, tmp_path: Path
) -> None:
    file = tmp_path / "screen.png"
    Image.new("RGB", (800, 600), (200, 40, 40)).save(file)
    window = visit("member", "phone")
    page = window.open(f"/log/?spot={places.shared.pk}")
    page.locator("label:has([name=method][value='2d'])").click()
    page.locator("label:has([name=g0-band][value='1-3'])").click()
    page.locator("#id_pictures").set_input_files([file, file])
    expect(page.get_by_text("Does one show coordinates")).to_be_visible()
    page.get_by_role("button", name="Look at screen.png").first.click()
    dialog = page.get_by_role("dialog", name="Black out")
    expect(dialog).to_be_visible()
    assert violations(page) == []
    box = dialog.locator("canvas").bounding_box()
    assert box
    page.mouse.move(box["x"] + 2, box["y"] + 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, steps=4)
    page.mouse.up()
    # By the keyboard, the lower right corner.
    dialog.get_by_text("Type where it is").click()
    for label, value in (("from left", "75"), ("from top", "75"), ("to left", "100"), ("to top", "100")):
        dialog.get_by_label(label).fill(value)
    dialog.get_by_role("button", name="Black this out").click()
    expect(dialog.get_by_text("2 parts blacked out.")).to_be_visible()
    dialog.get_by_role("button", name="Keep it so").click()
    expect(page.get_by_text("2 parts of screen.png blacked out")).to_be_visible()
    kinds = page.locator("#id_pictures").evaluate("input => [...input.files].map(file => file.type)")
    assert kinds == ["image/jpeg", "image/png"], (
        "what is sent is what was painted, not the file that was chosen"
    )
    page.evaluate(
        "addEventListener('outbox-picture', ({ detail }) => sessionStorage.setItem('told',"
        " `${sessionStorage.getItem('told') ?? ''}${detail.now} of ${detail.of}. `))"
    )
    page.get_by_role("button", name="Seal").first.click()
    page.wait_for_url("**/log/*-*/")
    assert page.evaluate("sessionStorage.getItem('told')") == "1 of 2. 2 of 2. "
    painted, plain = Picture.objects.order_by("created_at", "id")
    shown = {}
    for picture in (painted, plain):
        with Image.open(io.BytesIO(content_of(picture) or b"")) as image:
            shown[picture.pk] = [image.getpixel(at) for at in ((200, 150), (700, 550), (700, 100))]
    black, red = sorted(shown.values(), key=lambda pixels: sum(pixels[0]))
    assert max(*black[0], *black[1]) < 10 and black[2][0] > 150, "painted, and the rest as it was"
    assert all(pixel[0] > 150 for pixel in red), "the other picture is untouched"
    assert window.trouble == []
