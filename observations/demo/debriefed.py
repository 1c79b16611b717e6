"""One invented day of the demo's `member`, sent by their plotter yesterday and not decided yet."""

from __future__ import annotations

import random
from datetime import datetime, time, timedelta
from math import hypot
from statistics import median
from zoneinfo import ZoneInfo

from django.core.files.uploadedfile import SimpleUploadedFile
from shapely import wkb
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from club.viewer import viewer_of, viewing
from observations.debrief.drafting import Drafted, draft
from observations.debrief.laying import lay
from observations.debrief.uploads import Sent
from observations.demo.loading import Loader
from observations.demo.pictures import Studio
from observations.demo.rows import Demo, SpotRow
from observations.files.fixes import Log
from observations.files.gpx_track import Mark

WHOSE = "member"
_BEGAN = time(6, 40)
_STOPS, _PICTURES = 8, 3
_RUN_MPS, _SEARCH_MPS, _SEARCHED_M = 9.0, 1.5, 180.0
_LAT_M = 111_132.0


class _Boat:
    """Writes a log as it goes: a fix a second, with a receiver's scatter; depth and temperature every other."""

    def __init__(self, began: float, at: tuple[float, float], across_m: float, celsius: float) -> None:
        self.log, self.time, self.at = Log(), began, at
        self.lon_m, self.celsius = across_m, celsius
        self.random = random.Random(5)  # noqa: S311 - the same day at every load

    def metres_to(self, to: tuple[float, float]) -> float:
        return hypot((to[0] - self.at[0]) * _LAT_M, (to[1] - self.at[1]) * self.lon_m)

    def _fix(self, at: tuple[float, float], depth: float) -> None:
        scatter = self.random.gauss
        self.log.fix(self.time, at[0] + scatter(0, 0.9) / _LAT_M, at[1] + scatter(0, 0.9) / self.lon_m)
        if round(self.time) % 2 == 0:
            self.log.measure("depth", max(0.8, depth + scatter(0, 0.15)))
            self.log.measure("temperature", self.celsius)
        self.time += 1

    def go(self, to: tuple[float, float], mps: float, depth: float) -> None:
        seconds = max(1, round(self.metres_to(to) / mps))
        before = self.at
        for second in range(1, seconds + 1):
            share = second / seconds
            self.at = before[0] + (to[0] - before[0]) * share, before[1] + (to[1] - before[1]) * share
            self._fix(self.at, depth)

    def stay(self, seconds: int, depth: float) -> tuple[float, float]:
        began = self.time
        for second in range(seconds):
            swing = 5 * (second % 90 / 45 - 1)
            self._fix((self.at[0] + swing / _LAT_M, self.at[1]), depth)
        return began, self.time


def load_debrief(demo: Demo, loader: Loader, moment: datetime) -> Drafted:
    """Send the day as `member` would have."""
    member = loader.members[WHOSE]
    rows = [row for row in demo.spots if row.owner == f"member:{WHOSE}" and row.paused_at is None]
    water = loader.waters[rows[0].water]
    zone = ZoneInfo(water.time_zone)
    began = datetime.combine(moment.astimezone(zone).date() - timedelta(days=1), _BEGAN, zone)
    assert water.outline is not None  # noqa: S101 - the demo's waters have one
    chain = _route(rows, wkb.loads(bytes(water.outline.wkb)))
    month = [
        look.water_temp_c for look in demo.looks if look.water_temp_c and look.started_at.month == began.month
    ]
    start = chain[0].latitude + 300 / _LAT_M, chain[0].longitude
    lon_m = _LAT_M * 0.7547  # the cosine of the lake's latitude, 41 degrees
    boat = _Boat(began.timestamp(), start, lon_m, round(median(month), 1) if month else 12.0)
    stays, marks = [], []
    for turn, row in enumerate(chain):
        to = row.latitude + 7 / _LAT_M, row.longitude - 6 / lon_m
        away = boat.metres_to(to)
        if away > _SEARCHED_M:
            share = 1 - _SEARCHED_M / away
            near = boat.at[0] + (to[0] - boat.at[0]) * share, boat.at[1] + (to[1] - boat.at[1]) * share
            boat.go(near, _RUN_MPS, row.depth_max_m + 2)
        boat.go(to, _SEARCH_MPS, row.depth_max_m)
        stays.append(boat.stay(200 + 45 * (turn % 5), row.depth_max_m - 0.5))
        if turn in (2, 5):
            boat.go((to[0] + 95 / _LAT_M, to[1] + 60 / lon_m), _SEARCH_MPS, row.depth_max_m + 1)
            boat.stay(150, row.depth_max_m + 1)
            marks.append(Mark(*boat.at, boat.time - 60, {"name": f"{140 + turn}", "sym": "tree"}))
    sent = Sent([boat.log], marks, [])
    with viewing(viewer_of(member), moment):
        drafted = draft(sent, member, moment)
        lay(_screens(demo, stays, zone), drafted, member, moment)
    return drafted


def _route(rows: list[SpotRow], water: BaseGeometry) -> list[SpotRow]:
    """Return the spots from one to the next nearest that a boat reaches in a straight line."""
    chain, left = [rows[0]], list(rows[1:])
    while left and len(chain) < _STOPS:
        here = chain[-1]
        lines = [
            (LineString([(here.longitude, here.latitude), (row.longitude, row.latitude)]), row.key, row)
            for row in left
        ]
        open_water = [(line.length, key, row) for line, key, row in lines if water.contains(line)]
        if not open_water:
            break
        chain.append(min(open_water)[2])
        left.remove(chain[-1])
    return chain


def _screens(demo: Demo, stays: list[tuple[float, float]], zone: ZoneInfo) -> list[SimpleUploadedFile]:
    """Screenshots at the first stops, named by their time as a plotter names them."""
    studio = Studio(demo)
    screens = [row for row in demo.pictures if not row.finding] or demo.pictures
    out = []
    for (start, end), row in zip(stays, screens[:_PICTURES], strict=False):
        at = datetime.fromtimestamp((start + end) / 2, zone)
        out.append(SimpleUploadedFile(f"screen {at:%Y-%m-%d %H.%M.%S}.jpg", studio.jpeg(row)))
    return out
