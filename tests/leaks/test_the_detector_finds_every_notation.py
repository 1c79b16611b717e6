"""The detector itself: a suite that cannot find a leak proves nothing."""

import base64
import struct

import pytest

from tests.leaks.positions import Canary, finds, mercator

CANARY = Canary("Canary Pile", -93.276713, 45.021137)
X, Y = mercator(CANARY.lon, CANARY.lat)

LEAKS = {
    "name": b"<h1>Canary Pile</h1>",
    "decimal degrees": b'{"coordinates": [-93.2767, 45.0211]}',
    "degrees and minutes": "45° 1.2682' N 93° 16.603' W".encode(),
    "Web Mercator metres": f"POINT({X:.1f} {Y:.1f})".encode(),
    "binary": b"\x01\x01\x00\x00\x00" + struct.pack("<dd", CANARY.lon, CANARY.lat),
    "hexadecimal binary": (b"\x01\x01\x00\x00\x00" + struct.pack("<dd", CANARY.lon, CANARY.lat))
    .hex()
    .encode(),
    "base64": base64.b64encode(b'{"lat": 45.021137, "lon": -93.276713}'),
}


@pytest.mark.parametrize("notation", LEAKS)
def test_it_finds_a_position(notation: str) -> None:
    assert finds(LEAKS[notation], CANARY) == notation


def test_it_leaves_the_corners_of_a_public_square_alone() -> None:
    assert (
        finds(
            b'{"coordinates": [[[-93.2959, 45.0310], [-93.2740, 45.0310]]]}'.replace(
                b"-93.2740", b"-93.3178"
            ),
            CANARY,
        )
        == ""
    )


def test_it_leaves_random_tokens_alone() -> None:
    body = b"csrf=pSXq0Yw3mJt9ZVxk4bQe7Rk1Lw8Hn2Pd6Gf5Tc0Ua3 id=4f1c2f8e-7d1f-4b60-9d3a-0f2c5f9a7e11"
    assert finds(body, CANARY) == ""
