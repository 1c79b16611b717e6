"""What a picture costs while it is taken in, measured in a process of its own: a small file can hold a large one."""

import io
import json
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

from PIL import Image

from tests.observations.test_pictures import chunk

ROOT = Path(__file__).resolve().parents[2]
MOST_MB = 450
"""Over what the process has before. One decoded picture of 50 million pixels is 200 MB; decoders keep copies."""

CHILD = """
import json, sys, django
django.setup()
from django.core.exceptions import ValidationError
from observations.bench.timing import peak_mib
from observations.pictures import clean_picture

before, told = peak_mib(), {}
for path in sys.argv[1:]:
    with open(path, "rb") as file:
        try:
            made = clean_picture(file, path)
            said = f"{made.width} x {made.height}"
        except ValidationError as error:
            said = error.messages[0]
    told[path.rsplit("/", 1)[1]] = (peak_mib() - before, said)
print(json.dumps(told))
"""


def png(width: int, height: int) -> bytes:
    """A PNG of red, green, blue and opacity, all nothing: 4 bytes a pixel in a file of some hundred kilobytes."""
    packer, row = zlib.compressobj(1), b"\0" * (4 * width + 1)
    rows = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    header = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def moving(width: int, height: int) -> bytes:
    out = io.BytesIO()
    frames = [Image.new("RGB", (width, height), (shade, 0, 0)) for shade in (0, 200)]
    frames[0].save(out, "WEBP", save_all=True, append_images=frames[1:], method=0, quality=10)
    return out.getvalue()


def wide_webp() -> bytes:
    """A moving WebP that says it is 16,384 pixels square, which is the most, around a frame of 32."""
    small = bytearray(moving(32, 32))
    at = small.index(b"VP8X") + 12
    small[at : at + 6] = (16_383).to_bytes(3, "little") * 2
    return bytes(small)


def test_a_large_picture_takes_little_more_than_itself(tmp_path: Path) -> None:
    files = {
        "opaque.png": png(7000, 7000),
        "long.png": png(20_000, 2500),
        "moving.webp": moving(4800, 4800),
        "wide.webp": wide_webp(),
        "wide.png": png(30_000, 100),
    }
    for name, content in files.items():
        assert len(content) < 1_000_000
        (tmp_path / name).write_bytes(content)
    run = subprocess.run(  # noqa: S603 - our own
        [sys.executable, "-c", CHILD, *(str(tmp_path / name) for name in files)],
        cwd=ROOT, check=True, capture_output=True, timeout=120,
        env={**os.environ, "DJANGO_SETTINGS_MODULE": "club.settings"},
    )  # fmt: skip
    told = json.loads(run.stdout)
    print(told)
    assert [told[name][1] for name in ("opaque.png", "long.png", "moving.webp")] == [
        "2048 x 2048",
        "2048 x 256",
        "2048 x 2048",
    ]
    assert "50 million pixels, which is the most" in told["wide.webp"][1]
    assert "20,000 along a side" in told["wide.png"][1]
    assert max(peak for peak, _ in told.values()) < MOST_MB
