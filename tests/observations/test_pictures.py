"""Pictures come in clean or not at all."""

import io
import struct
import zipfile
import zlib
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from PIL import Image, PngImagePlugin
from PIL.ExifTags import GPS, IFD, Base

from observations import pictures
from observations.pictures import clean_picture, clean_pictures

# What a phone writes into a picture, and must not be found in what is stored.
SECRETS = (b"SECRET", b"Exif", b"http://ns.adobe.com", b"ICC_PROFILE", b"Photoshop")


def picture(size: tuple[int, int] = (60, 40), mode: str = "RGB", kind: str = "JPEG", **options: Any) -> bytes:
    out = io.BytesIO()
    colour: Any = {
        "RGB": (200, 40, 40),
        "RGBA": (200, 40, 40, 128),
        "L": 90,
        "P": 3,
        "CMYK": (10, 20, 30, 40),
    }[mode]
    Image.new(mode, size, colour).save(out, kind, **options)
    return out.getvalue()


def located_exif(orientation: int = 1) -> Image.Exif:
    exif = Image.Exif()
    exif[Base.Orientation] = orientation
    exif[Base.Make] = "SECRET maker"
    exif[Base.Artist] = "SECRET angler"
    gps = exif.get_ifd(IFD.GPSInfo)
    gps[GPS.GPSLatitudeRef] = "N"
    gps[GPS.GPSLatitude] = (36.0, 12.0, 34.5)
    gps[GPS.GPSLongitudeRef] = "W"
    gps[GPS.GPSLongitude] = (86.0, 46.0, 53.1)
    gps[GPS.GPSAreaInformation] = b"SECRET cove"
    return exif


def refusal(raw: bytes, name: str = "fish.jpg") -> str:
    with pytest.raises(ValidationError) as caught:
        clean_picture(io.BytesIO(raw), name)
    (message,) = caught.value.messages
    assert name in message
    return str(message)


def reopened(content: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(content))
    image.load()
    return image


def test_position_maker_comment_and_profile_are_gone() -> None:
    profile = b"SECRET profile"
    packet = b'<x:xmpmeta xmlns:x="adobe:ns:meta/">SECRET</x:xmpmeta>'
    raw = picture(
        exif=located_exif(), comment=b"SECRET comment", xmp=packet, icc_profile=profile, dpi=(71, 71)
    )
    assert raw.count(b"SECRET") >= 5  # the picture that goes in has them all
    assert Image.open(io.BytesIO(raw)).getexif().get_ifd(IFD.GPSInfo)
    clean = clean_picture(io.BytesIO(raw), "fish.jpg")
    for secret in SECRETS:
        assert secret not in clean.content
    image = reopened(clean.content)
    assert not image.getexif()
    assert set(image.info) <= {
        "jfif",
        "jfif_version",
        "jfif_unit",
        "jfif_density",
        "progressive",
        "progression",
    }
    assert image.info["jfif_density"] == (1, 1)


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_position_in_other_kinds_is_gone_too(kind: str) -> None:
    options: dict[str, Any] = {"exif": located_exif()}
    if kind == "PNG":
        options["pnginfo"] = PngImagePlugin.PngInfo()
        options["pnginfo"].add_text("Comment", "SECRET words")
    raw = picture(kind=kind, **options)
    assert b"SECRET" in raw
    clean = clean_picture(io.BytesIO(raw), "screen")
    assert b"SECRET" not in clean.content
    assert reopened(clean.content).format == "JPEG"


def test_a_picture_taken_on_its_side_is_turned_before_the_note_about_it_is_dropped() -> None:
    source = Image.new("RGB", (40, 20), "white")
    source.paste((255, 0, 0), (0, 0, 20, 20))  # the left half is red
    out = io.BytesIO()
    source.save(
        out, "JPEG", exif=located_exif(orientation=6), quality=95
    )  # 6: turn a quarter clockwise to view
    clean = clean_picture(io.BytesIO(out.getvalue()), "fish.jpg")
    assert (clean.width, clean.height) == (20, 40)
    image = reopened(clean.content).convert("RGB")
    top, bottom = image.getpixel((10, 5)), image.getpixel((10, 35))
    assert isinstance(top, tuple)
    assert isinstance(bottom, tuple)
    assert top[1] < 60 < 200 < bottom[1]


def test_a_large_picture_is_scaled_down_and_a_small_one_is_not_blown_up() -> None:
    large = clean_picture(io.BytesIO(picture((4000, 3000))), "fish.jpg")
    assert (large.width, large.height) == (2048, 1536)
    little = clean_picture(io.BytesIO(picture((60, 40))), "fish.jpg")
    assert (little.width, little.height) == (60, 40)


@pytest.mark.parametrize(
    ("mode", "kind"), [("RGBA", "PNG"), ("L", "PNG"), ("P", "PNG"), ("CMYK", "JPEG"), ("RGBA", "WEBP")]
)
def test_every_ordinary_kind_of_colour_is_taken(mode: str, kind: str) -> None:
    assert reopened(clean_picture(io.BytesIO(picture(mode=mode, kind=kind)), "x").content).mode == "RGB"


def test_sixteen_bit_grey_keeps_its_shades() -> None:
    out = io.BytesIO()
    Image.new("I;16", (20, 20), 0x8000).save(out, "PNG")
    shade = (
        reopened(clean_picture(io.BytesIO(out.getvalue()), "echo.png").content).convert("L").getpixel((5, 5))
    )
    assert isinstance(shade, int)
    assert abs(shade - 128) <= 2


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few kilobytes that unpacks to width × height pixels."""
    packer = zlib.compressobj(9)
    row = b"\0" * (width // 8 + 1)
    rows = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def test_a_decompression_bomb_is_refused_before_it_unpacks(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = bomb(8000, 8000)
    assert len(raw) < 50_000
    monkeypatch.setattr(Image.Image, "load", lambda self: pytest.fail("it was unpacked"))
    assert "50 million" in refusal(raw, "bomb.png")
    assert "50 million" in refusal(
        bomb(11_000, 11_000), "bomb.png"
    )  # beyond twice the limit Pillow itself objects


def test_a_long_thin_picture_is_refused() -> None:
    assert "20,000 along a side" in refusal(bomb(20_008, 8), "thin.png")


def archive() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        file.writestr("run.class", "code")
    return out.getvalue()


SVG = b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>'


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (SVG, "SVG"),
        (picture() + archive(), "zip archive"),
        (picture(comment=b"<script >alert(1)</script>"), "a script"),
        (picture(comment=b"<html>"), "a web page"),
        (picture(comment=b"%PDF-1.7"), "a PDF"),
        (picture() + b"<?php system($_GET[0]);", "a program"),
        (b"GIF89a" + b"\0" * 40, "JPEG, PNG, HEIC and WebP"),
        (b"BM" + b"\0" * 60, "JPEG, PNG, HEIC and WebP"),
        (b"just words", "JPEG, PNG, HEIC and WebP"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "not a picture"),
        (b"", "empty"),
    ],
    ids=["svg", "jpeg+zip", "script", "html", "pdf", "php", "gif", "bmp", "text", "heic", "empty"],
)
def test_what_is_not_wholly_a_picture_is_refused_by_name(raw: bytes, says: str) -> None:
    assert says in refusal(raw)


def noisy(kind: str) -> bytes:
    out = io.BytesIO()
    Image.effect_noise((300, 300), 80).save(out, kind)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_picture_cut_short_is_refused(kind: str) -> None:
    raw = noisy(kind)
    clean_picture(io.BytesIO(raw), "whole")  # whole, it is taken
    message = refusal(raw[: len(raw) // 2])
    assert "damaged or cut short" in message or "cannot be read" in message or "can be read" in message


def test_a_png_named_jpg_is_taken_for_what_it_is_and_a_zip_named_jpg_is_not() -> None:
    assert clean_picture(io.BytesIO(picture(kind="PNG")), "fish.jpg").content[:3] == b"\xff\xd8\xff"
    assert "zip archive" in refusal(archive(), "fish.jpg")


def test_a_file_beyond_fifteen_megabytes_is_refused() -> None:
    assert "15 MB" in refusal(picture() + b"\0" * pictures.MAX_BYTES)


def test_a_path_in_the_name_is_not_repeated() -> None:
    with pytest.raises(ValidationError) as caught:
        clean_picture(io.BytesIO(b"x"), "C:\\boats\\secret\\fish.jpg")
    assert "boats" not in caught.value.messages[0]


def test_every_bad_picture_of_several_is_named() -> None:
    files = [
        (io.BytesIO(b"x"), "one.jpg"),
        (io.BytesIO(picture()), "two.jpg"),
        (io.BytesIO(SVG), "three.svg"),
    ]
    with pytest.raises(ValidationError) as caught:
        clean_pictures(files)
    assert [message.split('"')[1] for message in caught.value.messages] == ["one.jpg", "three.svg"]
