"""The figures: what is drawn is what was given, doubt is always drawn, and every figure can be read aloud."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from club import figures, signs

unit = st.floats(0, 1)


def parse(markup: str) -> ET.Element:
    # Our own output, just made: entities are not a danger here.
    return ET.fromstring(markup)  # noqa: S314


def month(number: int, **more: Any) -> dict[str, Any]:
    base = {"month": number, "probability": 0.5, "lo": 0.2, "hi": 0.8, "looks": 0}
    return base | {"camera_minutes": 0, "rod_hours": 0, "grade": ""} | more


def year(**of: dict[str, Any]) -> list[dict[str, Any]]:
    return [month(m, **of.get(f"m{m}", {})) for m in range(1, 13)]


def cells(table: ET.Element, kind: str) -> list[ET.Element]:
    row = next(r for r in table.iter("tr") if r.get("class") == kind)
    return row.findall("td")


def percent_of(element: ET.Element, name: str) -> float:
    return float((element.get(name) or "").removesuffix("%"))


@given(st.tuples(unit, unit, unit))
def test_the_band_of_a_bar_runs_from_low_to_high_and_the_tick_stands_on_the_estimate(
    values: tuple[float, float, float],
) -> None:
    lo, p, hi = sorted(values)
    svg = parse(figures.interval_bar(p, lo, hi))
    band = next(e for e in svg.iter("rect") if e.get("class") == "bar-band")
    tick = next(e for e in svg.iter("line") if e.get("class") == "bar-tick")
    assert percent_of(band, "x") == pytest.approx(lo * 100, abs=0.006)
    assert percent_of(band, "width") == pytest.approx((hi - lo) * 100, abs=0.006)
    assert percent_of(tick, "x1") == percent_of(tick, "x2") == pytest.approx(p * 100, abs=0.006)


@pytest.mark.parametrize("draw", [figures.interval_bar, figures.ruled_scale])
def test_a_chance_is_never_spoken_without_its_interval(draw: Any) -> None:
    svg = parse(draw(0.64, 0.41, 0.82))
    assert svg.get("role") == "img"
    said = (svg.get("aria-label") or "").replace(figures.NO_BREAK, " ")
    assert said == "64 %, 90 % interval 41 to 82 %"


def test_a_bar_whose_figures_stand_beside_it_is_silent() -> None:
    svg = parse(figures.interval_bar(0.64, 0.41, 0.82, spoken=False))
    assert svg.get("aria-hidden") == "true"
    assert svg.get("aria-label") is None


@pytest.mark.parametrize(
    "values", [(float("nan"), 0.1, 0.2), (1.2, 0.1, 0.2), (0.5, 0.8, 0.2), (0.5, -0.1, 0.2)]
)
@pytest.mark.parametrize("draw", [figures.interval_bar, figures.ruled_scale, figures.doubt_words])
def test_impossible_chances_are_refused(draw: Any, values: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="must"):
        draw(*values)


def test_nothing_is_said_to_be_nought_or_a_hundred_per_cent() -> None:
    assert figures.percent(0.0) == figures.percent(0.0049) == "under 1"
    assert figures.percent(1.0) == figures.percent(0.996) == "over 99"
    assert figures.percent(0.64) == "64"


@given(st.integers(1, figures.TALLY_MOST))
def test_a_tally_has_one_stroke_a_look(n: int) -> None:
    path = parse(figures.tally(n)).find("path")
    assert path is not None
    assert (path.get("d") or "").count("M") == n


def test_many_looks_are_a_number_and_none_is_a_word() -> None:
    assert parse(figures.tally(figures.TALLY_MOST + 1)).text == str(figures.TALLY_MOST + 1)
    assert parse(figures.tally(0)).text == "none"
    with pytest.raises(ValueError, match="negative"):
        figures.tally(-1)


def test_looked_months_are_solid_and_months_not_looked_are_hatched_and_dashed() -> None:
    table = parse(figures.season_ribbon([("Bluegill", year(m4={"looks": 3, "grade": "seen"}))]))
    for number, cell in enumerate(cells(table, "ribbon-band"), start=1):
        classes = {e.get("class") for e in cell.iter()}
        looked = number == 4
        assert ("bar-band" in classes) is looked
        assert ("ribbon-guess" in classes) is not looked
        assert ("ribbon-hatch" in classes) is not looked


def test_looking_and_finding_none_shows_an_open_ring_and_not_looking_shows_no_sign() -> None:
    table = parse(figures.season_ribbon([("Bluegill", year(m7={"looks": 2, "grade": "none"}))]))
    july, august = cells(table, "ribbon-band")[6:8]
    assert [e.get("class") for e in july.iter("svg") if "mark" in (e.get("class") or "")] == [
        "mark mark-none"
    ]
    assert not [e for e in august.iter("svg") if "mark" in (e.get("class") or "")]


def test_every_month_can_be_read_aloud() -> None:
    table = parse(figures.season_ribbon([("Bluegill", year(m9={"looks": 6, "grade": "verified"}))], 9))
    said = [
        "".join(cell.find("span[@class='sr-only']").itertext()).replace(figures.NO_BREAK, " ")  # type: ignore[union-attr]
        for cell in cells(table, "ribbon-band")
    ]
    assert said[8] == "verified; 50 %, 90 % interval 20 to 80 %"
    assert said[0] == "not looked; a guess from like spots: 50 %, 90 % interval 20 to 80 %"
    heads = ["".join(e.itertext()) for e in table.iter("th") if e.get("scope") == "col"]
    assert len(heads) == 12
    assert heads[8].endswith("September, chosen")
    assert sum("chosen" in h for h in heads) == 1


def test_the_band_of_a_month_reaches_from_low_to_high() -> None:
    table = parse(figures.season_ribbon([("", year(m1={"looks": 1, "lo": 0.25, "hi": 0.75}))]))
    january = cells(table, "ribbon-band")[0]
    band = next(e for e in january.iter("rect") if e.get("class") == "bar-band")
    plot = next(e for e in january.iter("svg") if e.get("class") == "ribbon-month")
    height = float(plot.get("height") or 0)
    assert float(band.get("y") or 0) == pytest.approx(height * 0.25, abs=0.1)
    assert float(band.get("height") or 0) == pytest.approx(height * 0.5, abs=0.1)


def test_effort_stands_under_each_month() -> None:
    months = year(m5={"looks": 3, "camera_minutes": 18, "rod_hours": 0.5})
    table = parse(figures.season_ribbon([("", months)]))
    assert "".join(cells(table, "effort-camera")[4].itertext()) == "18 min"
    assert "".join(cells(table, "effort-rod")[4].itertext()) == "0.5 h"
    assert not "".join(cells(table, "effort-rod")[5].itertext())


def test_the_months_of_the_history_api_are_understood() -> None:
    item = {
        "month": 3,
        "probability": 0.3,
        "interval": [0.1, 0.6],
        "effort": {"looks": 4, "camera_minutes": 12, "rod_hours": 1.5},
    }
    assert figures.Month.of(item) == figures.Month(3, 0.3, 0.1, 0.6, 4, 12.0, 1.5, "")


def test_a_year_with_a_month_missing_is_refused() -> None:
    with pytest.raises(ValueError, match="1 to 12"):
        figures.season_ribbon([("Bluegill", year()[:11])])


def test_a_species_name_cannot_carry_markup() -> None:
    markup = figures.season_ribbon([("<script>x</script>", year())])
    assert "<script" not in markup
    assert "&lt;script&gt;" in markup


def test_a_year_of_proof_is_solid_where_something_was_verified() -> None:
    boxes = parse(figures.verified_year([m in (4, 5) for m in range(1, 13)], 5)).findall("li")
    assert [m for m, box in enumerate(boxes, start=1) if "verified" in (box.get("class") or "").split()] == [
        4,
        5,
    ]
    assert "".join(boxes[3].find("span[@class='sr-only']").itertext()) == "April: verified"  # type: ignore[union-attr]
    assert [m for m, box in enumerate(boxes, start=1) if "this-month" in (box.get("class") or "")] == [5]
    with pytest.raises(ValueError, match="12 months"):
        figures.verified_year([True] * 11)


def test_no_figure_carries_inline_style_script_or_id() -> None:
    """The content security policy forbids the first two; ids would repeat on one page."""
    drawn = [
        figures.interval_bar(0.5, 0.2, 0.8),
        figures.ruled_scale(0.5, 0.2, 0.8),
        figures.tally(7),
        figures.ribbon_key(),
        figures.verified_year([True] * 12),
        figures.season_ribbon([("Bluegill", year()), ("Crappie", year())], 4),
        *(signs.sign(name) for name in signs.DRAWINGS),
    ]
    for markup in drawn:
        parse(f"<root>{markup}</root>")
        assert not re.search(r"\s(style|id|on\w+)=|<style|<script", markup)


@pytest.mark.parametrize("name", sorted(signs.DRAWINGS))
def test_every_sign_is_in_one_ink(name: str) -> None:
    """One ink, and the plate that shows through; the tallow in the lead and the water's tint excepted."""
    inks = set(re.findall(r'(?:fill|stroke)="([^"]+)"', signs.drawing(name)))
    extra = {"plumb": {signs.TALLOW}, "water": {"#C9E2EE"}}.get(name, set())
    assert inks <= {"currentColor", "none", signs.PLATE} | extra


def test_a_method_is_drawn_by_its_full_name() -> None:
    for method, key in signs.METHOD_SIGNS.items():
        assert signs.drawing(method) == signs.DRAWINGS[key]


def test_a_sign_is_silent_unless_it_is_given_words() -> None:
    assert parse(signs.sign("seen")).get("aria-hidden") == "true"
    named = parse(signs.sign("seen", "seen & named"))
    assert named.get("aria-label") == "seen & named"
    assert named.get("aria-hidden") is None
