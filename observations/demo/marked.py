"""What members have drawn and measured on some of the demo's pictures: where the drawing put it."""

from __future__ import annotations

import uuid
from collections.abc import Sequence

from club.units import Units
from observations.demo.echoart import HIGH, WIDE, Box, floor_of
from observations.demo.rows import FindingRow, PictureRow
from observations.demo.stills import ruler
from observations.marking import MarkDraft
from observations.marking_forms import LengthForm
from observations.marking_models import Mark
from observations.models import Picture

_ROOM = 8
# Screens on which the bottom runs through below: not side-scan, which looks down on it.
_WITH_BOTTOM = ("2d", "down", "forward")
_BAIT = "gizzard-shad"


def marks_on(
    row: PictureRow, fish: Sequence[Box], species: str, finding: FindingRow | None, picture: Picture
) -> list[MarkDraft]:
    """The marks of one picture: a box round the fish, the bottom's line, and the length of a fish on the board."""
    if row.kind == "board":
        return [_length(finding.lengths_mm[0], picture)] if finding and finding.lengths_mm else []
    made = []
    if fish:
        left, top = (max(int(min(box[n] for box in fish)) - _ROOM, 0) for n in (0, 1))
        right = min(int(max(box[2] for box in fish)) + _ROOM, WIDE)
        bottom = min(int(max(box[3] for box in fish)) + _ROOM, HIGH)
        kind = Mark.Kind.BAIT if species == _BAIT else Mark.Kind.FISH
        made.append(MarkDraft(kind, Mark.Shape.BOX, (left, top, right - left, bottom - top)))
    if row.kind in _WITH_BOTTOM:
        points = [at for n, y in enumerate(floor_of(row.seed)) for at in (40 * n, y)]
        made.append(MarkDraft(Mark.Kind.BOTTOM, Mark.Shape.LINE, tuple(points)))
    return made


def _length(length_mm: int, picture: Picture) -> MarkDraft:
    """A fish measured by the board's own scale, as the page measures it."""
    zero, _, scale = ruler(length_mm)
    tip, decimetre = round(zero + length_mm * scale), round(zero + 100 * scale)
    points = ((zero, 285), (tip, 285), (zero, 68), (decimetre, 68))
    typed = {
        f"{axis}{n}": at for n, point in enumerate(points, 1) for axis, at in zip("xy", point, strict=True)
    }
    told = {"mark": uuid.uuid4(), "click": "4", "size": "100", "within": "1", "beside": "0.03", "turned": "0"}
    form = LengthForm({**typed, **told}, picture, Units("m", "C", "kg"))
    if not form.is_valid():
        raise ValueError(form.errors)
    return form.draft()
