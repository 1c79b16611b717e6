"""GPX tracks mean what a second library reads in them; logs of one day become one track; hostile files are refused."""

import time as clock
import tracemalloc
from datetime import UTC, datetime, timedelta

import gpxpy
import gpxpy.gpx
import numpy as np
import pytest

from observations.files.fixes import Log, LogError
from observations.files.gpx_track import read, write
from observations.files.track import Track, joined, outings, passes, stretches, track_of
from spots.files.report import FileError

BEGAN = datetime(2026, 6, 1, 11, 0, tzinfo=UTC)
HEAD = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="a plotter">'


def point(seconds: float, lat: float = 45.0, lon: float = -93.0, extra: str = "") -> str:
    at = (BEGAN + timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")
    return f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><time>{at}</time>{extra}</trkpt>'


def gpx(*segments: str, rest: str = "") -> bytes:
    body = "".join(f"<trk><trkseg>{one}</trkseg></trk>" for one in segments)
    return f"{HEAD}{rest}{body}</gpx>".encode()


def test_points_and_waypoints_are_those_that_gpxpy_reads() -> None:
    rng = np.random.default_rng(3)
    points = "".join(point(s, 45 + s * 1e-5, -93 + float(rng.normal(0, 1e-5))) for s in range(0, 300, 3))
    marks = (
        '<wpt lat="45.01" lon="-93.02"><time>2026-06-01T11:20:00-05:00</time>'
        "<name> Big &amp; tall </name><sym>tree</sym></wpt>"
    )
    data = gpx(points, rest=marks)
    theirs, ours = gpxpy.parse(data.decode()), read(data)
    told = [
        (p.time.timestamp(), p.latitude, p.longitude) for p in theirs.tracks[0].segments[0].points if p.time
    ]
    assert list(zip(ours.log.time, ours.log.lat, ours.log.lon, strict=True)) == told
    [mark], [wpt] = ours.marks, theirs.waypoints
    assert wpt.time is not None
    assert (mark.lat, mark.lon, mark.time) == (wpt.latitude, wpt.longitude, wpt.time.timestamp())
    assert (mark.name, mark.texts["sym"]) == ("Big & tall", "tree")


def test_readings_in_extensions_go_to_their_point_and_what_is_wrong_is_counted() -> None:
    told = (
        "<extensions><x:e xmlns:x='urn:x'><x:depth>5.5</x:depth><x:wtemp>18.25</x:wtemp></x:e></extensions>"
    )
    wrong = "<extensions><depth>deep</depth><wtemp>900</wtemp></extensions>"
    outside = '<trkpt lat="95" lon="0"><time>2026-06-01T11:00:03Z</time></trkpt>'
    spike = point(4, 46.0, extra=told)
    data = gpx(
        point(0, extra=told)
        + point(1, extra=wrong)
        + point(2)
        + outside
        + spike
        + point(5)
        + "<trkpt lat='45' lon='-93'/>"
    )
    log = read(data).log
    assert [t - BEGAN.timestamp() for t in log.time] == [0, 1, 2, 5]
    assert (log.depth[0], log.temperature[0]) == (5.5, 18.25)
    assert np.isnan(log.depth[1:]).all()
    assert np.isnan(log.temperature[1:]).all()
    counted = (
        "unreadable fields",
        "temperature out of range",
        "position out of range",
        "spikes",
        "without a time",
    )
    assert [log.counts[why] for why in counted] == [1, 1, 1, 1, 1]


def test_segments_in_any_order_become_one_day_and_another_day_another_outing() -> None:
    late, early, next_day = ("".join(point(start + s) for s in range(5)) for start in (3600.0, 0.0, 86_400.0))
    track = joined([read(gpx(late, next_day, early)).log])
    assert (np.diff(track.time) > 0).all()
    assert [len(one) for one in outings(track)] == [10, 5]
    assert track.counts["gaps"] == 2


def log_of(times: list[float], lat: float, **readings: float) -> Log:
    log = Log()
    for s in times:
        log.fix(s, lat, -93.0)
        for name, value in readings.items():
            log.measure(name, value)
    return log


def test_a_second_log_fills_readings_and_gaps_and_moves_no_fix() -> None:
    first = log_of([0.0, 1.0, 2.0, 60.0, 61.0, 62.0], 45.0, depth=4.0)
    second = log_of([0.5, 1.5, 30.0], 45.0001, depth=9.0, temperature=20.0)
    track = joined([second, first])
    assert list(track.time) == [0, 1, 2, 30, 60, 61, 62]
    assert list(track.lat) == [45, 45, 45, 45.0001, 45, 45, 45]
    assert list(track.depth) == [4, 4, 4, 9, 4, 4, 4]
    assert np.isnan(track.temperature).tolist() == [False, False, True, False, True, True, True]
    assert track.typical("temperature", 0, 1) == 20.0
    assert track.typical("temperature", 60, 62) is None
    assert track.at(0.5) == (45.0, -93.0)
    assert track.at(30.0) == (45.0001, -93.0)
    assert track.at(45.0) == pytest.approx((45.00005, -93.0))
    assert track.at(63.0) is None


def test_what_was_searched_is_a_pass_but_not_a_minute_around_a_stop_at_a_spot() -> None:
    seconds = np.arange(1200.0)
    # Northward at 1.5 m/s, with 100 s of rest at 600 s.
    lat = 45 + (np.minimum(seconds, 600) + np.maximum(seconds - 700, 0)) * 1.5 / 111_131.9
    empty = np.full(1200, np.nan)
    track = Track(seconds, lat, np.full(1200, -93.0), empty, empty, empty)
    parts = stretches(seconds, lat, track.lon)

    def spans(busy: list[tuple[float, float]]) -> list[tuple[float, float]]:
        found = passes(track, parts, busy)
        assert [one.metres for one in found] == pytest.approx(
            [1.5 * (one.end - one.start) for one in found], rel=0.03
        )
        return [(round(one.start, -1), round(one.end, -1)) for one in found]

    assert spans([]) == [(0, 600), (700, 1200)]
    assert spans([(610.0, 690.0)]) == [(0, 550), (750, 1200)]
    assert spans([(100.0, 130.0), (900.0, 1000.0)]) == [(190, 600), (700, 840), (1060, 1200)]
    assert spans([(0.0, 1199.0)]) == []


def test_a_track_that_goes_out_comes_back_as_it_was_and_is_gpx_to_others() -> None:
    rng = np.random.default_rng(9)
    steps = rng.choice([0.25, 1.0, 2.0, 45.0], 400)
    columns = {"time": BEGAN.timestamp() + np.cumsum(steps)}
    columns |= {
        "lat": 45 + np.cumsum(rng.normal(0, 2e-6, 400)),
        "lon": -93 + np.cumsum(rng.normal(0, 2e-6, 400)),
    }
    for name, low, high in (("depth", 1, 40), ("temperature", -1, 30), ("speed", 0, 20)):
        columns[name] = np.where(rng.random(400) < 0.3, np.nan, rng.uniform(low, high, 400))
    before = track_of(columns)
    text = write(before, 'a day & "more" <x>')
    after = joined([read(text.encode()).log])
    assert np.abs(after.time - before.time).max() < 0.006
    assert max(np.abs(after.lat - before.lat).max(), np.abs(after.lon - before.lon).max()) < 6e-8
    for name in ("depth", "temperature", "speed"):
        assert np.array_equal(np.isnan(getattr(after, name)), np.isnan(columns[name]))
        assert np.nanmax(np.abs(getattr(after, name) - columns[name])) < 0.006
    theirs = gpxpy.parse(text)
    assert theirs.tracks[0].name == 'a day & "more" <x>'
    assert sum(len(one.points) for one in theirs.tracks[0].segments) == 400
    assert len(theirs.tracks[0].segments) == 1 + int((steps[1:] == 45).sum())


@pytest.mark.parametrize(
    "time", ["0001-01-01T00:00:00+14:00", "1970-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "soon"]
)
def test_a_time_that_cannot_be_is_no_time(time: str) -> None:
    log = read(gpx(f'<trkpt lat="45" lon="-93"><time>{time}</time></trkpt>')).log
    assert (len(log.time), log.counts["without a time"]) == (0, 1)


BOMB = "<!DOCTYPE x [<!ENTITY a 'aaaaaaaaaa'>" + "".join(
    f"<!ENTITY a{n} '{'&a' + str(n - 1) + ';' if n else '&a;'}'>" for n in range(30)
)


@pytest.mark.parametrize(
    "content",
    [
        f"{BOMB}]>{HEAD}&a29;</gpx>".encode(),
        b"<!DOCTYPE gpx SYSTEM 'file:///etc/passwd'><gpx/>",
        b"PK\x03\x04" + bytes(range(256)) * 4000,
        b"\x1f\x8b\x08" + bytes(1 << 20),
        HEAD.encode() + b"<trk name='" + b"x" * (48 << 20),
        b"x" * (48 << 20),
        HEAD.encode() + b"<a>" * 100_000,
        b"<?xml version='1.0' encoding='nonsense'?><gpx/>",
        HEAD.encode() + b"\xff\xfe\xfa</gpx>",
        b"<html></html>",
        b"",
        gpx(b"<trkpt lat='1' lon='1'/>".decode() * 1_000_001),
    ],
    ids=["entities", "external", "zip", "gzip", "endless tag", "one line", "nested", "encoding", "not UTF-8",
         "HTML", "empty", "points"],
)  # fmt: skip
def test_a_hostile_file_is_refused_within_two_seconds(content: bytes) -> None:
    began = clock.perf_counter()
    with pytest.raises((FileError, LogError)):
        read(content)
    assert clock.perf_counter() - began < 2


def test_a_long_gpx_prints_its_time_and_memory() -> None:
    data = gpx("".join(point(s, 45 + s * 1e-6) for s in range(20_000)))
    began = clock.perf_counter()
    log = read(data).log
    took = clock.perf_counter() - began
    assert len(log.time) == 20_000
    tracemalloc.start()
    read(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"20,000 points in {took:.1f} s, at a peak of {peak / 2**20:.1f} MiB")
    assert peak < 50 * 2**20
