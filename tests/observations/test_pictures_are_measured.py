"""A fish's length, a target's height and a cone's width measured on a picture: worked values, and what is refused."""

import html
import io
import json
import math
import re
import uuid
import zipfile
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from PIL import Image, ImageDraw

from observations.clearing_models import ClearedPicture
from observations.inference.measuring import depth_and_width, fish_length, target_height
from observations.marking_models import Mark
from observations.models import Picture
from observations.pictures import black_out, clean_picture, content_of, write
from tests.conftest import Cast, Places, found
from tests.observations.test_marks_are_annotations import picture_at, url

pytestmark = pytest.mark.usefixtures("quiet_queue")

ClientOf = Callable[..., Client]
# 150 pixels of fish beside 100 pixels of a thing of 200 mm: 300 mm.
LENGTH = {
    "x1": 100, "y1": 100, "x2": 190, "y2": 220, "x3": 100, "y3": 400, "x4": 200, "y4": 400, "click": 3, "size": 200,
    "within": 2, "beside": "0.1", "turned": "0",
}  # fmt: skip
# Ten pixels a metre, transducer 10 m up, target at 20 m, shadow 5 m long: 2 m high (worked value).
HEIGHT = {
    "x1": 100, "x2": 400, "x3": 200, "x4": 300, "x5": 350, **{f"y{n}": 300 for n in range(1, 6)}, "click": 2,
    "range": 30, "within": "0.5",
}  # fmt: skip
# An echo half way down to 20 m, in a cone of 20 degrees: 10 m deep, 3.5265 m wide (worked value).
WIDTH = {
    "x1": 400, "y1": 0, "x2": 400, "y2": 400, "x3": 400, "y3": 200, "click": 2, "depth": 20, "within": 0, "cone": 20,
    "cone_within": 2,
}  # fmt: skip


def measure(client: Client, picture: Picture, form: dict[str, Any], **more: Any) -> Any:
    data = {"mark": uuid.uuid4(), **form, **more}
    return client.post(f"/pictures/{picture.pk}/marks/measure/", data)


def page_of(client: Client, picture: Picture) -> str:
    text = client.get(f"/pictures/{picture.pk}/marks/").content.decode()
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " "))


def test_a_fish_is_measured_by_a_thing_of_known_size_and_weighed_by_its_length(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    picture = picture_at(cast, places.shared, "camera", findings=found("largemouth-bass", 1))
    client = client_of("member")
    assert measure(client, picture, LENGTH).status_code == 302
    mark = Mark.objects.get()
    pure = fish_length(
        ((100, 100), (190, 220)),
        ((100, 400), (200, 400)),
        200,
        click_px=3,
        reference_error_mm=2,
        distance_error=0.1,
    )
    assert (mark.value, mark.low, mark.high) == pytest.approx((300, float(pure.low), float(pure.high)))
    assert mark.kind == "length" and mark.points == [100, 100, 190, 220]
    assert mark.basis["reference_mm"] == 200 and sum(mark.basis["shares"].values()) == pytest.approx(
        1, abs=1e-3
    )
    told = page_of(client, picture)
    assert f"Length 1: 300 mm, {pure.low:.0f} to {pure.high:.0f} mm" in told
    # FSA's coefficients for largemouth bass, at both limits: 10 ** (-5.528 + 3.273 log10 L).
    low, high = (10 ** (-5.528 + 3.273 * math.log10(float(one))) for one in (pure.low, pure.high))
    assert f"Standard weight {low:.0f} to {high:.0f} g" in told
    assert "most of the doubt is from how far off the known thing is" in told
    item = client.get(url(picture)).json()["items"][0]
    assert item["body"][1]["value"] == f"300 mm ({pure.low:.0f} to {pure.high:.0f})"
    assert "polyline" in item["target"]["selector"]["value"]


def test_a_target_stands_as_high_as_its_shadow_says(cast: Cast, places: Places, client_of: ClientOf) -> None:
    picture, client = picture_at(cast, places.shared, "side"), client_of("member")
    assert measure(client, picture, HEIGHT).status_code == 302
    mark = Mark.objects.get()
    pure = target_height(100, 400, 200, 300, 350, 30, click_px=2, range_error_m=0.5)
    assert (mark.value, mark.low, mark.high) == pytest.approx((2.0, float(pure.low), float(pure.high)))
    # Slant to ground: by similar triangles 20 / 25 * sqrt(25^2 - 10^2) = 18.33 m.
    assert mark.basis["aside_m"] == pytest.approx(18.330, abs=1e-3)
    told = page_of(client, picture)
    assert "Height 1: 2 m" in told and "About 18.3 m to the side of the boat’s track" in told


def test_an_echo_s_depth_and_the_cone_there(cast: Cast, places: Places, client_of: ClientOf) -> None:
    picture = picture_at(cast, places.shared, "2d", settings={"text": "83 kHz, 60° cone"})
    client = client_of("member")
    page = client.get(f"/pictures/{picture.pk}/marks/").content.decode()
    assert 'value="60"' in page and "From the settings." in page
    assert measure(client, picture, WIDTH).status_code == 302
    mark = Mark.objects.get()
    depth, width = depth_and_width(0, 400, 200, 20, 20, click_px=2, cone_error_deg=2)
    assert mark.value == pytest.approx(3.5265, abs=5e-5)
    assert (mark.low, mark.high) == pytest.approx((float(width.low), float(width.high)))
    assert f"At a depth of 10 m, {depth.low:.1f} to {depth.high:.1f} m" in page_of(client, picture)


def test_what_cannot_be_measured_is_refused_by_name_and_nothing_is_kept(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    client = client_of("member")
    camera = picture_at(cast, places.shared, "camera")
    side, screen = picture_at(cast, places.shared, "side"), picture_at(cast, places.shared)
    for picture, form, bad, told in (
        (camera, LENGTH, {"x2": 801}, "less than or equal to 800"),
        (camera, LENGTH, {"x1": "NaN"}, "Enter a whole number"),
        (camera, LENGTH, {"x1": ""}, "This field is required"),
        (camera, LENGTH, {"x2": 101, "y2": 101}, "take points that lie farther apart"),
        (camera, LENGTH, {"size": "inf"}, '"inf" is not a number'),
        (camera, LENGTH, {"size": "99999"}, "must lie between 1 and 5,000 mm"),
        (camera, LENGTH, {"size": "2", "within": "2"}, "Error of the reference must be below its size"),
        (camera, LENGTH, {"beside": "0.9"}, None),
        (camera, LENGTH, {"mark": "x"}, "Enter a valid UUID"),
        (side, HEIGHT, {"x5": 250}, "the shadow ends beyond its start"),
        (side, HEIGHT, {"x4": 50}, "on one side of the boat's line"),
        (side, HEIGHT, {"range": "-1"}, "must lie between 1 and 500"),
        (screen, WIDTH, {"y2": 0}, "must lie below the surface"),
        (screen, WIDTH, {"cone": "180"}, "must lie between 1 and 120"),
    ):
        answer = measure(client, picture, form, **bad)
        assert answer.status_code == 422, bad
        assert told is None or told in html.unescape(answer.content.decode()), bad
    assert not Mark.objects.exists()
    down = picture_at(cast, places.shared, "down")
    assert measure(client, down, WIDTH).status_code == 404, "a screen without a cone or a shadow"
    assert measure(client_of("rival"), camera, LENGTH).status_code == 404, "only whose it is measures"


def screen(words: str) -> io.BytesIO:
    """A screenshot with something burnt into its corner."""
    image = Image.effect_noise((1600, 1200), 60).convert("RGB")
    image.paste((20, 40, 60), (0, 0, 1600, 1200), Image.linear_gradient("L").resize((1600, 1200)))
    ImageDraw.Draw(image).text((61, 71), words, fill="yellow", font_size=60)
    out = io.BytesIO()
    image.save(out, "PNG")
    out.seek(0)
    return out


def test_what_is_blacked_out_leaves_no_trace_in_either_file(cast: Cast, places: Places) -> None:
    # Two screens that differ in the coordinates alone are the same bytes once those are blacked out.
    picture = picture_at(cast, places.shared)
    first = Image.open(screen("45.0123 N 93.1234 W")).convert("RGB")
    second = first.copy()
    ImageDraw.Draw(second).rectangle((55, 65, 800, 150), fill=(9, 9, 9))
    ImageDraw.Draw(second).text((61, 71), "44.9999 N 92.8765 W", fill="white", font_size=60)
    left = []
    for image in (first, second):
        file = io.BytesIO()
        image.save(file, "PNG")
        file.seek(0)
        write(picture, clean_picture(file, "x.png"))
        before = content_of(picture), content_of(picture, small=True)
        assert black_out(picture, (50, 60, 760, 100))
        after = content_of(picture), content_of(picture, small=True)
        assert before != after and after[0]
        left.append(after)
    assert left[0] == left[1]
    with Image.open(io.BytesIO(left[0][0])) as shown:
        assert max(high for _, high in shown.crop((64, 64, 800, 144)).getextrema()) <= 2
        assert shown.getpixel((1500, 1100)) != (0, 0, 0)


def test_blacking_out_is_the_owner_s_and_takes_back_what_was_shown(
    cast: Cast, places: Places, client_of: ClientOf
) -> None:
    picture = picture_at(cast, places.shared)
    client, checker = client_of("member"), client_of("checker")
    client.post(f"/pictures/{picture.pk}/clear/", {"looked": "yes"})
    checker.post(f"/pictures/offered/{picture.clearances.get().pk}/", {"answer": "clear", "looked": "yes"})
    assert ClearedPicture.objects.exists()
    form = {"mark": uuid.uuid4(), "x1": 300, "y1": 200, "x2": 40, "y2": 60}
    path, before = f"/pictures/{picture.pk}/marks/black/", content_of(picture)
    for bad, told in (
        ({"x2": 300}, "The box is empty"),
        ({"y1": 601}, "less than or equal to 600"),
        ({"x1": ""}, "required"),
    ):
        answer = client.post(path, {**form, **bad})
        assert answer.status_code == 422 and told in answer.content.decode()
    assert client_of("rival").post(path, form).status_code == 404
    assert content_of(picture) == before and ClearedPicture.objects.exists()
    for _ in range(2):
        assert client.post(path, form).status_code == 302
    assert content_of(picture) != before
    assert not ClearedPicture.objects.exists(), "the copy that everybody saw had it still"


def test_what_was_drawn_goes_out_with_one_s_own_data(cast: Cast, places: Places, client_of: ClientOf) -> None:
    picture, client = picture_at(cast, places.shared, "side"), client_of("member")
    picture_at(cast, places.shared)
    measure(client, picture, HEIGHT)
    answer = client.get("/account/data/")
    content = b"".join(answer.streaming_content) if answer.streaming else answer.content
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert [name for name in archive.namelist() if name.endswith(".jsonld")] == [
            f"pictures/{picture.pk}.jsonld"
        ]
        page = json.loads(archive.read(f"pictures/{picture.pk}.jsonld"))
    assert page["type"] == "AnnotationPage"
    assert page["items"][0]["target"]["source"] == f"{picture.pk}.jpg", "the file that lies beside it"
