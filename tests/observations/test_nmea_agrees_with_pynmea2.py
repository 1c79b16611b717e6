"""Our reading of NMEA 0183 against pynmea2 1.19 (PyPI), an independent parser, over drawn sentences.

pynmea2 does not know every valid sentence (DBK, for one), so that it judges only those that it parses; the others are
checked against published sentences in `test_nmea_logs_are_read.py`.
"""

import io
from datetime import UTC, datetime, timedelta

import pynmea2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from observations.files.nmea import read, sentence

START = datetime(2026, 6, 15, 11, 0, tzinfo=UTC)


def signed(body: str) -> str:
    return f"${body}*{pynmea2.NMEASentence.checksum(body):02X}"


def angle(degrees: int, minutes: float, width: int) -> str:
    return f"{degrees:0{width}d}{minutes:07.4f}"


MINUTES = st.integers(0, 599_999).map(lambda n: n / 10_000)


@settings(max_examples=60, deadline=None)
@given(
    at=st.integers(0, 86_399), north=st.integers(0, 89), north_min=MINUTES, ns=st.sampled_from("NS"),
    east=st.integers(0, 179), east_min=MINUTES, ew=st.sampled_from("EW"), knots=st.integers(0, 600),
    depth=st.integers(0, 900), warmth=st.integers(0, 300),
)  # fmt: skip
def test_drawn_fixes_and_readings_are_read_alike(
    at: int, north: int, north_min: float, ns: str, east: int, east_min: float, ew: str, knots: int, depth: int,
    warmth: int,
) -> None:  # fmt: skip
    moment = START.replace(hour=0) + timedelta(seconds=at)
    place = f"{angle(north, north_min, 2)},{ns},{angle(east, east_min, 3)},{ew}"
    said = [
        signed(f"GPRMC,{moment:%H%M%S},A,{place},{knots / 10:.1f},90.0,{moment:%d%m%y},,"),
        signed(f"SDDPT,{depth / 10:.1f},0.5"),
        signed(f"INMTW,{warmth / 10:.1f},C"),
    ]
    log = read(io.BytesIO("\r\n".join([*said, ""]).encode()))
    fix, sounded, water = (pynmea2.parse(line, check=True) for line in said)
    assert log.time[0] == fix.datetime.replace(tzinfo=UTC).timestamp()
    assert log.lat[0] == pytest.approx(fix.latitude, abs=1e-9)
    assert log.lon[0] == pytest.approx(fix.longitude, abs=1e-9)
    assert log.speed[0] == pytest.approx(float(fix.spd_over_grnd) * 1852 / 3600, abs=1e-3)
    # Depth below the surface: what was sounded, and how deep the transducer hangs.
    assert log.depth[0] == pytest.approx(float(sounded.depth) + float(sounded.offset), abs=1e-4)
    assert log.temperature[0] == pytest.approx(float(water.temperature), abs=1e-4)


@settings(max_examples=100, deadline=None)
@given(place=st.integers(1, 59), letter=st.integers(33, 126).map(chr))
def test_a_changed_letter_is_refused_by_both(place: int, letter: str) -> None:
    right = signed("GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E")
    body = right[1 : right.index("*")]
    place = min(place, len(body) - 1)
    if letter in "*$\\!" or letter == body[place]:
        letter = "0" if body[place] != "0" else "1"
    wrong = f"${body[:place]}{letter}{body[place + 1 :]}{right[right.index('*') :]}"
    with pytest.raises(pynmea2.ParseError):
        pynmea2.parse(wrong, check=True)
    with pytest.raises(ValueError, match="checksum"):
        sentence(wrong.encode())
    assert sentence(right.encode()) is not None
