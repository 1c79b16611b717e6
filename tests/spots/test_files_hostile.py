"""Files made to cost: each is refused within two seconds of the processor, at the 20 MB that an import takes.

What they cost before there were limits: up to 18 s and 500 MiB (five million elements, a line of commas, empty
lines, objects). A body beyond every limit is refused before it is read (club/guarding.py).
"""

import time
from collections.abc import Callable

import pytest

from spots.files.geojson_spots import features_of, read_json, read_spots
from spots.files.gpx import read_gpx
from spots.files.report import FileError, Report
from spots.files.table import read_raw

MOST = 20 * 1024 * 1024 - 1000
_HEADER = b"spot,started_at,method\n"
_FEATURES = b'{"type":"FeatureCollection","features":[{"geometry":{"type":"Point","coordinates":['


def _bomb() -> bytes:
    entities = b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 10))
    return (
        b'<!DOCTYPE gpx [<!ENTITY a0 "aaaaaaaaaa">' + entities + b"]><gpx><wpt><name>&a9;</name></wpt></gpx>"
    )


@pytest.mark.parametrize(
    ("read", "make", "rule"),
    [
        (read_gpx, _bomb, "document type or entities"),
        (read_gpx, lambda: b"<gpx>" + b"<a/>" * (MOST // 4) + b"</gpx>", "1,000,000 tags"),
        (read_gpx, lambda: b"<gpx>" + b"<a>" * (MOST // 30), "nested too deep"),
        (read_gpx, lambda: b"<gpx><" + b"a" * MOST + b"/></gpx>", "without the end of an element"),
        (read_gpx, lambda: b'<gpx><wpt lat="' + b"1" * MOST + b'"/></gpx>', "without the end of an element"),
        (read_raw, lambda: b"," * MOST, "A line has at most 1,000,000 characters"),
        (read_raw, lambda: _HEADER + b"a" * MOST, "A line has at most 1,000,000 characters"),
        (read_raw, lambda: b"," * 900_000 + b"a", "900,001 cells; at most 300"),
        (read_raw, lambda: _HEADER + b"\n" * MOST, "500,000 lines"),
        (read_raw, lambda: _HEADER + b'"' + b"a\n" * 400_000, "field larger than field limit"),
        (read_raw, lambda: _HEADER + b"\0", "NUL character"),
        (read_raw, lambda: _HEADER.decode().encode("utf-16"), "UTF-16"),
        (read_raw, lambda: _HEADER + "Böse".encode("latin-1"), "0xf6 is not UTF-8"),
        (read_json, lambda: b"[" * MOST, "nested too deep"),
        (read_json, lambda: _FEATURES + b"1" * MOST + b",1]}}]}", "no numbers where they belong"),
        (read_json, lambda: b"[" + b"{}," * (MOST // 3) + b"{}]", "200,000 objects"),
        (read_json, lambda: _FEATURES + b"1.5," * (MOST // 4) + b"1]}}]}", "1,000,000 values"),
    ],
)  # fmt: skip
def test_a_costly_file_is_refused_at_once(
    read: Callable[[bytes], object], make: Callable[[], bytes], rule: str
) -> None:
    data = make()
    began = time.process_time()
    with pytest.raises(FileError, match=rule):
        read(data)
    assert time.process_time() - began < 2


@pytest.mark.parametrize("text", ["a\\u0000b", "a\\u0007b", "\\ud800"])
def test_a_text_that_no_database_holds_is_named(text: str) -> None:
    data = _FEATURES + b'-93.29,45.01]},"properties":{"name":"%s"}}]}' % text.encode()
    report = Report()
    read_spots(features_of(read_json(data)), report)
    assert [(r.line, r.column, r.rule) for r in report.errors] == [
        (1, "name", "The text holds a control character.")
    ]
