"""What a body unfolds to: everything a reader could get out of it by decoding, unpacking or opening it."""

import base64
import binascii
import contextlib
import gzip
import html
import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from urllib.parse import unquote_to_bytes

from PIL import Image

DEPTH = 3
_PERCENT = re.compile(rb"%[0-9A-Fa-f]{2}")
_ESCAPED = re.compile(rb"\\u[0-9A-Fa-f]{4}")
_ENTITY = re.compile(rb"&(?:#\d+|#x[0-9A-Fa-f]+|[a-z]+);")
_HEX = re.compile(rb"(?<![0-9A-Za-z])(?:0x|\\x)?([0-9A-Fa-f]{32,})(?![0-9A-Za-z])")
_BASE64 = re.compile(rb"[A-Za-z0-9+/_-]{12,}={0,2}")
_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.DOTALL)
_PDF_TEXT = re.compile(rb"\(((?:[^()\\]|\\.)*)\)")
_PDF_HEX = re.compile(rb"<([0-9A-Fa-f\s]+)>")
_PICTURES = (b"\xff\xd8\xff", b"\x89PNG", b"RIFF", b"GIF8", b"II*\x00", b"MM\x00*")

Unfolded = Iterator[bytes]


def _percent(body: bytes) -> Unfolded:
    if _PERCENT.search(body):
        yield unquote_to_bytes(body)


def _entities(body: bytes) -> Unfolded:
    if _ENTITY.search(body):
        yield html.unescape(body.decode("utf-8", "replace")).encode()


def _escapes(body: bytes) -> Unfolded:
    if _ESCAPED.search(body):
        yield _ESCAPED.sub(
            lambda match: chr(int(match.group()[2:], 16)).encode("utf-8", "surrogatepass"), body
        )


def _hex(body: bytes) -> Unfolded:
    for match in _HEX.finditer(body):
        text = match.group(1)
        yield bytes.fromhex(text[: len(text) // 2 * 2].decode())


def _base64(body: bytes) -> Unfolded:
    """Each run, from each of the four places where a group of four letters may begin."""
    for match in _BASE64.finditer(body):
        text = match.group().rstrip(b"=").replace(b"-", b"+").replace(b"_", b"/")
        for skip in range(4):
            part = text[skip:]
            part = part[: len(part) - (len(part) % 4 == 1)]
            try:
                yield base64.b64decode(part + b"=" * (-len(part) % 4))
            except binascii.Error:  # pragma: no cover - a run of the alphabet always decodes
                continue


def _gzip(body: bytes) -> Unfolded:
    start = body.find(b"\x1f\x8b\x08")
    if start >= 0:
        try:
            yield gzip.decompress(body[start:])
        except (OSError, EOFError, zlib.error):
            return


def _deflate(body: bytes) -> Unfolded:
    """A body that is a zlib stream, as `Content-Encoding: deflate` sends it; headers may stand before."""
    for start in {0, body.find(b"\n\n") + 2}:
        if body[start : start + 1] == b"\x78":
            try:
                yield zlib.decompressobj().decompress(body[start:])
            except zlib.error:
                continue


def _zip(body: bytes) -> Unfolded:
    start = body.find(b"PK\x03\x04")
    if start < 0:
        return
    try:
        with zipfile.ZipFile(io.BytesIO(body[start:])) as archive:
            for name in archive.namelist():
                yield name.encode() + b"\n" + archive.read(name)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, ValueError):
        return  # a copy that another reading shortened by chance; the archive itself is read as well


def _pdf(body: bytes) -> Unfolded:
    """The text of each stream: strings in brackets, joined as a reader would read them, and in hexadecimal."""
    if b"%PDF" not in body:
        return
    for match in _STREAM.finditer(body):
        content = match.group(1)
        with contextlib.suppress(zlib.error):
            content = zlib.decompressobj().decompress(content)
        yield content
        yield b"".join(m.group(1) for m in _PDF_TEXT.finditer(content))
        yield b"".join(
            bytes.fromhex(h if len(h) % 2 == 0 else h + "0")
            for h in (re.sub(r"\s", "", m.group(1).decode()) for m in _PDF_HEX.finditer(content))
        )


def _degrees(value: object) -> str:
    """Three numbers of EXIF as decimal degrees."""
    try:
        degrees, minutes, seconds = (float(part) for part in value)  # type: ignore[attr-defined]
    except (TypeError, ValueError, ZeroDivisionError):
        return ""
    return f"{degrees + minutes / 60 + seconds / 3600:.6f}"


def _metadata(body: bytes) -> Unfolded:
    """What a picture says beside its pixels: EXIF with its directories, XMP, text chunks, comments."""
    starts = [start for mark in _PICTURES if 0 <= (start := body.find(mark)) < 4096]
    for start in starts:
        try:
            with Image.open(io.BytesIO(body[start:])) as image:
                image.load()
                exif = image.getexif()
                words = [f"{key}: {value}" for key, value in (*image.info.items(), *exif.items())]
                for directory in (0x8825, 0x8769, 0xA005):
                    for key, value in exif.get_ifd(directory).items():
                        words += [f"{key}: {value}", _degrees(value)]
                        if isinstance(value, bytes):
                            yield value
                for value in image.info.values():
                    if isinstance(value, bytes):
                        yield value
                yield "\n".join(words).encode("utf-8", "replace")
        except Exception:  # noqa: S112 - not a picture after all
            continue


WRAPPINGS: dict[str, Callable[[bytes], Unfolded]] = {
    "percent encoding": _percent,
    "entities": _entities,
    "escapes": _escapes,
    "hexadecimal": _hex,
    "base64": _base64,
    "gzip": _gzip,
    "deflate": _deflate,
    "a zip file": _zip,
    "PDF": _pdf,
    "a picture's metadata": _metadata,
}


def _is_readable(body: bytes) -> bool:
    """True of text, and of the beginnings of formats that can be opened: noise is not unfolded further."""
    return body.isascii() or body.startswith((b"\x1f\x8b", b"PK", b"%PDF", b"\x78", *_PICTURES))


def unfold(body: bytes, depth: int = DEPTH, wrapping: str = "") -> Iterator[tuple[str, bytes]]:
    """Give (how it was wrapped, content) for the body itself and for all that it unfolds to, outermost first."""
    yield wrapping, body
    if depth == 0 or len(body) < 8:
        return
    for name, open_it in WRAPPINGS.items():
        for inner in open_it(body):
            if not inner or inner == body:
                continue
            inside = f"{wrapping} in {name}" if wrapping else name
            if name in ("base64", "hexadecimal") and not _is_readable(inner):
                yield inside, inner
            else:
                yield from unfold(inner, depth - 1, inside)
