"""Drawn sonar screens for the demo: one look for each kind of sonar, no maker's colours or layout."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, map_coordinates

Floats = NDArray[np.float64]
WIDE, HIGH = 640, 480

PAPER = ((250, 244, 228), (214, 190, 146), (22, 34, 45))
AMBER = ((38, 30, 22), (156, 120, 70), (250, 238, 208))
BLUE = ((238, 242, 242), (96, 146, 184), (18, 40, 70))


@dataclass(frozen=True)
class Scene:
    """What a screen has to show: fish by kind, number, depth and placement; the bottom and the cover."""

    species: str
    count: int
    depth_m: float
    placement: str
    bottom_m: float
    cover: str


Box = tuple[float, float, float, float]
"""Left, top, right and bottom, in pixels."""


def screen(method: str, scene: Scene, seed: int, fish: list[Box] | None = None) -> Image.Image:
    """The screen of one look; RGB, 640 by 480. Raises KeyError for a method that has no screen.

    Where each fish is goes into `fish`.
    """
    rng = np.random.default_rng(seed)
    drawn, tones = _KINDS[method]
    return _toned(drawn(scene, rng, [] if fish is None else fish), tones, rng)


def floor_of(seed: int) -> list[int]:
    """The row of the bottom every 40 columns, on a screen of that seed that looks down or ahead."""
    return [round(row) for row in _bottom(np.random.default_rng(seed))[::40]]


def _toned(
    strength: Floats, tones: tuple[tuple[int, int, int], ...], rng: np.random.Generator
) -> Image.Image:
    """Strength 0 to 1 as a blend over three tones, with a little grain."""
    value = np.clip(strength + rng.normal(0, 0.012, strength.shape), 0, 1)
    stops = np.array(tones, dtype=np.float64)
    rgb = np.stack([np.interp(value, [0, 0.42, 1], stops[:, band]) for band in range(3)], axis=-1)
    return Image.fromarray(rgb.astype(np.uint8), "RGB")


def _row(scene: Scene, depth_m: float) -> float:
    """The picture row of a depth: the bottom lies at 82 % of the height."""
    return HIGH * 0.82 * depth_m / max(scene.bottom_m, 0.8)


def _spread(scene: Scene, rng: np.random.Generator) -> list[tuple[float, float, float]]:
    """Where the fish are: (column, row, size), by how their kind stands together."""
    tight = {
        "gizzard-shad": 0.55,
        "white-crappie": 0.5,
        "black-crappie": 0.42,
        "bluegill": 0.6,
        "white-bass": 0.8,
    }
    wide = tight.get(scene.species, 1.0)
    size = {"gizzard-shad": 0.35, "bluegill": 0.6, "redear-sunfish": 0.6, "channel-catfish": 1.4}.get(
        scene.species, 0.95
    )
    size = 1.5 if scene.species in ("blue-catfish", "flathead-catfish") else size
    size = 1.25 if scene.species in ("largemouth-bass", "walleye") else size
    number = min(scene.count, 45 if scene.species == "gizzard-shad" else 16)
    row = _row(scene, scene.depth_m)
    sideways = {"beside": 150.0, "in front": 170.0, "roaming": 0.0}.get(scene.placement, 0.0) * rng.choice(
        [-1, 1]
    )
    found = []
    for _ in range(number):
        x = WIDE / 2 + sideways + rng.normal(0, 105 * wide)
        y = row + rng.normal(0, (10 if scene.placement == "on bottom" else 34) * wide)
        low = HIGH * 0.82 - (6 if scene.placement == "on bottom" else 12)
        found.append(
            (float(np.clip(x, 40, WIDE - 40)), float(np.clip(y, 26, low)), size * rng.uniform(0.8, 1.2))
        )
    return found


def _bottom(rng: np.random.Generator) -> Floats:
    """The row of the bottom at each column."""
    wave: Floats = gaussian_filter(rng.normal(0, 1, WIDE + 200), 60)[100:-100]
    return np.asarray(HIGH * 0.82 + 6 * wave / wave.std(), dtype=np.float64)


def _brush(scene: Scene, rng: np.random.Generator, floor: Floats, sharp: bool) -> Floats:
    """The cover's echo: a thicket for brush, posts for timber and stakes, boxes for cribs, lumps for rock."""
    field = np.zeros((HIGH, WIDE))
    if scene.cover in ("none", "", "dock", "riprap", "bridge"):
        return field
    tall = {"brush pile": 1.8, "crib": 1.3, "standing timber": 4.0, "stake bed": 1.2, "laydown": 1.2}.get(
        scene.cover, 0.7
    )
    height = min(HIGH * 0.82 * tall / max(scene.bottom_m, 0.8), HIGH * 0.5)
    if scene.cover == "brush pile":
        for _ in range(34):
            _limb(
                field,
                WIDE / 2 + rng.normal(0, 26),
                floor[WIDE // 2],
                -math.pi / 2 + rng.normal(0, 0.5),
                height * 0.55,
                rng,
                0,
            )
    elif scene.cover in ("standing timber", "stake bed"):
        for x in rng.uniform(WIDE * 0.3, WIDE * 0.7, 9 if scene.cover == "stake bed" else 5):
            _limb(field, x, floor[int(x)], -math.pi / 2 + rng.normal(0, 0.06), height, rng, 4)
    elif scene.cover == "crib":
        for left in (WIDE * 0.36, WIDE * 0.52):
            for step in np.linspace(0, height, 6):
                row = int(floor[int(left)] - step)
                field[max(row - 2, 0) : row + 1, int(left) : int(left + 74)] += rng.uniform(0.4, 0.9)
    else:
        for _ in range(22):
            x, size = rng.normal(WIDE / 2, 70), rng.uniform(6, 22)
            _blob(field, x, floor[int(np.clip(x, 0, WIDE - 1))] - size * 0.4, size, size * 0.7, 0.8)
    if sharp:
        return np.clip(gaussian_filter(field, 0.8), 0, 1)
    return np.clip(gaussian_filter(field, (4, 7)) * 3.2 * rng.uniform(0.6, 1.2, field.shape), 0, 1)


def _limb(
    field: Floats, x: float, y: float, heading: float, length: float, rng: np.random.Generator, turn: int
) -> None:
    """A limb and its twigs, as points of echo."""
    steps = max(3, int(length))
    xs = x + np.cos(heading) * np.linspace(0, length, steps)
    ys = y + np.sin(heading) * np.linspace(0, length, steps)
    inside = (xs >= 0) & (xs < WIDE - 1) & (ys >= 0) & (ys < HIGH - 1)
    field[ys[inside].astype(int), xs[inside].astype(int)] += rng.uniform(0.4, 1.0)
    if turn < 3 and length > 12:
        for _ in range(2):
            at = int(rng.uniform(0.3, 1.0) * (steps - 1))
            _limb(field, xs[at], ys[at], heading + rng.normal(0, 0.6), length * 0.6, rng, turn + 1)


def _blob(field: Floats, x: float, y: float, wide: float, tall: float, strength: float) -> None:
    """A soft elliptical echo."""
    left, right = int(max(x - 3 * wide, 0)), int(min(x + 3 * wide + 1, WIDE))
    top, low = int(max(y - 3 * tall, 0)), int(min(y + 3 * tall + 1, HIGH))
    if left >= right or top >= low:
        return
    rows, columns = np.mgrid[top:low, left:right]
    field[top:low, left:right] += strength * np.exp(-(((columns - x) / wide) ** 2) - ((rows - y) / tall) ** 2)


def _ground(floor: Floats, rng: np.random.Generator, fade: float, rough: float) -> Floats:
    """The bottom's own echo, hard at the line and fading below it."""
    rows = np.arange(HIGH)[:, None]
    under = rows - floor[None, :]
    field = np.where(under >= 0, 0.95 * np.exp(-np.maximum(under, 0) / fade), 0.0)
    return np.clip(field * (1 + rough * gaussian_filter(rng.normal(0, 1, field.shape), 1.2)), 0, 1)


def _surface(rng: np.random.Generator) -> Floats:
    """The clutter just under the surface."""
    rows = np.arange(HIGH)[:, None]
    return np.exp(-rows / 9.0) * (0.6 + 0.3 * rng.random((1, WIDE)))


def _plain(scene: Scene, rng: np.random.Generator, fish: list[Box]) -> Floats:
    """2D sonar: arches over a smeared thicket."""
    floor = _bottom(rng)
    field = _surface(rng) + _ground(floor, rng, 38.0, 0.25) + _brush(scene, rng, floor, sharp=False)
    columns = np.arange(WIDE)
    for x, y, size in _spread(scene, rng):
        wide, sag, thick = 26 * size, 11 * size, 2.6 + 1.5 * size
        fish.append((x - wide, y - 2 * thick, x + wide, y + sag + 2 * thick))
        inside = np.abs(columns - x) < wide
        for column in columns[inside]:
            share = (column - x) / wide
            row = y + sag * share**2
            rows = np.arange(max(int(row) - 12, 0), min(int(row) + 13, HIGH))
            echo = 0.95 * (1 - 0.55 * share**2) * np.exp(-(((rows - row) / thick) ** 2))
            field[rows, column] = np.maximum(field[rows, column], echo)
    haze = gaussian_filter(rng.normal(0, 1, (HIGH, WIDE)), (14, 40))
    return np.asarray(np.clip(field + 0.05 + 0.05 * haze / haze.std(), 0, 1), dtype=np.float64)


def _down(scene: Scene, rng: np.random.Generator, fish: list[Box]) -> Floats:
    """Down-looking imaging sonar: fine limbs, fish as short bright dashes."""
    floor = _bottom(rng)
    field = _surface(rng) * 0.8 + _ground(floor, rng, 60.0, 0.5) + _brush(scene, rng, floor, sharp=True)
    for x, y, size in _spread(scene, rng):
        fish.append((x - 19 * size, y - 6 * size, x + 19 * size, y + 6 * size))
        _blob(field, x, y, 9.5 * size, 2.8 * size**0.5, 1.0)
    return np.clip(field + 0.04, 0, 1)


def _side(scene: Scene, rng: np.random.Generator, fish: list[Box]) -> Floats:
    """Side-scan sonar: the bottom to both sides in plan, the dark water column, echoes and their shadows."""
    texture = gaussian_filter(rng.normal(0, 1, (HIGH, WIDE)), 2.0)
    broad = gaussian_filter(rng.normal(0, 1, (HIGH, WIDE)), 26)
    field = 0.36 + 0.13 * texture / texture.std() + 0.10 * broad / broad.std()
    away = np.abs(np.arange(WIDE) - WIDE / 2)
    column = 46 + 5 * np.sin(np.arange(HIGH) / 60.0)
    field *= 1 - 0.35 * (away[None, :] / WIDE * 2) ** 2
    cx, cy = WIDE * 0.72, HIGH * rng.uniform(0.42, 0.58)
    if scene.cover not in ("none", ""):
        thicket = _brush(scene, rng, np.full(WIDE, HIGH * 0.82), sharp=True)
        cut = thicket[int(HIGH * 0.82) - 150 : int(HIGH * 0.82), WIDE // 2 - 75 : WIDE // 2 + 75]
        top, left = int(cy - 75), int(cx - 75)
        field[top : top + 150, left : left + 150] += 0.9 * cut[:150]
        _blob(field, cx + 74, cy, 36.0, 30.0, -0.55)
    for x, y, size in _spread(scene, rng):
        px, py = cx + (x - WIDE / 2) * 0.42, cy + (y - _row(scene, scene.depth_m)) * 1.5 + rng.normal(0, 26)
        fish.append((px - 8 * size, py - 6 * size, px + 8 * size, py + 6 * size))
        _blob(field, px, py, 3.2 * size, 2.2 * size, 0.8)
        _blob(field, px + 16 + 6 * size, py, 5.0 * size, 2.2 * size, -0.4)
    field = np.where(away[None, :] < column[:, None], 0.02, field)
    field = np.where(np.abs(away[None, :] - column[:, None]) < 2, 0.75, field)
    return np.clip(np.where(away[None, :] < 1.5, 0.6, field), 0, 1)


def _forward(scene: Scene, rng: np.random.Generator, fish: list[Box]) -> Floats:
    """Forward-facing sonar: a fan from the upper left, with range rings, fish as soft comets."""
    floor = _bottom(rng)
    field = 0.75 * _ground(floor, rng, 70.0, 0.35)
    blur = gaussian_filter(_brush(scene, rng, floor, sharp=True), 2.4)
    field += np.clip(3.0 * blur * (0.6 + 0.8 * rng.random(blur.shape)), 0, 0.95)
    for x, y, size in _spread(scene, rng):
        fish.append((x - 24 * size, y - 12 * size, x + 17 * size, y + 12 * size))
        _blob(field, x, y, 8.0 * size, 5.0 * size**0.7, 1.0)
        _blob(field, x - 11 * size, y + 2, 9.0 * size, 3.2, 0.35)
    field = gaussian_filter(field, 1.0)
    rows, columns = np.mgrid[0:HIGH, 0:WIDE]
    far = np.hypot(columns + 6, rows + 14)
    for ring in (160, 320, 480, 640):
        field = np.where(np.abs(far - ring) < 0.8, np.maximum(field, 0.35), field)
    swirl = map_coordinates(
        gaussian_filter(rng.normal(0, 1, (120, 160)), 1.5),
        [far / 8 % 119, np.arctan2(rows + 14, columns + 6) * 90],
        order=1,
    )
    field = field + 0.05 + 0.03 * swirl / max(float(swirl.std()), 1e-9)
    return np.clip(np.where((far > 735) | (rows + 14 < 0.02 * columns), 0.0, field), 0, 1)


_KINDS = {"2d": (_plain, PAPER), "down": (_down, PAPER), "side": (_side, AMBER), "forward": (_forward, BLUE)}
