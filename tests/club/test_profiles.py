"""The depth figure: each fish at its depth in its column, each share with its interval."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from club.profiles import Band, Fish, depth_profile

BANDS = [Band(4, 5, 3, 0.75, 0.4, 0.95), Band(5, 6, 1, 0.25, 0.05, 0.6)]
FISH = [
    Fish(4.5, "over", "seen"),
    Fish(4.5, "over", "landed"),
    Fish(4.5, "in", "verified"),
    Fish(5.5, "roaming", "seen"),
]


def draw(fish: list[Fish] = FISH, bands: list[Band] = BANDS) -> ET.Element:
    return ET.fromstring(depth_profile(fish, bands, bottom=7, top=3))  # noqa: S314


def signs(figure: ET.Element) -> list[tuple[str, float, float]]:
    """(sign, x in per cent, y in px) of each fish."""
    found = []
    for holder in figure.iter("svg"):
        for sign in holder.findall("svg"):
            if "mark" in (sign.get("class") or ""):
                x = float((holder.get("x") or "").removesuffix("%"))
                found.append(
                    ((sign.get("class") or "").split("mark-")[1], x, float(holder.get("y") or "nan"))
                )
    return found


def test_each_fish_stands_at_its_depth_and_deeper_fish_stand_lower() -> None:
    heights = [y for _, _, y in signs(draw())]
    assert heights[0] == heights[1] == heights[2] < heights[3]
    # 4.5 of 3 to 7 is three eighths of the way down to the bed; 5.5 is five eighths.
    assert heights[0] / heights[3] == pytest.approx(3 / 5, abs=0.01)


def test_each_fish_stands_in_the_column_of_its_placement() -> None:
    # over, in, beside, in front, and roaming because one was: five columns of 20 % each.
    columns = [int(x // 20) for _, x, _ in signs(draw())]
    assert columns == [0, 0, 1, 4]


def test_each_fish_has_the_sign_of_its_grade() -> None:
    assert [name for name, _, _ in signs(draw())] == ["seen", "landed", "verified", "seen"]


def test_each_share_is_drawn_and_spoken_with_its_interval() -> None:
    figure = draw()
    widths = [e.get("width") for e in figure.iter("rect") if e.get("class") == "profile-share"]
    assert widths == ["75.00%", "25.00%"]
    spoken = [
        "".join(td.itertext()).replace("\u00a0", " ")
        for tr in figure.iter("tr")
        for td in tr.findall("td")[1:]
    ]
    assert spoken == ["75 %, 90 % interval 40 to 95 %", "25 %, 90 % interval 5 to 60 %"]


def test_the_caption_counts_every_fish_those_without_a_placement_too() -> None:
    figure = draw([*FISH, Fish(5, "", "seen")])
    caption = figure.find("figcaption")
    assert caption is not None
    assert caption.text == "5 fish: 2 over, 1 in, 1 roaming, 1 without a placement"
    assert len(signs(figure)) == 4


def test_a_bed_above_the_top_and_a_depth_that_is_no_number_are_refused() -> None:
    with pytest.raises(ValueError, match="below"):
        depth_profile([], [], bottom=2, top=3)
    with pytest.raises(ValueError, match="number"):
        depth_profile([Fish(float("nan"), "in", "seen")], [], bottom=7)


def test_the_figure_carries_no_inline_style_script_or_id() -> None:
    assert not re.search(r"\s(style|id|on\w+)=|<style|<script", depth_profile(FISH, BANDS, bottom=7))
