"""Drawn fish for the demo's pictures: no photographs, but shapes and marks that tell the species."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageChops, ImageDraw, ImageFilter

Floats = NDArray[np.float64]
Colour = tuple[int, int, int]

# A fish is drawn this long (snout to tail tip), then scaled.
LENGTH = 900
HEIGHT = 640
MIDDLE = HEIGHT // 2
SNOUT, BASE, TIP = 20, 735, 880


@dataclass(frozen=True)
class Look:
    """How one species looks. Heights are shares of the length from snout to tail base."""

    deep: float
    hump: float
    back: Colour
    side: Colour
    belly: Colour
    mark: str
    mouth: float
    fork: float
    dorsal: tuple[tuple[float, float, float], ...]
    anal: tuple[float, float, float]
    flat_head: float = 0.0
    barbels: bool = False


LOOKS: dict[str, Look] = {
    "largemouth-bass": Look(
        0.30, 0.38, (58, 78, 44), (128, 142, 92), (222, 222, 196), "stripe", 0.22, 0.35,
        ((0.40, 0.60, 0.055), (0.64, 0.82, 0.11)), (0.66, 0.80, 0.09),
    ),
    "smallmouth-bass": Look(
        0.29, 0.38, (92, 76, 44), (146, 122, 74), (216, 204, 168), "bars", 0.13, 0.35,
        ((0.38, 0.63, 0.065), (0.63, 0.82, 0.10)), (0.66, 0.80, 0.09),
    ),
    "spotted-bass": Look(
        0.285, 0.38, (66, 84, 58), (138, 148, 108), (228, 226, 206), "stripe-spots", 0.15, 0.35,
        ((0.39, 0.62, 0.065), (0.63, 0.82, 0.10)), (0.66, 0.80, 0.09),
    ),
    "white-crappie": Look(
        0.40, 0.46, (92, 104, 92), (184, 190, 176), (232, 232, 222), "crappie-bars", 0.11, 0.22,
        ((0.48, 0.78, 0.16),), (0.48, 0.80, 0.16),
    ),
    "black-crappie": Look(
        0.43, 0.45, (62, 76, 68), (166, 174, 160), (226, 228, 216), "speckles", 0.11, 0.22,
        ((0.42, 0.79, 0.18),), (0.46, 0.80, 0.17),
    ),
    "bluegill": Look(
        0.52, 0.42, (60, 74, 66), (116, 124, 92), (214, 156, 76), "ear-bars", 0.06, 0.2,
        ((0.34, 0.66, 0.09), (0.66, 0.84, 0.13)), (0.60, 0.82, 0.12),
    ),
    "redear-sunfish": Look(
        0.47, 0.42, (86, 92, 60), (158, 160, 108), (224, 206, 130), "ear-red", 0.06, 0.2,
        ((0.35, 0.66, 0.08), (0.66, 0.84, 0.12)), (0.60, 0.82, 0.11),
    ),
    "channel-catfish": Look(
        0.22, 0.33, (84, 92, 96), (142, 150, 150), (224, 226, 222), "few-spots", 0.06, 0.85,
        ((0.36, 0.46, 0.14), (0.80, 0.86, 0.04)), (0.60, 0.80, 0.08), 0.45, True,
    ),
    "blue-catfish": Look(
        0.245, 0.40, (88, 104, 124), (158, 172, 186), (232, 234, 236), "plain", 0.06, 0.85,
        ((0.36, 0.46, 0.15), (0.82, 0.87, 0.04)), (0.52, 0.84, 0.085), 0.35, True,
    ),
    "flathead-catfish": Look(
        0.20, 0.28, (92, 76, 46), (148, 124, 78), (214, 200, 156), "mottle", 0.10, 0.05,
        ((0.36, 0.45, 0.11), (0.78, 0.87, 0.06)), (0.66, 0.80, 0.07), 0.75, True,
    ),
    "walleye": Look(
        0.215, 0.40, (82, 80, 44), (166, 150, 84), (230, 226, 206), "saddles", 0.15, 0.55,
        ((0.34, 0.56, 0.11), (0.62, 0.82, 0.10)), (0.64, 0.78, 0.09), 0.1,
    ),
    "white-bass": Look(
        0.335, 0.40, (86, 100, 112), (194, 202, 204), (240, 240, 236), "lines", 0.10, 0.6,
        ((0.36, 0.57, 0.10), (0.61, 0.80, 0.11)), (0.63, 0.79, 0.10),
    ),
    "gizzard-shad": Look(
        0.36, 0.42, (86, 108, 128), (204, 212, 214), (242, 243, 240), "shoulder-spot", 0.03, 0.9,
        ((0.46, 0.58, 0.10),), (0.62, 0.86, 0.05),
    ),
}  # fmt: skip


def _profile(look: Look) -> tuple[Floats, Floats, Floats]:
    """x, and the y of back and belly, in picture points; from the snout to the base of the tail."""
    t = np.linspace(0.0, 1.0, 60)
    span = BASE - SNOUT
    rise = np.clip(t / look.hump, 0, 1)
    fall = np.clip((t - look.hump) / (1 - look.hump), 0, 1)
    shape = np.where(
        t < look.hump, np.sin(rise * np.pi / 2) ** 0.72, 0.27 + 0.73 * np.cos(fall * np.pi / 2) ** 1.25
    )
    half = look.deep * span / 2 * shape
    blunt = look.flat_head * np.exp(-(((t - 0.10) / 0.12) ** 2))
    back = MIDDLE - half * (1.0 - 0.45 * blunt)
    belly = MIDDLE + half * (1.0 + 0.15 * blunt)
    return SNOUT + t * span, back, belly


def _body(look: Look) -> Image.Image:
    """The body's mask."""
    x, back, belly = _profile(look)
    mask = Image.new("L", (LENGTH, HEIGHT), 0)
    outline = [*zip(x, back, strict=True), *zip(x[::-1], belly[::-1], strict=True)]
    ImageDraw.Draw(mask).polygon([(float(a), float(b)) for a, b in outline], fill=255)
    return mask.filter(ImageFilter.GaussianBlur(1.5))


def _fins(look: Look) -> Image.Image:
    """The mask of all fins: tail, back fins, anal fin, the paired ones."""
    mask = Image.new("L", (LENGTH, HEIGHT), 0)
    pen = ImageDraw.Draw(mask)
    x, back, belly = _profile(look)
    span = BASE - SNOUT
    root, spread = look.deep * span * 0.14, span * (0.135 + 0.06 * min(look.deep, 0.3))
    notch = TIP - 20 - look.fork * 75
    pen.polygon(
        [
            (BASE - 18, MIDDLE - root),
            (TIP, MIDDLE - spread),
            (TIP - 6, MIDDLE - spread * 0.75),
            (notch, MIDDLE),
            (TIP - 6, MIDDLE + spread * 0.75),
            (TIP, MIDDLE + spread),
            (BASE - 18, MIDDLE + root),
        ],
        fill=205,
    )
    for index, (start, end, tall) in enumerate(look.dorsal):
        spiny = index == 0 and len(look.dorsal) > 1 and not look.barbels
        pen.polygon(_fin(x, back, start, end, -tall * span, spiny), fill=200)
    pen.polygon(_fin(x, belly, *look.anal[:2], look.anal[2] * span, False), fill=200)
    low = float(np.interp(SNOUT + 0.36 * span, x, belly))
    pen.polygon(
        [
            (SNOUT + 0.34 * span, low - 10),
            (SNOUT + 0.42 * span, low - 6),
            (SNOUT + 0.46 * span, low + 0.10 * span),
        ],
        fill=190,
    )
    return mask.filter(ImageFilter.GaussianBlur(1.2))


def _fin(
    x: Floats, edge: Floats, start: float, end: float, tall: float, spiny: bool
) -> list[tuple[float, float]]:
    """A fin between two shares of the body, on its edge; a spiny one has a sawn rim."""
    span = BASE - SNOUT
    points = []
    for step in np.linspace(0.0, 1.0, 22):
        at = SNOUT + (start + step * (end - start)) * span
        rim = np.sin(np.pi * min(step * 1.25 + 0.06, 1.0)) ** 0.6 if step < 0.75 else (1 - step) * 3.2
        if spiny:
            rim = (0.75 + 0.25 * (round(step * 21) % 2)) * np.sin(np.pi * (0.1 + 0.85 * step)) ** 0.5
        points.append((float(at + 0.03 * span * step), float(np.interp(at, x, edge) + tall * rim)))
    last, first = SNOUT + end * span, SNOUT + start * span
    inward = -8 if tall > 0 else 8
    points.append((float(last), float(np.interp(last, x, edge) + inward)))
    points.append((float(first), float(np.interp(first, x, edge) + inward)))
    return points


def _marks(look: Look, rng: np.random.Generator) -> Image.Image:
    """The darkness of the markings, 0 to 255, over the whole picture."""
    marks = Image.new("L", (LENGTH, HEIGHT), 0)
    pen = ImageDraw.Draw(marks)
    x, back, belly = _profile(look)
    span = BASE - SNOUT

    def at(share: float, down: float) -> tuple[float, float]:
        px = SNOUT + share * span
        top, bottom = float(np.interp(px, x, back)), float(np.interp(px, x, belly))
        return px, top + down * (bottom - top)

    def blot(share: float, down: float, wide: float, tall: float, ink: int) -> None:
        px, py = at(share, down)
        pen.ellipse((px - wide, py - tall, px + wide, py + tall), fill=ink)

    kind = look.mark
    if kind in ("stripe", "stripe-spots"):
        for share in np.arange(0.26, 0.99, 0.028):
            tall = 15 + rng.uniform(-5, 7)
            blot(float(share), 0.47 + float(rng.normal(0, 0.012)), 16, tall, 190)
    if kind == "stripe-spots":
        for row in (0.60, 0.68, 0.76):
            for share in np.arange(0.28, 0.85, 0.036):
                blot(float(share), row, 4.5, 4, 150)
    if kind in ("bars", "crappie-bars", "ear-bars"):
        number, ink, wide = {"bars": (9, 130, 12), "crappie-bars": (8, 170, 15), "ear-bars": (7, 95, 17)}[
            kind
        ]
        for share in np.linspace(0.30, 0.95, number):
            for down in np.arange(0.04, 0.78 if kind != "bars" else 0.66, 0.035):
                if rng.random() < 0.88:
                    blot(float(share + rng.normal(0, 0.006)), float(down), wide * (1 - 0.5 * down), 11, ink)
    if kind in ("speckles", "mottle"):
        number, ink = (330, 190) if kind == "speckles" else (240, 120)
        for _ in range(number):
            size = float(rng.uniform(4, 11) if kind == "speckles" else rng.uniform(8, 26))
            blot(float(rng.uniform(0.18, 0.98)), float(rng.beta(1.3, 1.7) * 0.9), size, size * 0.8, ink)
    if kind == "few-spots":
        for _ in range(22):
            blot(float(rng.uniform(0.32, 0.92)), float(rng.uniform(0.2, 0.62)), 5, 5, 150)
    if kind == "saddles":
        for share in (0.30, 0.44, 0.58, 0.72, 0.88):
            blot(share, 0.10, 36, 34, 120)
        for _ in range(260):
            blot(float(rng.uniform(0.2, 0.98)), float(rng.uniform(0.05, 0.62)), 5, 4, 90)
        blot(0.56, -0.16, 26, 24, 220)
    if kind == "lines":
        for down in (0.18, 0.27, 0.36, 0.45, 0.54, 0.63, 0.71):
            run = [at(float(share), down) for share in np.linspace(0.26, 0.97, 40)]
            pen.line(run, fill=165, width=6)
    if kind in ("ear-bars", "ear-red"):
        blot(0.275, 0.42, 21, 17, 245)
    if kind == "shoulder-spot":
        blot(0.27, 0.34, 14, 14, 200)
    return marks.filter(ImageFilter.GaussianBlur(3.0 if kind in ("speckles", "lines") else 4.5))


def fish(species: str) -> Image.Image:
    """A drawn fish, head to the left, on a clear ground, 900 by 640 points: always the same of a species."""
    return _drawn(species).copy()


@lru_cache(maxsize=32)
def _drawn(species: str) -> Image.Image:
    look, rng = LOOKS[species], np.random.default_rng(3)
    body, fins = _body(look), _fins(look)
    x, back, belly = _profile(look)
    columns = np.arange(LENGTH)
    top = np.interp(columns, x, back).astype(np.float32)
    thick = np.maximum(np.interp(columns, x, belly) - top, 1.0).astype(np.float32)
    rows = np.arange(HEIGHT)[:, None]
    down = np.clip((rows.astype(np.float32) - top[None, :]) / thick[None, :], 0, 1)[..., None]
    back_tone, side_tone, belly_tone = (np.array(c, np.float32) for c in (look.back, look.side, look.belly))
    shade = np.where(
        down < 0.45,
        back_tone + (side_tone - back_tone) * (down / 0.45),
        side_tone + (belly_tone - side_tone) * ((down - 0.45) / 0.55),
    )
    grain = rng.normal(0, 3.0, (HEIGHT, LENGTH)).astype(np.float32)
    if not look.barbels:
        waves = np.sin(columns[None, :] / 4.2) * np.sin(rows / 4.2 + (columns[None, :] // 13) % 2)
        grain += 5.0 * waves.astype(np.float32)
    shade = shade + grain[..., None]
    dark = np.asarray(_marks(look, rng), dtype=np.float32)[..., None] / 255
    shade = shade * (1 - 0.72 * dark)
    paint = Image.fromarray(np.clip(shade, 0, 255).astype(np.uint8), "RGB")
    tint = tuple(int(0.75 * a + 0.25 * b) for a, b in zip(look.back, look.side, strict=True))
    picture = Image.new("RGB", (LENGTH, HEIGHT), tint)
    rays = Image.new("RGB", (LENGTH, HEIGHT), tuple(int(c * 0.8) for c in tint))
    striped = Image.fromarray(((columns[None, :] + rows) // 7 % 2 * 120).astype(np.uint8), "L")
    picture.paste(rays, mask=striped)
    if look.mark in ("speckles", "crappie-bars", "saddles"):
        spots = (rng.random((HEIGHT // 12 + 1, LENGTH // 12 + 1)) < 0.35).astype(np.uint8) * 150
        freckles = Image.fromarray(spots, "L").resize(picture.size, Image.Resampling.BILINEAR)
        picture.paste(Image.new("RGB", picture.size, tuple(int(c * 0.5) for c in tint)), mask=freckles)
    picture.paste(paint, mask=body)
    _face(picture, look, x, back, belly)
    alpha = ImageChops.lighter(body, fins)
    picture.putalpha(alpha)
    return picture


def _face(picture: Image.Image, look: Look, x: Floats, back: Floats, belly: Floats) -> None:
    """Eye, mouth, gill cover, and barbels where there are some."""
    pen = ImageDraw.Draw(picture)
    span = BASE - SNOUT

    def at(share: float, down: float) -> tuple[float, float]:
        px = SNOUT + share * span
        top, bottom = float(np.interp(px, x, back)), float(np.interp(px, x, belly))
        return px, top + down * (bottom - top)

    ink = tuple(int(c * 0.45) for c in look.back)
    ex, ey = at(0.115 if look.deep > 0.35 else 0.135, 0.36)
    size = 10 if look.barbels else 15 + 14 * (look.deep > 0.35)
    ring = (236, 226, 190) if look.mark == "saddles" else (206, 176, 96)
    pen.ellipse((ex - size, ey - size, ex + size, ey + size), fill=ring, outline=ink, width=3)
    pen.ellipse((ex - size * 0.55, ey - size * 0.55, ex + size * 0.55, ey + size * 0.55), fill=(18, 20, 18))
    jaw = [at(0.0, 0.5), at(look.mouth * 0.5, 0.60), at(look.mouth, 0.68)]
    pen.line(jaw, fill=ink, width=6 if look.mouth > 0.09 else 4)
    gx, gy = at(0.25, 0.5)
    tall = 0.30 * look.deep * span
    pen.arc((gx - tall * 0.9, gy - tall, gx + 8, gy + tall), -62, 62, fill=ink, width=5)
    fx, fy = at(0.30, 0.66)
    fin = [(fx - 12, fy - 16), (fx + 0.10 * span, fy + 4), (fx + 0.07 * span, fy + 34), (fx - 6, fy + 14)]
    pen.polygon(fin, fill=tuple(int(0.85 * c) for c in look.side), outline=ink)
    if look.mark == "ear-red":
        rx, ry = at(0.30, 0.44)
        pen.arc((rx - 26, ry - 20, rx + 8, ry + 16), -75, 75, fill=(208, 60, 38), width=8)
    if look.mark == "saddles":
        pen.polygon(
            [(TIP - 34, MIDDLE + 62), (TIP, MIDDLE + 95), (TIP - 6, MIDDLE + 68)], fill=(240, 238, 228)
        )
    if look.barbels:
        mx, my = at(0.03, 0.62)
        for dx, dy in ((90, 60), (70, 90), (40, 80), (120, 20)):
            pen.line([(mx, my), (mx + dx * 0.5, my + dy * 0.75), (mx + dx, my + dy)], fill=ink, width=4)
