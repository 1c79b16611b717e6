"""What a track tells of a day: where the boat stopped, and when it ran, searched and fished; nothing of Django.

Arrays in, arrays out: `time` in seconds (rising), `lat` and `lon` in degrees (WGS84).
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from observations.files.fixes import GAP_S, Log

Floats = NDArray[np.float64]

STOP_S = 120.0
# Common practice, no source: how far a boat held on a spot swings; how fast one searches, and runs.
SWING_M = 25.0
SEARCH_MPS = 0.9
RUN_MPS = 4.0
SMOOTH_S = 30.0
# A stop that is broken off for less, and goes on at the same place, is one stop.
BREAK_S = 60.0
KINDS = ("stopped", "fishing", "searching", "running", "gap")


# Without a fix for so long, it is another outing.
OUTING_GAP_S = 4 * 3600.0
# A fix of a second log within so much of one of the first tells nothing new; its readings fill what is empty.
BESIDE_S = 5.0
# Shorter, and a stretch of searching is no pass.
PASS_S, PASS_M = 60.0, 50.0
_COLUMNS = ("time", "lat", "lon", "speed", "depth", "temperature")


@dataclass(frozen=True)
class Track:
    """Fixes in order of time: columns of equal length as in `Log`, NaN where nothing was read."""

    time: Floats
    lat: Floats
    lon: Floats
    speed: Floats
    depth: Floats
    temperature: Floats
    counts: "Counter[str]" = field(default_factory=Counter)

    def __len__(self) -> int:
        return len(self.time)

    def part(self, first: int, last: int) -> "Track":
        """Return the fixes from `first` until before `last`, with the counts of the whole."""
        return track_of({name: getattr(self, name)[first:last] for name in _COLUMNS}, self.counts)

    def typical(self, name: str, start: float, end: float) -> float | None:
        """Return the median of the readings of `name` from `start` to `end`, None without any."""
        first, last = np.searchsorted(self.time, (start, end + 1e-9))
        values = getattr(self, name)[first:last]
        values = values[~np.isnan(values)]
        return float(np.median(values)) if len(values) else None

    def at(self, time: float) -> tuple[float, float] | None:
        """Return latitude and longitude at a time, between the fixes around it; None in a gap or outside."""
        after = int(np.searchsorted(self.time, time))
        if after == len(self) or (after == 0 and self.time[0] != time):
            return None
        if after == 0 or self.time[after] == time:
            return float(self.lat[after]), float(self.lon[after])
        span = self.time[after] - self.time[after - 1]
        if span > GAP_S:
            return None
        share = (time - self.time[after - 1]) / span
        turn = (self.lon[after] - self.lon[after - 1] + 180) % 360 - 180
        return (
            float(self.lat[after - 1] + share * (self.lat[after] - self.lat[after - 1])),
            float(self.lon[after - 1] + share * turn),
        )


def track_of(columns: dict[str, Floats], counts: "Counter[str] | None" = None) -> Track:
    """Return the track of columns by name."""
    return Track(**columns, counts=counts if counts is not None else Counter())


def joined(logs: Sequence[Log]) -> Track:
    """Return one track of several logs of a day.

    The log with the most fixes stands. Of the others, fixes where it has none are added, and their readings
    fill what it left empty: two receivers a few metres apart would read as a boat that darts to and fro.
    """
    ordered = sorted(logs, key=lambda log: -len(log.time))
    counts: Counter[str] = Counter()
    columns = {name: np.empty(0) for name in _COLUMNS}
    for log in ordered:
        counts += log.counts
        more = {name: np.array(getattr(log, name)) for name in _COLUMNS}
        if len(columns["time"]) and len(more["time"]):
            beside = _nearest_in_time(columns["time"], more["time"])
            close = np.abs(columns["time"][beside] - more["time"]) <= BESIDE_S
            for name in ("speed", "depth", "temperature"):
                told = close & ~np.isnan(more[name])
                empty = told & np.isnan(columns[name][beside])
                columns[name][beside[empty]] = more[name][empty]
            more = {name: values[~close] for name, values in more.items()}
        order = np.argsort(np.concatenate([columns["time"], more["time"]]), kind="stable")
        columns = {name: np.concatenate([columns[name], more[name]])[order] for name in _COLUMNS}
    return track_of(columns, counts)


def _nearest_in_time(time: Floats, wanted: Floats) -> NDArray[np.intp]:
    after = (
        np.searchsorted(time, wanted).clip(1, len(time) - 1) if len(time) > 1 else np.zeros(len(wanted), int)
    )
    before = np.maximum(after - 1, 0)
    return np.where(np.abs(time[before] - wanted) <= np.abs(time[after] - wanted), before, after)


def outings(track: Track) -> Iterator[Track]:
    """Split a track where it is silent for hours: a card holds the days before, too."""
    edges = np.flatnonzero(np.diff(track.time) > OUTING_GAP_S) + 1
    for first, last in zip([0, *edges], [*edges, len(track)], strict=True):
        if last > first:
            yield track.part(int(first), int(last))


class Stop(NamedTuple):
    """A stay of two minutes or more within the boat's swing; the place is the median of its fixes."""

    start: float
    end: float
    lat: float
    lon: float


@dataclass(frozen=True)
class Stretch:
    """Time of one kind (of `KINDS`), in seconds, and the metres covered in it."""

    kind: str
    start: float
    end: float
    metres: float


def metres(lat1: Floats, lon1: Floats, lat2: Floats, lon2: Floats) -> Floats:
    """Distance by the ellipsoid's two radii of curvature at the middle latitude (WGS84).

    Right within 0.01 % up to 10 km (checked against pyproj): a water, not a voyage.
    """
    a, e2 = 6_378_137.0, 0.006_694_379_990_141
    middle = np.radians((lat1 + lat2) / 2)
    root = 1 - e2 * np.sin(middle) ** 2
    north = np.radians(lat2 - lat1) * a * (1 - e2) / root**1.5
    east = np.radians((lon2 - lon1 + 180) % 360 - 180) * a / np.sqrt(root) * np.cos(middle)
    return np.asarray(np.hypot(north, east), dtype=np.float64)


def _plane(lat: Floats, lon: Floats) -> tuple[Floats, Floats]:
    """Metres east and north of the first fix."""
    zero = np.full_like(lat, lat[0])
    here = np.full_like(lon, lon[0])
    turn = (lon - lon[0] + 180) % 360 - 180
    return np.sign(turn) * metres(lat, here, lat, lon), np.sign(lat - lat[0]) * metres(zero, here, lat, here)


def stops(time: Floats, lat: Floats, lon: Floats, *, least_s: float = STOP_S) -> list[Stop]:
    """Return the stays of `least_s` or more, in order of time. A gap in the track ends a stay."""
    if len(time) < 2:
        return []
    east, north = _plane(lat, lon)
    spans: list[tuple[int, int]] = []
    # Only where the boat is near again after the least time can a stay begin.
    later = np.searchsorted(time, time + least_s)
    ahead = np.minimum(later, len(time) - 1)
    near = (later < len(time)) & (np.hypot(east[ahead] - east, north[ahead] - north) <= 2 * SWING_M)
    first = 0
    while first < len(time):
        if not near[first]:
            first += 1
            continue
        begun, last = _trimmed(east, north, first, _stay(time, east, north, first))
        if time[last] - time[begun] < least_s:
            first += 1
            continue
        if spans and _goes_on(time, east, north, spans[-1], (begun, last)):
            spans[-1] = (spans[-1][0], last)
        else:
            spans.append((begun, last))
        first = last + 1
    return [
        Stop(
            float(time[a]),
            float(time[b]),
            float(np.median(lat[a : b + 1])),
            float(np.median(lon[a : b + 1])),
        )
        for a, b in spans
    ]


def _stay(time: Floats, east: Floats, north: Floats, first: int) -> int:
    """Return the last fix of the stay that begins here: within the swing of the mean so far."""
    x, y, count, last = float(east[first]), float(north[first]), 1, first
    for i in range(first + 1, len(time)):
        if time[i] - time[last] > GAP_S:
            break
        if (east[i] - x / count) ** 2 + (north[i] - y / count) ** 2 > SWING_M**2:
            break
        x, y, count, last = x + float(east[i]), y + float(north[i]), count + 1, i
    return last


def _trimmed(east: Floats, north: Floats, first: int, last: int) -> tuple[int, int]:
    """Leave out the coming and the going: both ends up to the first fix within half the swing of the middle."""
    span = slice(first, last + 1)
    away = np.hypot(east[span] - np.median(east[span]), north[span] - np.median(north[span]))
    close = np.flatnonzero(away <= SWING_M / 2)
    return (first + int(close[0]), first + int(close[-1])) if len(close) else (first, first)


def _goes_on(
    time: Floats, east: Floats, north: Floats, before: tuple[int, int], after: tuple[int, int]
) -> bool:
    if time[after[0]] - time[before[1]] > BREAK_S:
        return False
    a, b = slice(before[0], before[1] + 1), slice(after[0], after[1] + 1)
    return bool(
        np.hypot(
            np.median(east[a]) - np.median(east[b]),
            np.median(north[a]) - np.median(north[b]),
        )
        <= SWING_M
    )


def stretches(time: Floats, lat: Floats, lon: Floats) -> list[Stretch]:
    """Split a track by what was done: each interval between two fixes belongs to exactly one stretch.

    In a stop: stopped. Else by the speed over the half minute around: running, searching, or (slower, on the
    move) fishing. More than half a minute without a fix is a gap, and is nothing.
    """
    if len(time) < 2:
        return []
    step = np.diff(time)
    way = metres(lat[:-1], lon[:-1], lat[1:], lon[1:])
    middle = (time[:-1] + time[1:]) / 2
    low = np.searchsorted(time, middle - SMOOTH_S / 2).clip(0, len(time) - 2)
    high = np.searchsorted(time, middle + SMOOTH_S / 2, side="right").clip(1, len(time)) - 1
    high = np.maximum(high, low + 1)
    # From end to end, not along the way: the scatter of the fixes is no speed.
    speed = metres(lat[low], lon[low], lat[high], lon[high]) / (time[high] - time[low])
    kind = np.where(speed >= RUN_MPS, 3, np.where(speed >= SEARCH_MPS, 2, 1))
    for stop in stops(time, lat, lon):
        kind[(time[:-1] >= stop.start) & (time[1:] <= stop.end)] = 0
    kind[step > GAP_S] = 4
    edges = np.flatnonzero(np.diff(kind)) + 1
    starts, ends = np.append(0, edges), np.append(edges, len(kind))
    return [
        Stretch(KINDS[kind[a]], float(time[a]), float(time[b]), float(way[a:b].sum()))
        for a, b in zip(starts, ends, strict=True)
    ]


def passes(track: Track, parts: Sequence[Stretch], busy: Sequence[tuple[float, float]]) -> list[Stretch]:
    """Return what was searched apart from the `busy` times (of stops laid to a spot) and a minute around them.

    Of a stretch that leads to a spot, what came before is a pass.
    """
    out = []
    for part in parts:
        if part.kind != "searching":
            continue
        begun = part.start
        edges = [(start - PASS_S, end + PASS_S) for start, end in sorted(busy)]
        for start, end in [*edges, (part.end, part.end)]:
            if end <= begun:
                continue
            until = min(start, part.end)
            inside = slice(*np.searchsorted(track.time, (begun, until + 1e-9)))
            lat, lon = track.lat[inside], track.lon[inside]
            way = float(metres(lat[:-1], lon[:-1], lat[1:], lon[1:]).sum()) if len(lat) > 1 else 0.0
            if until - begun >= PASS_S and way >= PASS_M:
                out.append(Stretch(part.kind, begun, until, way))
            begun = max(begun, end)
            if begun >= part.end:
                break
    return out


def simplified(lat: Floats, lon: Floats, most: int = 200) -> list[tuple[float, float]]:
    """Return at most so many fixes of a way, evenly taken, the first and the last among them."""
    chosen = np.unique(np.linspace(0, len(lat) - 1, min(most, len(lat))).round().astype(int))
    return [(float(lat[i]), float(lon[i])) for i in chosen]


def nearest(stop: Stop, lat: Floats, lon: Floats, *, within_m: float) -> int | None:
    """Return the index of the spot nearest to a stop, none where none lies within `within_m`."""
    if not len(lat):
        return None
    away = metres(np.full_like(lat, stop.lat), np.full_like(lon, stop.lon), lat, lon)
    best = int(np.argmin(away))
    return best if away[best] <= within_m else None
