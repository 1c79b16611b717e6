"""Marks as a page shows them: where their sign stands on the picture, and what they say in the reader's units."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

import numpy as np

from club.units import Units
from observations.inference.condition import STANDARDS, standard_weight
from observations.marking import pairs
from observations.marking_models import Mark
from observations.models import Picture

# A sign's height and its letters' width, in the pixels of a screen.
_SIGN, _LETTER = 22, 8.2
_CAUSES = {
    "clicks": "the points", "reference": "the size of the known thing", "distance": "how far off the known thing is",
    "turn": "how the fish is turned", "range": "the range", "known depth": "the known depth", "cone": "the cone",
}  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """A mark on a page: geometry in the picture's pixels, a sign `x, y` at `scale` of its own size, words."""

    id: UUID
    shape: str
    box: tuple[int, int, int, int]
    path: str
    label: str
    x: float
    y: float
    scale: float
    wide: float
    words: str
    more: str = ""

    @property
    def below(self) -> int:
        return self.box[1] + self.box[3]


def measured_text(mark: Mark, units: Units) -> str:
    """`312 mm, 294 to 331 mm`; empty for what is only drawn."""
    if mark.value is None or mark.low is None or mark.high is None:
        return ""
    one = units.fish_text if mark.kind == Mark.Kind.LENGTH else units.span_text
    return f"{one(mark.value)}, {one(mark.low).split(chr(160))[0]} to {one(mark.high)}"


def _more(mark: Mark, species: str, units: Units) -> str:
    """Say what follows from a measure, and what makes it uncertain."""
    if mark.value is None or mark.low is None or mark.high is None:
        return ""
    told = []
    if mark.kind == Mark.Kind.LENGTH and species in STANDARDS:
        least = STANDARDS[species].least_mm
        low, high = (float(one) for one in standard_weight(species, [mark.low, mark.high]))
        if np.isnan(low):
            told.append(f"No standard weight: it may be below {units.fish_text(least)}.")
        else:
            told.append(f"Standard weight {units.weight_range(low, high)}.")
    if mark.kind == Mark.Kind.HEIGHT and isinstance(aside := mark.basis.get("aside_m"), int | float):
        told.append(f"About {units.span_text(aside)} to the side of the boat’s track, along the bottom.")
    if mark.kind == Mark.Kind.WIDTH and isinstance(depth := mark.basis.get("depth_m"), list):
        deep, shallowest, deepest = (units.span_text(float(one)) for one in depth)
        told.append(f"At a depth of {deep}, {shallowest.split(chr(160))[0]} to {deepest}.")
    shares = mark.basis.get("shares")
    if isinstance(shares, Mapping) and shares:
        worst = max(shares, key=lambda name: float(shares[name]))
        told.append(f"Holds about 19 times in 20; most of the doubt is from {_CAUSES.get(worst, worst)}.")
    return " ".join(told)


def drawn(
    marks: Sequence[Mark], picture: Picture, units: Units, species: str = "", shown_px: int = 900
) -> list[Drawn]:
    """Return marks as they are drawn where the picture is about `shown_px` wide."""
    counts: dict[str, int] = {}
    out = []
    for mark in marks:
        counts[mark.kind] = counts.get(mark.kind, 0) + 1
        measured = measured_text(mark, units)
        label = str(mark.get_kind_display())
        if measured:
            value = measured.split(", ")[0]
            label = {"length": value, "height": f"{value} high"}.get(mark.kind, f"{label} {value}")
        if mark.shape == Mark.Shape.BOX:
            left, top, width, height = mark.points
            box = (left, top, width, height)
        else:
            xs, ys = mark.points[::2], mark.points[1::2]
            box = (min(xs), min(ys), max(xs) - min(xs), max(ys) - min(ys))
        scale = max(picture.width / shown_px, 0.2)
        wide = round(12 + _LETTER * len(label), 1)
        x = max(0.0, min(float(box[0]), picture.width - wide * scale))
        # Above what is marked; below the upper edge where there is no room.
        y = float(box[1]) - _SIGN * scale
        y = y if y >= 0 else float(min(box[1] + box[3], picture.height - _SIGN * scale))
        name = str(mark.get_kind_display())
        out.append(
            Drawn(
                id=mark.pk,
                shape=mark.shape,
                box=box,
                path="" if mark.shape == Mark.Shape.BOX else pairs(mark.points),
                label=label,
                x=round(x, 1),
                y=round(y, 1),
                scale=round(scale, 3),
                wide=wide,
                words=f"{name} {counts[mark.kind]}" + (f": {measured}" if measured else ""),
                more=_more(mark, species, units),
            )
        )
    return out
