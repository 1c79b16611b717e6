"""Drawn underwater-camera stills and landed fish on a measuring board, for the demo's proofs."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter, ImageFont

from observations.demo.echoart import Box
from observations.demo.fishart import LENGTH, SNOUT, TIP, fish

Floats = NDArray[np.float64]
SIZE = (640, 480)


def camera_still(
    species: str,
    count: int,
    secchi_m: float,
    cover: str,
    seed: int,
    *,
    depth_m: float = 5.0,
    fish_at: list[Box] | None = None,
) -> Image.Image:
    """A still of one near fish and its companions, in water of this clarity; RGB, 640 by 480.

    Where the near one is goes into `fish_at`.
    """
    rng = np.random.default_rng(seed)
    water = _water(secchi_m, depth_m, rng)
    picture = water.copy()
    if cover in ("brush pile", "crib", "standing timber", "laydown", "stump field", "stake bed"):
        _limbs(picture, water, rng, near=False)
    murk = 0.55 / max(secchi_m, 0.35)
    for _ in range(min(count - 1, 4)):
        far = rng.uniform(1.3, 2.4)
        _place(picture, water, species, rng, far=far, murk=murk)
    if cover in ("brush pile", "crib", "standing timber", "laydown"):
        _limbs(picture, water, rng, near=True)
    near = _place(picture, water, species, rng, far=0.75, murk=murk, middle=True)
    if fish_at is not None:
        fish_at.append(near)
    return _grain(picture, secchi_m, rng)


def empty_still(secchi_m: float, cover: str, seed: int) -> Image.Image:
    """A still on which nothing swims."""
    rng = np.random.default_rng(seed)
    water = _water(secchi_m, 5.0, rng)
    picture = water.copy()
    if cover != "none":
        _limbs(picture, water, rng, near=False)
        _limbs(picture, water, rng, near=True)
    return _grain(picture, secchi_m, rng)


def _water(secchi_m: float, depth_m: float, rng: np.random.Generator) -> Image.Image:
    """Green to brown water, lit from above."""
    wide, high = SIZE
    clear = min(max((secchi_m - 0.5) / 2.0, 0.0), 1.0)
    light = np.array([104, 128, 92]) * (1 - clear) + np.array([112, 158, 132]) * clear
    dark = np.array([44, 48, 28]) * (1 - clear) + np.array([10, 44, 40]) * clear
    rows = np.linspace(0, 1, high)[:, None, None] ** 0.8
    columns = np.linspace(-1, 1, wide)[None, :, None]
    glow = np.exp(-((columns - rng.uniform(-0.4, 0.4)) ** 2) / 0.9) * (1 - rows) * 0.35
    shade = light * (1 - rows) + dark * rows + glow * (np.array([170, 190, 150]) - dark) * 0.6
    shade = shade * (1.05 - 0.02 * min(depth_m, 15))
    return Image.fromarray(np.clip(shade, 0, 255).astype(np.uint8), "RGB")


def _limbs(picture: Image.Image, water: Image.Image, rng: np.random.Generator, *, near: bool) -> None:
    """Branches of sunk brush, dimmed by the water between."""
    mask = Image.new("L", SIZE, 0)
    pen = ImageDraw.Draw(mask)
    for _ in range(3 if near else 6):
        root = (float(rng.uniform(-30, SIZE[0] + 30)), float(SIZE[1] + 20))
        lean = rng.normal(-math.pi / 2, 0.35)
        _branch(pen, root, lean, rng.uniform(90, 150) * (1.25 if near else 0.8), 12 if near else 7, rng, 0)
    mask = mask.filter(ImageFilter.GaussianBlur(1.0 if near else 2.2))
    bark = Image.new("RGB", SIZE, (34, 32, 22) if near else (44, 52, 38))
    shown = Image.blend(water, bark, 0.80 if near else 0.5)
    picture.paste(shown, mask=mask)


def _branch(
    pen: ImageDraw.ImageDraw,
    start: tuple[float, float],
    heading: float,
    length: float,
    width: float,
    rng: np.random.Generator,
    turn: int,
) -> None:
    end = (start[0] + math.cos(heading) * length, start[1] + math.sin(heading) * length)
    pen.line([start, end], fill=255, width=max(1, round(width)))
    if turn >= 5 or length < 14:
        return
    for _ in range(int(rng.integers(2, 4))):
        at = rng.uniform(0.45, 1.0)
        point = (start[0] + (end[0] - start[0]) * at, start[1] + (end[1] - start[1]) * at)
        _branch(
            pen,
            point,
            heading + rng.normal(0, 0.55),
            length * rng.uniform(0.5, 0.8),
            width * 0.62,
            rng,
            turn + 1,
        )


def _place(
    picture: Image.Image,
    water: Image.Image,
    species: str,
    rng: np.random.Generator,
    *,
    far: float,
    murk: float,
    middle: bool = False,
) -> Box:
    """Put one fish into the water, paler and softer the farther off it is; say where."""
    length = round((360 if middle else 300) / far)
    drawn = fish(species)
    drawn = drawn.resize((length, round(drawn.height * length / drawn.width)), Image.Resampling.LANCZOS)
    if rng.random() < 0.5:
        drawn = drawn.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    drawn = drawn.rotate(float(rng.normal(0, 9)), expand=True, resample=Image.Resampling.BICUBIC)
    x = round(SIZE[0] * (rng.uniform(0.42, 0.58) if middle else rng.uniform(0.1, 0.9)) - drawn.width / 2)
    y = round(SIZE[1] * (rng.uniform(0.44, 0.58) if middle else rng.uniform(0.15, 0.8)) - drawn.height / 2)
    seen = math.exp(-murk * far * 1.15)
    behind = water.crop((x, y, x + drawn.width, y + drawn.height))
    tone = Image.blend(Image.new("RGB", drawn.size, (70, 96, 66)), drawn.convert("RGB"), 0.72)
    faded = Image.blend(behind, tone, max(0.28, seen))
    mask = drawn.getchannel("A").filter(ImageFilter.GaussianBlur(0.6 + 0.7 * (far - 0.75)))
    picture.paste(faded.filter(ImageFilter.GaussianBlur(0.35 * far)), (x, y), mask)
    left, top, right, bottom = mask.point(lambda v: 255 if v > 100 else 0).getbbox() or (0, 0, *drawn.size)
    return (x + left, y + top, x + right, y + bottom)


def _grain(picture: Image.Image, secchi_m: float, rng: np.random.Generator) -> Image.Image:
    """Specks adrift, sensor noise and dark corners."""
    specks = Image.new("L", SIZE, 0)
    pen = ImageDraw.Draw(specks)
    for _ in range(round(70 / max(secchi_m, 0.4))):
        x, y, size = rng.uniform(0, SIZE[0]), rng.uniform(0, SIZE[1]), rng.uniform(0.6, 2.6)
        pen.ellipse((x - size, y - size, x + size, y + size), fill=int(rng.uniform(40, 150)))
    picture.paste(Image.new("RGB", SIZE, (190, 200, 160)), mask=specks.filter(ImageFilter.GaussianBlur(0.9)))
    rows, columns = np.mgrid[-1 : 1 : SIZE[1] * 1j, -1 : 1 : SIZE[0] * 1j]
    dark = 1.0 - 0.38 * np.clip(rows**2 + columns**2 - 0.35, 0, 1.6) / 1.6
    values = np.asarray(picture, dtype=np.float64) * dark[..., None] + rng.normal(0, 3.0, (*SIZE[::-1], 1))
    return Image.fromarray(np.clip(values, 0, 255).astype(np.uint8), "RGB").filter(
        ImageFilter.GaussianBlur(0.5)
    )


def ruler(length_mm: int) -> tuple[int, int, float]:
    """A board's scale for a fish of this length: the column of its zero, how far it reaches in mm, pixels a mm."""
    zero, reach = 46, max(300, math.ceil((length_mm + 40) / 100) * 100)
    return zero, reach, (SIZE[0] - zero - 24) / reach


def board(species: str, length_mm: int, seed: int) -> Image.Image:
    """A landed fish on a measuring board; its drawn length agrees with the board's scale."""
    rng = np.random.default_rng(seed)
    wide, high = SIZE
    grain = rng.normal(0, 1, (high, 1, 1)) * 3 + np.cumsum(rng.normal(0, 0.5, (high, wide, 1)), axis=1) * 0.35
    wood = np.array([214, 196, 156]) + grain + rng.normal(0, 2, (high, wide, 1))
    picture = Image.fromarray(np.clip(wood, 0, 255).astype(np.uint8), "RGB")
    pen = ImageDraw.Draw(picture)
    zero, reach, scale = ruler(length_mm)
    pen.rectangle((0, 0, wide, 70), fill=(238, 232, 214))
    pen.rectangle((zero - 16, 60, zero, high), fill=(120, 98, 66))
    font = ImageFont.load_default(size=15)
    for mm in range(0, reach + 1, 10):
        x = zero + mm * scale
        tall = 26 if mm % 100 == 0 else 18 if mm % 50 == 0 else 10
        pen.line((x, 70 - tall, x, 70), fill=(40, 44, 48), width=2 if mm % 50 == 0 else 1)
        if mm % 100 == 0:
            pen.text((x, 24), str(mm // 10), fill=(40, 44, 48), font=font, anchor="mm")
    pen.text((wide - 18, 10), "cm", fill=(40, 44, 48), font=font, anchor="rm")
    drawn = fish(species)
    share = (TIP - SNOUT) / LENGTH
    length = length_mm * scale / share
    drawn = drawn.resize(
        (round(length), round(drawn.height * length / drawn.width)), Image.Resampling.LANCZOS
    )
    x, y = round(zero - SNOUT / LENGTH * length), round(285 - drawn.height / 2)
    shadow = Image.new("RGB", drawn.size, (96, 80, 54))
    soft = drawn.getchannel("A").filter(ImageFilter.GaussianBlur(7)).point(lambda v: v * 0.55)
    picture.paste(shadow, (x + 5, y + 9), soft)
    picture.paste(drawn, (x, y), drawn)
    for _ in range(26):
        px, py = rng.uniform(zero, wide), rng.uniform(110, high)
        pen.ellipse((px, py, px + rng.uniform(2, 5), py + rng.uniform(2, 4)), fill=(196, 178, 138))
    return picture.filter(ImageFilter.GaussianBlur(0.4))
