"""Standard weight, relative weight and length categories, against published coefficients and worked values."""

from __future__ import annotations

import csv
import importlib
from pathlib import Path

import numpy as np
import pytest

from club.units import INCH_MM, POUND_KG
from observations.inference.condition import (
    CATEGORIES,
    STANDARDS,
    length_category,
    relative_weight,
    size_structure,
    standard_weight,
)


def _code(name: str) -> str:
    return name.lower().replace(" ", "-")


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as f:
        return list(csv.DictReader(f))


def test_every_species_has_the_coefficients_and_lengths_of_the_compilation(references):
    # FSA 0.10.0, data-raw/WSlit.csv and PSDlit.csv.
    equations = {
        _code(row["species"]): row
        for row in _rows(references / "FSA_WSlit.csv")
        if row["units"] == "metric" and row["ref"] == "75" and row["group"] in {"NA", "overall"}
    }
    lengths = {
        _code(row["species"]): row
        for row in _rows(references / "FSA_PSDlit.csv")
        if row["group"] in {"NA", "revised", "landlocked"}
    }
    for code, standard in STANDARDS.items():
        row = equations[code]
        assert (standard.a, standard.b) == (float(row["int"]), float(row["slope"])), code
        assert standard.least_mm == float(row["min.len"]), code
        assert row["quad"] == "NA" and row["measure"] == "TL", code
        published = [lengths[code][f"{name}.cm"] for name in CATEGORIES]
        assert list(standard.lengths_mm) == [round(float(cm) * 10) for cm in published if cm != "NA"], code


def test_worked_values_agree_and_so_does_the_equation_in_inches_and_pounds(references):
    rows = _rows(references / "ws_worked_values.csv")
    assert {_code(row["species"]) for row in rows} == set(STANDARDS)
    english = {
        _code(row["species"]): (float(row["int"]), float(row["slope"]))
        for row in _rows(references / "FSA_WSlit.csv")
        if row["units"] == "English" and row["ref"] == "75" and row["group"] in {"NA", "overall"}
    }
    for row in rows:
        code, length = _code(row["species"]), float(row["L"])
        weight = float(standard_weight(code, length))
        assert weight == pytest.approx(float(row["Ws_g"]), abs=0.01), code
        a, b = english[code]
        in_pounds = 10 ** (a + b * np.log10(length / INCH_MM)) * POUND_KG * 1000
        assert weight == pytest.approx(in_pounds, rel=max(0.01, STANDARDS[code].doubt + 0.003)), code


def test_worked_values_hold_where_the_data_sets_are_not_there():
    # Recomputed independently from FSA's coefficients.
    for code, length, grams in (
        ("largemouth-bass", 400, 973.96),
        ("white-crappie", 250, 222.81),
        ("bluegill", 180, 127.20),
        ("walleye", 400, 663.06),
        ("blue-catfish", 400, 602.57),
    ):
        assert standard_weight(code, length) == pytest.approx(grams, abs=0.01)
        assert relative_weight(code, length, grams * 0.9) == pytest.approx(90, abs=0.01)
    # Wege and Anderson 1978's older equation for largemouth bass (from memory) is near it: 970.9 g.
    assert standard_weight("largemouth-bass", 400) == pytest.approx(970.9, rel=0.005)


def test_below_its_least_length_nothing_is_given():
    for code, standard in STANDARDS.items():
        below, at = standard_weight(code, [standard.least_mm - 1, standard.least_mm])
        assert np.isnan(below) and at > 0, code
        assert np.isnan(relative_weight(code, standard.least_mm - 1, 10.0)), code
    assert np.isnan(standard_weight("a-fish-of-the-club", 300))


def test_every_species_of_the_default_list_has_an_equation_and_a_trophy_it_can_reach():
    tree = importlib.import_module("observations.migrations.0002_species").TREE
    longest = {code: most for code, _, _, _, wider, most in tree if not wider}
    assert set(STANDARDS) == set(longest)
    for code, standard in STANDARDS.items():
        assert standard.lengths_mm[-1] < longest[code], code


def test_length_categories_begin_at_their_published_lengths():
    # Gabelhouse 1984; white crappie stock is 130 mm and not 5 in converted (Willis et al. 1993).
    assert [length_category("largemouth-bass", mm) for mm in (199, 200, 299, 300, 380, 510, 629, 630)] == [
        "", "stock", "stock", "quality", "preferred", "memorable", "memorable", "trophy",
    ]  # fmt: skip
    assert (length_category("white-crappie", 129), length_category("white-crappie", 130)) == ("", "stock")
    assert length_category("white-perch", 380) == "trophy", (
        "38 cm: the 35 in beside it is a slip of the source"
    )
    assert length_category("gizzard-shad", 500) == "quality", "no longer ones are published for it"
    assert length_category("a-fish-of-the-club", 500) == ""
    for code, standard in STANDARDS.items():
        assert list(standard.lengths_mm) == sorted(set(standard.lengths_mm)), code


def test_size_structure_is_quality_over_stock_with_exact_limits():
    made = size_structure("largemouth-bass", [150, 210, 250, 290, 300, 310, 400, 520, 640, 205, 199])
    assert (made.stock, made.quality) == (9, 5)
    assert made.psd == pytest.approx(100 * 5 / 9)
    # Clopper and Pearson 1934; scipy.stats.binomtest(5, 9).proportion_ci(0.9, "exact").
    from scipy.stats import binomtest

    exact = binomtest(5, 9).proportion_ci(0.9, "exact")
    assert made.interval == pytest.approx((100 * exact.low, 100 * exact.high))
    assert np.isnan(size_structure("largemouth-bass", []).psd)
    assert size_structure("largemouth-bass", [250]).interval == pytest.approx((0, 95))
    assert size_structure("largemouth-bass", [350]).interval == pytest.approx((5, 100))


@pytest.mark.parametrize("bad", [0, -1, np.inf, 3001])
def test_impossible_lengths_and_weights_are_refused(bad):
    with pytest.raises(ValueError, match="length must be above 0"):
        standard_weight("walleye", bad)
    with pytest.raises(ValueError, match="length must be above 0"):
        length_category("walleye", bad)
    with pytest.raises(ValueError, match="weight must be above 0"):
        relative_weight("walleye", 400, bad if bad != 3001 else 200_001)
    assert np.isnan(standard_weight("walleye", np.nan))
