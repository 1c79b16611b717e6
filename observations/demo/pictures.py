"""The demo's pictures, drawn from a look and its truth as they are asked for."""

from __future__ import annotations

import io

from PIL import Image

from observations.demo.echoart import Box, Scene, screen
from observations.demo.rows import Demo, LookRow, PictureRow
from observations.demo.stills import board, camera_still, empty_still

LARGEST = 60_000
"""Bytes of the largest picture."""


class Studio:
    """Draws the pictures of one demo."""

    def __init__(self, demo: Demo) -> None:
        self._demo = demo
        self._looks: dict[int, LookRow] = {look.key: look for look in demo.looks}
        self._spots = {spot.key: spot for spot in demo.spots}

    def draw(self, row: PictureRow, fish: list[Box] | None = None) -> Image.Image:
        """The picture of a row; RGB, 640 by 480. A camera or board shows the true species, claimed or not.

        Where the fish are goes into `fish`.
        """
        look = self._looks[row.look]
        spot = self._spots[look.spot]
        finding = next((f for f in look.findings if f.key == row.finding), None)
        clear = look.secchi_m or 1.5
        if row.kind == "board" and finding and finding.lengths_mm:
            return board(finding.truth, finding.lengths_mm[0], row.seed)
        if row.kind in ("camera", "board"):
            if finding is None:
                return empty_still(clear, spot.cover, row.seed)
            return camera_still(
                finding.truth,
                finding.count,
                clear,
                spot.cover,
                row.seed,
                depth_m=finding.depth_m,
                fish_at=fish,
            )
        visit = self._demo.visits[look.visit]
        group = look.groups[0]
        shown = Scene(
            species=visit.target or "",
            count=group.count if visit.target else 0,
            depth_m=group.depth_m or spot.depth_min_m,
            placement=group.placement,
            bottom_m=spot.depth_max_m,
            cover=spot.cover,
        )
        return screen(row.kind, shown, row.seed, fish)

    def jpeg(self, row: PictureRow, fish: list[Box] | None = None) -> bytes:
        """The picture as a JPEG of at most 60 kB, without metadata."""
        picture = self.draw(row, fish)
        for quality in (82, 70, 55, 40):
            out = io.BytesIO()
            picture.save(out, "JPEG", quality=quality)
            if out.tell() <= LARGEST:
                break
        return out.getvalue()
