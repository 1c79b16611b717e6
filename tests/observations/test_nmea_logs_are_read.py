"""NMEA 0183 logs: published sentences mean what their publishers say; what is wrong is counted, or refused."""

import io
import math
import time
import tracemalloc
from datetime import UTC, datetime

import pytest

from observations.files.fixes import LogError
from observations.files.nmea import read, sentence


def line(body: str) -> bytes:
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}\r\n".encode()


def fix(seconds: int, north: float = 0.0) -> bytes:
    hours, rest = divmod(seconds, 3600)
    clock = f"{hours:02}{rest // 60:02}{rest % 60:02}"
    return line(f"GPRMC,{clock},A,{4500 + north:09.4f},N,09300.000,W,4.0,90.0,240926,,")


# Published in the tests of go-nmea and pynmea2, with their decoded values.
RMC = (
    b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68",
    (datetime(1994, 11, 19, 22, 54, 46, tzinfo=UTC), 49.274166667, -123.185333333, 0.5),
)


def test_published_positions_are_read_with_their_time_and_speed() -> None:
    sent, (when, lat, lon, knots) = RMC
    log = read(io.BytesIO(sent + b"\n"))
    assert log.time[0] == when.timestamp()
    assert log.lat[0] == pytest.approx(lat, abs=1e-8)
    assert log.lon[0] == pytest.approx(lon, abs=1e-8)
    assert log.speed[0] == pytest.approx(knots * 0.514444, abs=1e-5)


@pytest.mark.parametrize(
    ("sent", "column", "value"),
    [
        # go-nmea's tests, Signal K's comment (9.2 m below the transducer, that 1.1 m below the surface).
        (b"$IIDPT,9.2,1.1*4B", "depth", 10.3),
        (b"$IIDBT,032.93,f,010.04,M,005.42,F*2C", "depth", 10.04),
        (b"$23DBS,01.9,f,0.58,M,00.3,F*21", "depth", 0.58),
        (b"$INMTW,17.9,C*1B", "temperature", 17.9),
        (b"$GPVTG,45.5,T,67.5,M,30.45,N,56.40,K*4B", "speed", 56.40 / 3.6),
    ],
)
def test_published_readings_go_to_the_fix_before_them(sent: bytes, column: str, value: float) -> None:
    log = read(io.BytesIO(fix(0) + sent + b"\r\n" + fix(1)))
    assert getattr(log, column)[0] == pytest.approx(value, abs=0.01)
    if column != "speed":
        assert math.isnan(getattr(log, column)[1])


def test_published_wrong_checksums_are_counted_and_nothing_else_is_lost() -> None:
    # Wrong on purpose in go-nmea's tests.
    bad = b"$SDDPT,0.5,0.5,*AA\n$IIDBT,032.93,f,010.04,M,005.42,F*22\n"
    log = read(io.BytesIO(fix(0) + bad + fix(1)))
    assert (log.counts["bad checksum"], log.counts["sentences"], len(log.time)) == (2, 2, 2)
    assert math.isnan(log.depth[0])
    assert sentence(b"$SDDPT,0.5,0.5,*7B") == ["SDDPT", "0.5", "0.5", ""]


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("GPFIX,1", "other sentences"),
        ("SDDBK,12.3,f,3.7,M,2.0,F", "other sentences"),
        ("GPZDA,172809,12,07,99999999999999999999,00,00", "unreadable fields"),
        ("GPRMC,12", "unreadable fields"),
        ("GPRMC,120000,A,4561.0,N,09300.0,W,4.0,90.0,240926,,", "unreadable fields"),
        ("SDDPT,nan,0.0", "depth out of range"),
        ("YXMTW,inf,C", "temperature out of range"),
        ("GPRMC,120000,V,,,,,,,240926,,", "no fix"),
    ],
)
def test_a_sentence_that_cannot_be_used_is_counted_by_its_reason(body: str, why: str) -> None:
    log = read(io.BytesIO(fix(0) + line(body) + fix(1)))
    assert (log.counts[why], len(log.time)) == (1, 2)


def test_spikes_gaps_and_steps_back_are_counted() -> None:
    lines = [fix(0), fix(1), fix(2, north=30), fix(3), fix(2), fix(100), fix(101)]
    log = read(io.BytesIO(b"".join(lines)))
    assert (log.counts["spikes"], log.counts["out of order"], log.counts["gaps"]) == (1, 1, 1)
    assert [t - log.time[0] for t in log.time] == [0, 1, 3, 100, 101]
    assert max(log.lat) - min(log.lat) < 1e-9


def test_a_first_fix_that_was_wrong_does_not_throw_the_day_away() -> None:
    log = read(io.BytesIO(fix(0, north=30) + b"".join(fix(s) for s in range(1, 60))))
    assert (log.counts["spikes"], log.counts["jumps"], len(log.time)) == (4, 1, 56)


def test_a_log_without_dates_of_its_own_goes_on_past_midnight() -> None:
    gga = "GPGGA,{},4500.000,N,09300.000,W,1,08,0.9,5.0,M,0.0,M,,"
    log = read(io.BytesIO(fix(86_398) + line(gga.format("235959")) + line(gga.format("000001"))))
    assert [t - log.time[0] for t in log.time] == [0, 1, 3]


@pytest.mark.parametrize(
    "content",
    [
        b"\xff\xfe" + fix(0).decode().encode("utf-16-le"),
        fix(0).decode().encode("utf-16-be") * 300,
        b"PK\x03\x04" + bytes(range(256)) * 4000,
        b"<gpx>\n" * 5000,
        b"",
    ],
    ids=["UTF-16", "UTF-16 without a mark", "zip", "GPX", "empty"],
)
def test_what_is_no_log_is_refused(content: bytes) -> None:
    with pytest.raises(LogError):
        read(io.BytesIO(content))


class EndlessLine(io.RawIOBase):
    """One line of 1 GiB, never held whole."""

    def __init__(self) -> None:
        self.left = 1 << 30

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        size = min(len(buffer), self.left)
        buffer[:size] = b"$" * size
        self.left -= size
        return size


def test_a_line_of_a_gibibyte_is_refused_at_its_start() -> None:
    source = EndlessLine()
    with pytest.raises(LogError, match="Line 1 is longer"):
        read(io.BufferedReader(source))  # type: ignore[type-var]
    assert source.left > (1 << 30) - (1 << 20)


def test_a_quarter_of_a_million_sentences_print_their_time_and_memory() -> None:
    def sentences() -> io.BytesIO:
        whole = io.BytesIO()
        for s in range(62_500):
            whole.write(fix(s) + line("SDDPT,6.4,0.3") + line("YXMTW,14.2,C") + line("GPGSA,A,3"))
        whole.seek(0)
        return whole

    source = sentences()
    began = time.perf_counter()
    log = read(source)
    took = time.perf_counter() - began
    assert (len(log.time), log.counts["sentences"]) == (62_500, 250_000)
    source.seek(0)
    tracemalloc.start()
    read(source)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"250,000 sentences in {took:.1f} s, at a peak of {peak / 2**20:.1f} MiB")
    assert peak < 50 * 2**20
