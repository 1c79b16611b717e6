"""A synthetic day on the water, as the plotter and the phone would have made it."""

import io
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from django.core.files.uploadedfile import SimpleUploadedFile
from PIL import Image

from tests.observations.test_nmea_logs_are_read import line

# 06:00 on the water's clock (America/Chicago, summer).
BEGAN = datetime(2026, 6, 15, 11, 0, tzinfo=UTC)
M_NORTH, M_EAST = 1 / 111_131.9, 1 / 78_846.8
Place = tuple[float, float]


@dataclass
class Day:
    """Fixes of one a second; stops as (place, start, end) in seconds of the day."""

    places: list[Place] = field(default_factory=list)
    stops: list[tuple[int, int]] = field(default_factory=list)
    lat: "np.ndarray[tuple[int], np.dtype[np.float64]]" = field(default_factory=lambda: np.empty(0))
    lon: "np.ndarray[tuple[int], np.dtype[np.float64]]" = field(default_factory=lambda: np.empty(0))

    def __len__(self) -> int:
        return len(self.lat)


def make_day(
    places: list[Place],
    stay_s: int,
    between_s: int,
    seed: int = 1,
    noise_m: float = 2.0,
    swing_m: float = 0.0,
) -> Day:
    """Go from place to place: `between_s` on the way (half of it searching), then `stay_s` beside it.

    A held boat swings to and fro by `swing_m` in two minutes.
    """
    rng = np.random.default_rng(seed)
    day, lat, lon = Day(list(places)), [], []
    at = np.array([places[0][0] - 400 * M_NORTH, places[0][1]])
    for place in places:
        beside = np.array(place) + rng.uniform(-9, 9, 2) * (M_NORTH, M_EAST)
        run = between_s // 2
        # Running covers what searching at 1.6 m/s leaves.
        ahead = beside + (at - beside) * min(
            1.0, 1.6 * (between_s - run) / max(1.0, metres_between(at, beside))
        )
        for start, end, seconds in (
            (at, ahead, run),
            (ahead, beside, between_s - run),
            (beside, beside, stay_s),
        ):
            share = np.linspace(0, 1, seconds, endpoint=False)[:, None]
            part = start + (end - start) * share
            if start is end:
                part = part + np.sin(share * seconds / 19) * swing_m * np.array((M_NORTH, M_EAST))
            lat.append(part[:, 0])
            lon.append(part[:, 1])
        began = sum(map(len, lat)) - stay_s
        day.stops.append((began, began + stay_s))
        at = beside
    day.lat, day.lon = np.concatenate(lat), np.concatenate(lon)
    day.lat = day.lat + rng.normal(0, noise_m * 0.5 * M_NORTH, len(day.lat))
    day.lon = day.lon + rng.normal(0, noise_m * 0.5 * M_EAST, len(day.lon))
    return day


def metres_between(
    one: "np.ndarray[tuple[int], np.dtype[np.float64]]", other: "np.ndarray[tuple[int], np.dtype[np.float64]]"
) -> float:
    return float(np.hypot((one[0] - other[0]) / M_NORTH, (one[1] - other[1]) / M_EAST))


def nmea(day: Day, depth_m: float = 5.2, celsius: float = 21.5) -> bytes:
    out = []
    for s in range(len(day)):
        at = BEGAN + timedelta(seconds=s)
        lat, lon = day.lat[s], -day.lon[s]
        out.append(
            line(
                f"GPRMC,{at:%H%M%S},A,{int(lat):02}{lat % 1 * 60:08.5f},N,"
                f"{int(lon):03}{lon % 1 * 60:08.5f},W,,,{at:%d%m%y},,"
            )
        )
        if s % 5 == 0:
            out += [line(f"SDDPT,{depth_m:.1f},0.0"), line(f"YXMTW,{celsius:.1f},C")]
    return b"".join(out)


def gpx(day: Day | None, waypoints: list[tuple[Place, str, int | None]] = (), every: int = 1) -> bytes:  # type: ignore[assignment]
    """Waypoints are (place, name, second of the day)."""

    def time(s: int) -> str:
        return f"<time>{(BEGAN + timedelta(seconds=s)).isoformat().replace('+00:00', 'Z')}</time>"

    marks = "".join(
        f'<wpt lat="{lat:.7f}" lon="{lon:.7f}">{time(s) if s is not None else ""}<name>{name}</name></wpt>'
        for (lat, lon), name, s in waypoints
    )
    points = "".join(
        f'<trkpt lat="{day.lat[s]:.7f}" lon="{day.lon[s]:.7f}">{time(s)}</trkpt>'
        for s in range(0, len(day) if day else 0, every)
    )
    track = f"<trk><trkseg>{points}</trkseg></trk>" if points else ""
    return f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">{marks}{track}</gpx>'.encode()


def upload(content: bytes, name: str) -> SimpleUploadedFile:
    return SimpleUploadedFile(name, content)


def screenshot(second: int, tint: int = 0, size: tuple[int, int] = (320, 200)) -> SimpleUploadedFile:
    """A PNG whose name tells its time by the water's clock."""
    local = BEGAN + timedelta(seconds=second) - timedelta(hours=5)
    out = io.BytesIO()
    Image.new("RGB", size, (tint % 256, tint // 256, 90)).save(out, "PNG")
    return upload(out.getvalue(), f"screen_{local:%Y%m%d_%H%M%S}.png")
