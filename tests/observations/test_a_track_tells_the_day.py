"""Tracks: stops are found and laid to the right spot; every second is run, searched, fished, stopped or a gap."""

import time as clock

import numpy as np
import pytest
from pyproj import Geod

from observations.files.track import KINDS, metres, nearest, stops, stretches

GEOD = Geod(ellps="WGS84")
LAT, LON = 45.0, -93.0
M_NORTH, M_EAST = 1 / 111_131.9, 1 / 78_846.8


def walk(legs: list[tuple[float, float, float]], noise: float, seed: int) -> tuple[np.ndarray, ...]:
    """Fixes of one a second from (seconds, m/s east, m/s north), with scatter in metres (1 s.d.)."""
    rng = np.random.default_rng(seed)
    east = np.concatenate([np.full(int(s), e) for s, e, _ in legs]).cumsum()
    north = np.concatenate([np.full(int(s), n) for s, _, n in legs]).cumsum()
    east, north = (way + rng.normal(0, noise, len(way)) for way in (east, north))
    return np.arange(len(east), dtype=float), LAT + north * M_NORTH, LON + east * M_EAST


def test_distances_are_pyprojs() -> None:
    rng = np.random.default_rng(1)
    lat, lon = rng.uniform(-70, 70, 500), rng.uniform(-180, 180, 500)
    lat2, lon2 = lat + rng.uniform(-0.05, 0.05, 500), (lon + rng.uniform(-0.05, 0.05, 500) + 180) % 360 - 180
    truth = GEOD.inv(lon, lat, lon2, lat2)[2]
    assert metres(lat, lon, lat2, lon2) == pytest.approx(truth, rel=1e-4)
    # Computed with pyproj, 45 N 93 W: a hundredth of a degree north.
    assert metres(*(np.array([v]) for v in (45.0, -93.0, 45.01, -93.0)))[0] == pytest.approx(
        1111.3188, rel=1e-5
    )


def test_a_day_is_split_into_what_was_done() -> None:
    legs = [(600.0, 10.0, 0.0), (900.0, 0.0, 2.0), (300.0, 0.0, 0.0), (400.0, 0.6, 0.0), (600.0, 10.0, 0.0)]
    parts = stretches(*walk(legs, 0.5, 2))
    spent = {kind: sum(p.end - p.start for p in parts if p.kind == kind) for kind in KINDS}
    truth = {"running": 1200, "searching": 900, "stopped": 300, "fishing": 400, "gap": 0}
    assert sum(spent.values()) == 2799
    assert all(abs(spent[kind] - seconds) <= 60 for kind, seconds in truth.items()), spent


@pytest.mark.parametrize(
    ("mps", "kind"), [(0.85, "fishing"), (0.95, "searching"), (3.9, "searching"), (4.1, "running")]
)
def test_speeds_are_pyprojs(mps: float, kind: str) -> None:
    # A boat on a geodesic, as pyproj steps it; metres of the stretch are the length that pyproj measures.
    seconds = np.arange(301.0)
    lon, lat, _ = GEOD.fwd(np.full(301, LON), np.full(301, LAT), np.full(301, 37.0), seconds * mps)
    [part] = stretches(seconds, lat, lon)
    assert part.kind == kind
    assert part.metres == pytest.approx(GEOD.line_length(lon, lat), rel=1e-4)


def test_a_gap_is_no_stop_and_no_search() -> None:
    time, lat, lon = walk([(100.0, 0.0, 0.0), (100.0, 0.0, 0.0)], 0.5, 3)
    time[100:] += 3600
    assert stops(time, lat, lon) == []
    assert [p.end - p.start for p in stretches(time, lat, lon) if p.kind == "gap"] == [3601]


def test_a_stop_of_less_than_two_minutes_is_none() -> None:
    run = (60.0, 10.0, 0.0)
    short, long = ([run, (seconds, 0.0, 0.0), run] for seconds in (100.0, 130.0))
    assert (len(stops(*walk(short, 0.5, 4))), len(stops(*walk(long, 0.5, 4)))) == (0, 1)


def test_the_forty_stops_of_an_eight_hour_day_go_to_their_spots() -> None:
    rng = np.random.default_rng(5)
    legs: list[tuple[float, float, float]] = []
    east, north, stayed = 0.0, 0.0, []
    for _ in range(40):
        stay, turn = float(rng.integers(150, 700)), rng.uniform(0, 2 * np.pi)
        for seconds, speed in ((60.0, 9.0), (750.0 - 60.0 - stay, 0.9 + 0.8 * rng.random())):
            if seconds > 0:
                legs.append((seconds, speed * np.cos(turn), speed * np.sin(turn)))
                east, north = east + seconds * legs[-1][1], north + seconds * legs[-1][2]
        # The boat lies up to 12 m off the spot it looks at.
        legs.append((stay, 0.0, 0.0))
        stayed.append((east + rng.uniform(-8, 8), north + rng.uniform(-8, 8)))
    fixes = walk(legs, 3.0, 6)
    assert len(fixes[0]) >= 29_000
    # Each spot has a false neighbour 60 m away.
    places = np.array(stayed + [(x + 60, y) for x, y in stayed])
    lat, lon = LAT + places[:, 1] * M_NORTH, LON + places[:, 0] * M_EAST
    began = clock.perf_counter()
    found = stops(*fixes)
    laid = [nearest(stop, lat, lon, within_m=40) for stop in found]
    took = clock.perf_counter() - began
    right = len({spot for spot in laid if spot is not None and spot < 40})
    print(f"{len(fixes[0])} fixes: {len(found)} stops, {right} of 40 at the right spot, {took:.2f} s")
    assert right >= 38
    assert len(found) <= 42
