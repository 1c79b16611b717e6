"""The drawn pictures: small, without metadata, the same every time, and telling the species apart."""

import io

import numpy as np
import pytest
from PIL import Image

from observations.demo.fishart import LOOKS, fish
from observations.demo.pictures import LARGEST, Studio
from observations.demo.rows import SPECIES, PictureRow
from observations.demo.simulate import simulate
from observations.demo.stills import SIZE, board


def one_of_each_kind() -> list[PictureRow]:
    return list({row.kind: row for row in simulate().pictures}.values())


@pytest.mark.parametrize("row", one_of_each_kind(), ids=lambda row: row.kind)
def test_a_picture_is_a_small_jpeg_without_metadata(row: PictureRow) -> None:
    content = Studio(simulate()).jpeg(row)
    picture = Image.open(io.BytesIO(content))
    assert len(content) <= LARGEST
    assert picture.format == "JPEG"
    assert picture.size == SIZE
    assert not picture.getexif()


@pytest.mark.parametrize("row", one_of_each_kind(), ids=lambda row: row.kind)
def test_drawing_again_gives_the_same_bytes(row: PictureRow) -> None:
    assert Studio(simulate()).jpeg(row) == Studio(simulate()).jpeg(row)


def test_every_species_can_be_drawn_and_no_two_alike() -> None:
    assert set(LOOKS) == set(SPECIES)
    drawn = {species: np.asarray(fish(species).resize((90, 64)), dtype=float) for species in SPECIES}
    for one in SPECIES:
        for other in SPECIES:
            if one < other:
                assert np.abs(drawn[one] - drawn[other]).mean() > 2.0, (one, other)


@pytest.mark.parametrize("length_mm", [180, 305, 620])
def test_a_fish_on_the_board_measures_what_it_is_said_to(length_mm: int) -> None:
    """Read the board as a checker would: from the stop to the tail's tip, in the board's own centimetres."""
    picture = np.asarray(board("gizzard-shad", length_mm, 5).convert("RGB"), dtype=float)
    plain = np.array([214, 196, 156])
    rows = picture[200:370, 60:]
    blue = rows[..., 2] - rows[..., 0] > plain[2] - plain[0] + 35
    columns = np.flatnonzero(blue.sum(axis=0) >= 3)
    tip = 60 + columns.max()
    ruler = np.asarray(board("gizzard-shad", length_mm, 5).convert("L"), dtype=float)[47]
    ticks = np.flatnonzero(ruler[30:] < 110) + 30
    hundreds = ticks[np.insert(np.diff(ticks) > 3, 0, True)]
    scale = (hundreds[-1] - hundreds[0]) / (100 * (len(hundreds) - 1))
    assert (tip - hundreds[0]) / scale == pytest.approx(length_mm, rel=0.03)
