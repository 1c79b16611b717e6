"""The detector itself: a suite that cannot find a leak proves nothing."""

import base64
import gzip
import io
import json
import struct
import zipfile
import zlib
from urllib.parse import quote

import pytest
from PIL import Image, PngImagePlugin
from PIL.ExifTags import GPS, IFD, Base

from tests.leaks.positions import Canary, finds, finds_any, mercator, quadkey, tile

CANARY = Canary("Canary Pile", -93.276713, 45.021137, ("third dock from the dam",))
X, Y = mercator(CANARY.lon, CANARY.lat)
EWKB = b"\x01\x01\x00\x00\x20\xe6\x10\x00\x00" + struct.pack("<dd", CANARY.lon, CANARY.lat)
TEXT = b'{"lat": 45.021137, "lon": -93.276713}'
TILE = tile(CANARY.lon, CANARY.lat, 17)


def picture(kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, kind, **options)
    return out.getvalue()


def exif() -> bytes:
    made = Image.Exif()
    gps = made.get_ifd(IFD.GPSInfo)
    gps[GPS.GPSLatitudeRef], gps[GPS.GPSLatitude] = "N", (45.0, 1.0, 16.0932)
    gps[GPS.GPSLongitudeRef], gps[GPS.GPSLongitude] = "W", (93.0, 16.0, 36.1668)
    return picture("JPEG", exif=made)


def described() -> bytes:
    made = Image.Exif()
    made[Base.ImageDescription] = "third dock from the dam"
    return picture("JPEG", exif=made)


def chunk() -> bytes:
    info = PngImagePlugin.PngInfo()
    info.add_text("Comment", "45.021137 -93.276713", zip=True)
    return picture("PNG", pnginfo=info)


def zipped() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", "<coordinates>-93.276713,45.021137</coordinates>")
    return out.getvalue()


def pdf(content: bytes) -> bytes:
    return (
        b"%PDF-1.4\n1 0 obj\n<< /Filter /FlateDecode >>\nstream\n" + zlib.compress(content) + b"\nendstream\n"
    )


SMALL = [
    [
        [-93.2790, 45.0195],
        [-93.2740, 45.0195],
        [-93.2740, 45.0230],
        [-93.2790, 45.0230],
        [-93.2790, 45.0195],
    ]
]
# What the detector must say, and the body that must make it say so.
LEAKS: list[tuple[str, bytes]] = [
    ("name", b"<h1>Canary Pile</h1>"),
    ("words", b"<p>third dock from the dam</p>"),
    ("decimal degrees", b'{"coordinates": [-93.2767, 45.0211]}'),
    ("decimal degrees", b"45.0211, 93.2767 W"),
    ("decimal degrees", b"SRID=4326;POINT(-93.276713 45.021137)"),
    ("decimal degrees", b"-9.3276713e1"),
    ("decimal comma", b'"45,0211";"-93,2767"'),
    ("degrees and minutes", "45° 1.2682' N 93° 16.603' W".encode()),
    ("degrees and minutes", b"N45 01.268 W093 16.603"),
    ("degrees, minutes and seconds", "45° 1′ 16.1″ N, 93° 16′ 36.2″ W".encode()),
    ("degrees, minutes and seconds", b"45:01:16.09N 93:16:36.17W"),
    ("degrees, minutes and seconds", b"45d 1m 16s"),
    ("degrees and minutes run together", b"$GPGGA,120000,4501.2682,N,09316.6028,W,1"),
    ("millionths of a degree", b"[450211370, -932767130]"),
    ("millionths of a degree", b"lat_e6=45021137"),
    ("Web Mercator metres", f"POINT({X:.1f} {Y:.1f})".encode()),
    ("Web Mercator metres", f"?bbox={X - 20:.0f},{Y - 20:.0f}".encode()),
    ("a fine map square", f"/tiles/17/{TILE[0]}/{TILE[1]}.png".encode()),
    ("a fine map square", json.dumps({"z": 17, "y": TILE[1], "x": TILE[0]}).encode()),
    ("a fine map square", quadkey(CANARY.lon, CANARY.lat, 19).encode()),
    ("a small polygon", json.dumps({"coordinates": SMALL}).encode()),
    ("a small polygon", b"POLYGON((" + b", ".join(b"%.4f %.4f" % (x, y) for x, y in SMALL[0]) + b"))"),
    ("binary", EWKB),
    ("binary", b"\x00\x00\x00\x00\x01" + struct.pack(">dd", CANARY.lon, CANARY.lat)),
    ("binary", b"\x01\x01\x00\x00\x00" + struct.pack("<dd", X, Y)),
    ("binary in hexadecimal", EWKB.hex().upper().encode()),
    ("binary in hexadecimal", b"point=0x" + EWKB.hex().encode()),
    ("binary in base64", b'"' + base64.b64encode(EWKB) + b'"'),
    ("binary in base64", b"c=x" + base64.urlsafe_b64encode(EWKB)),
    ("decimal degrees in base64", base64.b64encode(TEXT)),
    ("decimal degrees in base64", base64.urlsafe_b64encode(b"p=45.021137")),
    ("name in base64", base64.b64encode(b"Canary Pile, private")),
    ("name in percent encoding", quote("Canary Pile").encode()),
    ("degrees and minutes in percent encoding", quote("45° 1.2682'").encode()),
    ("name in escapes", b'{"name": "Canary\\u0020Pile"}'),
    ("name in entities", b"Canary&#32;Pile"),
    ("decimal degrees in gzip", gzip.compress(TEXT)),
    ("decimal degrees in gzip", b"200\nContent-Encoding: gzip\n\n" + gzip.compress(TEXT)),
    ("decimal degrees in deflate", zlib.compress(TEXT)),
    ("decimal degrees in a zip file", zipped()),
    ("decimal degrees in PDF", pdf(b"BT (45.021137) Tj ET")),
    ("name in PDF", pdf(b"BT [(Canary) -250 ( Pi) 20 (le)] TJ ET")),
    ("decimal degrees in a picture's metadata", exif()),
    ("words", described()),
    ("decimal degrees in a picture's metadata", chunk()),
    ("decimal degrees in a picture's metadata", b"200\n\n" + chunk()),
    ("decimal degrees in base64 in percent encoding", quote(base64.b64encode(TEXT + b"?>?").decode() + "==").encode()),
]  # fmt: skip


@pytest.mark.parametrize("number", range(len(LEAKS)))
def test_it_finds_a_position(number: int) -> None:
    notation, body = LEAKS[number]
    found = finds(body, CANARY)
    assert found.split(" in ")[0] == notation.split(" in ")[0], (found, body[:80])
    if " in " in notation:
        assert notation.split(" in ", 1)[1].split(" in ")[0] in found


def test_it_tells_which_of_several_it_found() -> None:
    other = Canary("Another", -93.287531, 45.032717)
    assert finds_any(TEXT, {"one": CANARY, "other": other}) == {"one": "decimal degrees"}


@pytest.mark.parametrize(
    "body",
    [
        # The corners of the square of zoom 14 around the canary are public.
        b'{"coordinates": [[[-93.2959, 45.0114], [-93.3178, 45.0114], [-93.3178, 45.0310], [-93.2959, 45.0114]]]}',
        b"csrf=pSXq0Yw3mJt9ZVxk4bQe7Rk1Lw8Hn2Pd6Gf5Tc0Ua3 id=4f1c2f8e-7d1f-4b60-9d3a-0f2c5f9a7e11",
        b"2026-06-15T12:00:00.450211+00:00 250.12 ha, 45 hours, depth 93.3 ft",
        f"/tiles/14/{'/'.join(map(str, tile(CANARY.lon, CANARY.lat, 14)))}.png".encode(),
        picture("PNG"),
        b"",
    ],
)
def test_it_leaves_what_is_public_alone(body: bytes) -> None:
    assert finds(body, CANARY) == ""


def test_squares_agree_with_their_published_example() -> None:
    """From memory of the quadkey scheme's public description: tile (3, 5) of zoom 3 has the quadkey 213."""
    from math import atan, degrees, sinh

    def middle(x: float, y: float, zoom: int) -> tuple[float, float]:
        from math import pi

        return x / 2**zoom * 360 - 180, degrees(atan(sinh(pi * (1 - 2 * y / 2**zoom))))

    lon, lat = middle(3.5, 5.5, 3)
    assert (tile(lon, lat, 3), quadkey(lon, lat, 3)) == ((3, 5), "213")
