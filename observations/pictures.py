"""Taking pictures in, and giving them out.

A picture is read once, made upright, scaled down, and written anew as a JPEG without a trace of what came
with it: no position, no camera, no name. The original is never stored. What is not wholly a picture is
refused. The small one for lists is the worker's to make (`make_small`).
"""

import io
import os
import re
import threading
import uuid
import warnings
import zipfile
from collections.abc import Iterable, Sequence
from contextlib import nullcontext, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Protocol

from django.conf import settings
from django.core.exceptions import ValidationError
from pi_heif import register_heif_opener
from PIL import ExifTags, Image, ImageDraw, UnidentifiedImageError

from club.models import Member
from club.turns import Turn, take_turn
from observations.models import Finding, Observation, Picture

MAX_BYTES = 15 * 1024 * 1024
# A decoded pixel takes four bytes, and a decoder may keep two copies: 400 MB at the worst, for one picture at a time.
MAX_PIXELS = 50_000_000
# A WebP's keeps four, as any of them might move.
_MAX_PIXELS_OF = {"WEBP": 24_000_000}
_LARGE_PIXELS = 16_000_000
_ONE_LARGE = threading.Lock()
MAX_SIDE = 20_000
STORED_SIDE = 2048
SMALL_SIDE = 400
MAX_PICTURES = 6
_QUALITY = 85
_SMALL_QUALITY = 75

_STRIP_PIXELS = 1_000_000
_TURNED = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
# The first picture of a container, decoded in this thread; no thumbnails, no depth images.
register_heif_opener(thumbnails=False, depth_images=False, aux_images=False, decode_threads=1)
# Pillow's own guard, in case a decoder looks at a size before we do.
Image.MAX_IMAGE_PIXELS = MAX_PIXELS

_KINDS = "JPEG, PNG, HEIC and WebP"
_FORMATS = ("JPEG", "PNG", "WEBP", "HEIF")
# What a file that is also something else carries; a browser or a tool could take it for that.
_FOREIGN = (
    (re.compile(rb"<svg[\s>]", re.I), "SVG"),
    (re.compile(rb"<script[\s>]", re.I), "a script"),
    (re.compile(rb"<html[\s>]", re.I), "a web page"),
    (re.compile(rb"<\?php\s", re.I), "a program"),
)
# Readers of such files look near the beginning or the end; in between, chance alone would raise an alarm.
_EDGE = 65_536


class Readable(Protocol):
    """A file, or Django's upload."""

    def read(self, size: int, /) -> bytes: ...


@dataclass(frozen=True)
class CleanPicture:
    """A picture as it will be stored: JPEG without metadata."""

    content: bytes
    width: int
    height: int


def _refuse(name: str, why: str) -> ValidationError:
    return ValidationError(f'"{name}": {why}', code="picture")


def _foreign(raw: bytes) -> str:
    """Return what else the file is, or nothing."""
    edges = raw[:_EDGE] + raw[-_EDGE:]
    for sign, what in _FOREIGN:
        if sign.search(edges):
            return what
    if b"%PDF-" in raw[:1024]:
        return "a PDF"
    return "a zip archive" if zipfile.is_zipfile(io.BytesIO(raw)) else ""


def _open(raw: bytes, name: str) -> Image.Image:
    """Open the first frame as plain pixels, upright and not much larger than is stored.

    Raises ValidationError saying what is wrong.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error", Image.DecompressionBombWarning)
        try:
            image: Image.Image = Image.open(io.BytesIO(raw), formats=_FORMATS)
            width, height = image.size
            most = _MAX_PIXELS_OF.get(image.format or "", MAX_PIXELS)
            if width * height > most or max(width, height) > MAX_SIDE:
                of = " of a WebP" if most < MAX_PIXELS else ""
                raise _refuse(
                    name,
                    f"{width} × {height} pixels is too large: at most {most // 1_000_000} million in all{of}"
                    f" and {MAX_SIDE:,} along a side.",
                )
            # A JPEG decodes straight to a smaller size; other kinds ignore this.
            image.draft("RGB", (STORED_SIDE, STORED_SIDE))
            with _ONE_LARGE if width * height > _LARGE_PIXELS else nullcontext():
                image.load()
                turned = _TURNED.get(image.getexif().get(ExifTags.Base.Orientation, 1))
                plain = _reduced(image)
                image.close()
            return plain.transpose(turned) if turned is not None else plain
        except ValidationError:
            raise
        except UnidentifiedImageError:
            raise _refuse(name, f"this is not a picture that can be read: {_KINDS} are.") from None
        except (Image.DecompressionBombError, Image.DecompressionBombWarning):
            raise _refuse(
                name, f"it unpacks to more than {MAX_PIXELS // 1_000_000} million pixels, which is the most."
            ) from None
        except Exception:
            # Decoders fail on hostile bytes in many ways (OSError, SyntaxError, struct.error, ValueError …).
            raise _refuse(name, "the picture is damaged or cut short.") from None


def _plain(image: Image.Image) -> Image.Image:
    """Return the pixels alone, as RGB on white, in a new image that carries nothing along."""
    if image.mode in ("I;16", "I;16B", "I;16L", "I"):
        # Sixteen bits a sample: the upper eight are the picture.
        image = image.convert("I").point(lambda value: value / 256).convert("L")
    if "A" in image.getbands() or "transparency" in image.info:
        rgba = image.convert("RGBA")
        plain = Image.new("RGB", rgba.size, "white")
        plain.paste(rgba, mask=rgba.getchannel("A"))
        return plain
    plain = Image.new("RGB", image.size)
    plain.paste(image.convert("RGB"))
    return plain


def _reduced(image: Image.Image) -> Image.Image:
    """Return the pixels alone; of what is twice as large as what is stored or more, the means of whole squares.

    Strip by strip, so that a large picture is in memory once.
    """
    step = max(image.size) // STORED_SIDE
    if step < 2:
        return _plain(image)
    whole = Image.new("RGB", (-(-image.width // step), -(-image.height // step)))
    rows = max(1, _STRIP_PIXELS // (image.width * step))
    for top in range(0, whole.height, rows):
        edges = (0, top * step, image.width, min((top + rows) * step, image.height))
        whole.paste(_plain(image.crop(edges)).reduce(step), (0, top))
    return whole


def _jpeg(image: Image.Image, side: int, quality: int = _QUALITY) -> tuple[bytes, tuple[int, int]]:
    copy = image.copy()
    copy.thumbnail((side, side), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    copy.save(out, "JPEG", quality=quality, optimize=True, progressive=True)
    return out.getvalue(), copy.size


def clean_picture(upload: Readable, name: str) -> CleanPicture:
    """Return the picture as it may be stored, or raise ValidationError naming the file and the rule."""
    name = Path(name.replace("\\", "/")).name[:80] or "picture"
    raw = upload.read(MAX_BYTES + 1)
    if not raw:
        raise _refuse(name, "the file is empty.")
    if len(raw) > MAX_BYTES:
        raise _refuse(name, f"the file is larger than {MAX_BYTES // 1024 // 1024} MB, which is the most.")
    if what := _foreign(raw):
        raise _refuse(
            name, f"the file is or carries {what}; {_KINDS} pictures are taken, with nothing else in them."
        )
    plain = _open(raw, name)
    content, (width, height) = _jpeg(plain, STORED_SIDE)
    return CleanPicture(content, width, height)


def clean_pictures(uploads: Iterable[tuple[Readable, str]]) -> list[CleanPicture]:
    """Return every picture, or raise one ValidationError with a message for each that is refused."""
    clean, errors = [], []
    for upload, name in uploads:
        try:
            clean.append(clean_picture(upload, name))
        except ValidationError as error:
            errors += error.messages
    if errors:
        raise ValidationError(errors, code="picture")
    return clean


def _path(name: str) -> Path:
    return Path(settings.MEDIA_ROOT) / name


def _write(path: Path, content: bytes) -> None:
    """Write a file so that it is there whole or not at all, for the owner of the process only."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    try:
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(descriptor, "wb") as file:  # noqa: PTH123 - a descriptor, opened with its mode
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.rename(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise


def small_name(picture: Picture) -> str:
    return f"{picture.pk}-small.jpg"


def write(row: Picture, picture: CleanPicture) -> None:
    """Write the file of one picture."""
    _write(_path(row.stored_name), picture.content)


def store(
    pictures: Sequence[tuple[CleanPicture, Finding | None]],
    look: Observation,
    member: Member,
    moment: datetime,
    ids: Sequence[uuid.UUID] = (),
) -> list[Picture]:
    """Write the files and save the rows, under `ids` where given. When a file cannot be written, none of them stays."""
    rows = [
        Picture(
            id=ids[number] if ids else uuid.uuid4(),
            look=look,
            finding=finding,
            uploaded_by=member,
            width=picture.width,
            height=picture.height,
            created_at=moment,
        )
        for number, (picture, finding) in enumerate(pictures)
    ]
    try:
        for row, (picture, _) in zip(rows, pictures, strict=True):
            write(row, picture)
        return Picture.objects.bulk_create(rows)
    except BaseException:
        discard(rows)
        raise


def discard(rows: Iterable[Picture]) -> None:
    """Remove the files of pictures whose rows were not saved after all."""
    for row in rows:
        for name in (row.stored_name, small_name(row)):
            with suppress(OSError):
                _path(name).unlink(missing_ok=True)


def content_of(picture: Picture, small: bool = False) -> bytes | None:
    """Return the stored bytes, or None when the file is not there. Without a small one, the whole is sent."""
    for name in (small_name(picture), picture.stored_name) if small else (picture.stored_name,):
        with suppress(FileNotFoundError):
            return _path(name).read_bytes()
    return None


def make_small(picture_id: uuid.UUID) -> bool:
    """Write a picture's small one, if the picture is there; within a transaction, like all that writes its files.

    False when there is nothing to make it of. What was thrown away meanwhile leaves no small one behind.
    """
    row = Picture(id=picture_id)
    plain = _reread(row, SMALL_SIDE)
    if plain is None:
        return False
    _write(_path(small_name(row)), _jpeg(plain, SMALL_SIDE, _SMALL_QUALITY)[0])
    if not _path(row.stored_name).exists():
        _path(small_name(row)).unlink(missing_ok=True)
        return False
    return True


_BLOCK = 16


def _reread(picture: Picture, side: int = STORED_SIDE) -> Image.Image | None:
    """Return a picture's stored pixels, to be written anew within this transaction; None when the file is not there.

    With a smaller `side`, at about twice that: enough to be scaled down from.
    """
    take_turn(Turn.FILE_OF_PICTURE, picture.pk)
    content = content_of(picture)
    if content is None:
        return None
    with Image.open(io.BytesIO(content), formats=("JPEG",)) as image:
        if side < STORED_SIDE:
            image.draft("RGB", (2 * side, 2 * side))
        return _plain(image)


def black_out(picture: Picture, box: tuple[int, int, int, int]) -> bool:
    """Paint a box (left, top, width, height in pixels) black for good; False when the file is not there.

    Both files are written anew from the painted pixels, the small one first: whatever fails in between, the whole
    picture is the last to keep what was to go, and the member is told to do it again. Within a transaction: two
    boxes at once are both painted, and no copy is made meanwhile of what was to go.
    """
    plain = _reread(picture)
    if plain is None:
        return False
    left, top, width, height = box
    # To whole blocks of the JPEG, and a little beyond: what lay inside has left its trace in all of a block.
    edges = (left - 2) // _BLOCK * _BLOCK, (top - 2) // _BLOCK * _BLOCK
    far = -(-(left + width + 2) // _BLOCK) * _BLOCK - 1, -(-(top + height + 2) // _BLOCK) * _BLOCK - 1
    ImageDraw.Draw(plain).rectangle((*edges, *far), fill="black")
    _write(_path(small_name(picture)), _jpeg(plain, SMALL_SIDE, _SMALL_QUALITY)[0])
    _write(_path(picture.stored_name), _jpeg(plain, STORED_SIDE)[0])
    return True


_COPY_SIDE, _SMALL_COPY_SIDE = 1280, 360
_COPY_QUALITY = 80


def copy_name(cleared_id: uuid.UUID, small: bool = False) -> str:
    return f"cleared-{cleared_id}{'-small' if small else ''}.jpg"


def write_copy(picture: Picture, cleared_id: uuid.UUID) -> bool:
    """Write a picture's copy for everybody, scaled and encoded anew; False when its file is not there."""
    plain = _reread(picture)
    if plain is None:
        return False
    # A pixel of each edge goes too, so that not even the shape is that of the original.
    plain = plain.crop((1, 1, plain.width - 1, plain.height - 1)) if min(plain.size) > 16 else plain
    _write(_path(copy_name(cleared_id)), _jpeg(plain, _COPY_SIDE, _COPY_QUALITY)[0])
    _write(_path(copy_name(cleared_id, small=True)), _jpeg(plain, _SMALL_COPY_SIDE, _COPY_QUALITY)[0])
    return True


def copy_content(cleared_id: uuid.UUID, small: bool = False) -> bytes | None:
    with suppress(FileNotFoundError):
        return _path(copy_name(cleared_id, small)).read_bytes()
    return None


def forget_copy(cleared_id: uuid.UUID) -> None:
    for small in (False, True):
        with suppress(OSError):
            _path(copy_name(cleared_id, small)).unlink(missing_ok=True)
