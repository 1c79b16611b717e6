"""Whatever a picture brings with it stays outside: metadata of every kind, other frames, other files, its name."""

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from django.conf import settings
from django.core.exceptions import ValidationError
from django.test import Client
from PIL import Image, PngImagePlugin

from observations.models import Picture
from observations.pictures import CleanPicture, clean_picture
from tests.conftest import Places
from tests.observations.heic import HEIC
from tests.observations.log_page import CALLED, post, saved
from tests.observations.test_pictures import located_exif, picture, refusal

SECRET = b"SECRET 45.03272"
JPEG_END = b"\xff\xd9"


def segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def with_segment(raw: bytes, marker: int, body: bytes) -> bytes:
    """Put a marker segment right behind the start of a JPEG (ISO/IEC 10918-1, B.1)."""
    return raw[:2] + segment(marker, body) + raw[2:]


def iptc() -> bytes:
    """An IPTC-IIM caption (2:120) in a Photoshop resource 0x0404 of an APP13 segment."""
    record = b"\x1c\x02\x78" + struct.pack(">H", len(SECRET)) + SECRET
    resource = b"8BIM\x04\x04\x00\x00" + struct.pack(">I", len(record)) + record + b"\0" * (len(record) % 2)
    return with_segment(picture(), 0xED, b"Photoshop 3.0\0" + resource)


def located_thumbnail() -> bytes:
    """A JPEG whose Exif block has a second directory with a thumbnail, which carries a comment of its own."""
    small = with_segment(picture((16, 12)), 0xFE, SECRET)
    # TIFF, little-endian: an empty first directory, then one with JPEGInterchangeFormat (513) and its length (514).
    first = struct.pack("<HI", 0, 14)
    second = struct.pack("<HHHIIHHIII", 2, 513, 4, 1, 44, 514, 4, 1, len(small), 0)
    tiff = b"II*\0" + struct.pack("<I", 8) + first + second
    tiff += b"\0" * (44 - len(tiff)) + small
    return with_segment(picture(), 0xE1, b"Exif\0\0" + tiff)


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_with(kind: bytes, body: bytes) -> bytes:
    raw = picture(kind="PNG")
    end = raw.index(b"IEND") - 4
    return raw[:end] + chunk(kind, body) + raw[end:]


CARRIERS = {
    "IPTC": iptc,
    "JPEG comment": lambda: with_segment(picture(), 0xFE, SECRET),
    "XMP": lambda: with_segment(picture(), 0xE1, b"http://ns.adobe.com/xap/1.0/\0" + SECRET),
    "thumbnail in Exif": located_thumbnail,
    "another maker's segment": lambda: with_segment(picture(), 0xE5, SECRET),
    "bytes behind the end of a JPEG": lambda: picture() + SECRET,
    "PNG tEXt": lambda: png_with(b"tEXt", b"Comment\0" + SECRET),
    "PNG zTXt": lambda: png_with(b"zTXt", b"Comment\0\0" + zlib.compress(SECRET)),
    "PNG iTXt": lambda: png_with(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + SECRET),
    "PNG eXIf": lambda: png_with(b"eXIf", located_exif().tobytes()[6:]),
    "PNG private chunk": lambda: png_with(b"seCr", SECRET),
    "bytes behind the end of a PNG": lambda: picture(kind="PNG") + SECRET,
    "WebP Exif and XMP": lambda: picture(kind="WEBP", exif=located_exif(), xmp=SECRET),
}


def segments(content: bytes) -> list[int]:
    """Return the markers of a JPEG up to its first scan: a reader of the format, apart from Pillow."""
    at, found = 2, []
    while content[at] == 0xFF and content[at + 1] != 0xDA:
        found.append(content[at + 1])
        at += 2 + struct.unpack(">H", content[at + 2 : at + 4])[0]
    return found


@pytest.mark.parametrize("carrier", CARRIERS)
def test_nothing_written_beside_the_picture_is_kept(carrier: str) -> None:
    raw = CARRIERS[carrier]()
    assert b"SECRET" in raw or carrier == "PNG zTXt"
    clean = clean_picture(io.BytesIO(raw), "fish.jpg")
    for sign in (
        b"SECRET",
        b"Exif",
        b"Photoshop",
        b"8BIM",
        b"http://ns",
        b"seCr",
        zlib.compress(SECRET)[2:-4],
    ):
        assert sign not in clean.content
    # JFIF, tables and frames; no application segment but APP0, no comment; and nothing behind the end.
    assert {marker for marker in segments(clean.content) if 0xE1 <= marker <= 0xEF or marker == 0xFE} == set()
    assert clean.content.endswith(JPEG_END)


def frames(kind: str) -> bytes:
    out = io.BytesIO()
    first, second = Image.new("RGB", (64, 48), "navy"), Image.new("RGB", (64, 48), "red")
    first.save(
        out,
        kind,
        save_all=True,
        append_images=[second],
        duration=200,
        **({"lossless": True} if kind == "WEBP" else {}),
    )
    return out.getvalue()


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_of_a_moving_picture_the_first_frame_is_kept(kind: str) -> None:
    raw = frames(kind)
    assert getattr(Image.open(io.BytesIO(raw)), "n_frames", 1) == 2
    clean: CleanPicture = clean_picture(io.BytesIO(raw), "fish.png")
    kept = Image.open(io.BytesIO(clean.content))
    assert getattr(kept, "n_frames", 1) == 1
    red, _, blue = kept.convert("RGB").getpixel((30, 20))  # type: ignore[misc]
    assert blue > 90 > red


def test_a_heic_picture_of_a_phone_is_taken_upright_without_what_it_carries() -> None:
    assert b"SECRET maker" in HEIC
    clean = clean_picture(io.BytesIO(HEIC), "IMG_0412.HEIC")
    kept = Image.open(io.BytesIO(clean.content))
    assert (kept.format, kept.size, kept.getexif()) == ("JPEG", (64, 96), {})
    assert b"SECRET" not in clean.content and b"Exif" not in clean.content
    red, _, blue = kept.getpixel((54, 10))  # type: ignore[misc]
    assert blue > 150 > red, "the blue corner came to the top right"


def test_a_heic_picture_that_says_a_size_it_has_not_is_refused() -> None:
    at = HEIC.index(b"ispe")
    lie = HEIC[: at + 8] + struct.pack(">II", 9000, 9000) + HEIC[at + 16 :]
    assert "pixels" in refusal(lie, "IMG_0412.HEIC")
    lie = HEIC[: at + 8] + struct.pack(">II", 8, 8) + HEIC[at + 16 :]
    assert "damaged" in refusal(lie, "IMG_0412.HEIC")


@pytest.mark.parametrize("cut", [30, 200, 500, 700])
def test_a_heic_picture_cut_anywhere_is_refused(cut: int) -> None:
    refusal(HEIC[:cut], "IMG_0412.HEIC")


@pytest.mark.parametrize("kind", ["GIF", "BMP", "TIFF", "ICO"])
def test_other_kinds_are_refused_whatever_they_are_called(kind: str) -> None:
    assert "not a picture that can be read" in refusal(picture((32, 32), kind=kind), "fish.jpg")


@pytest.mark.parametrize("cut", [2, 20, 200, 600])
def test_a_file_cut_anywhere_is_refused(cut: int) -> None:
    with pytest.raises(ValidationError):
        clean_picture(io.BytesIO(picture((300, 200))[:cut]), "fish.jpg")


def test_a_name_with_coordinates_is_kept_nowhere(
    places: Places, client_of: Callable[..., Client], quiet_queue: object
) -> None:
    upload = io.BytesIO(picture((200, 150)))
    upload.name = "45.044379,-93.265951 stump.jpg"
    client = client_of("member")
    saved(post(client, places.shared, "forward", **CALLED, pictures=upload))
    row = Picture.objects.get()
    stored = sorted(path.name for path in Path(settings.MEDIA_ROOT).iterdir())
    assert stored == [f"{row.pk}.jpg"]
    assert "45.044" not in " ".join(str(value) for value in Picture.objects.values_list()[0])
    answer = client.get(f"/pictures/{row.pk}/")
    assert answer.headers["Content-Disposition"] == 'inline; filename="picture.jpg"'
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "private, no-store"
    assert "default-src" in answer.headers.get("Content-Security-Policy", "")
    for path in (
        "/media/",
        f"/media/{row.pk}.jpg",
        f"/pictures/{row.pk}.jpg",
        f"/static/../media/{row.pk}.jpg",
    ):
        assert client.get(path).status_code == 404
    assert Client().get(f"/pictures/{row.pk}/").status_code == 404


def test_a_text_chunk_that_unpacks_without_end_is_refused() -> None:
    info = PngImagePlugin.PngInfo()
    info.add_text("Comment", "x" * 80_000_000, zip=True)
    raw = picture(kind="PNG", pnginfo=info)
    assert len(raw) < 200_000
    refusal(raw, "fish.png")
