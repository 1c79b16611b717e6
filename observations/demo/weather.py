"""The demo's days: water temperature, clarity, wind and sky, the same for everybody who is out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np

from observations.demo.chart import pool_level


@dataclass(frozen=True)
class Day:
    """Conditions of one day on Lake Marrowby."""

    water_temp_c: float
    secchi_m: float
    pool_level_m: float
    wind_m_s: float
    wind_from_deg: int
    sky: str


@cache
def weather(day: date) -> Day:
    """The conditions of a day, drawn from the date alone."""
    rng = np.random.default_rng(day.toordinal())
    of_year = day.timetuple().tm_yday
    slow = math.sin(day.toordinal() / 11.0) + math.sin(day.toordinal() / 4.7)
    temperature = (
        15.4 - 11.6 * math.cos(2 * math.pi * (of_year - 34) / 365.25) + 0.6 * slow + rng.normal(0, 0.3)
    )
    spring_murk = math.exp(-(((of_year - 110) / 30) ** 2))
    secchi = (1.9 - 0.9 * spring_murk + 0.25 * slow / 2) * math.exp(rng.normal(0, 0.12))
    wind = float(rng.gamma(2.2, 1.6))
    sky = str(rng.choice(["clear", "part cloud", "overcast", "light rain"], p=[0.35, 0.33, 0.24, 0.08]))
    heading = int(rng.choice([160, 180, 200, 225, 270, 300, 340], p=[0.15, 0.2, 0.2, 0.15, 0.12, 0.1, 0.08]))
    return Day(
        round(max(temperature, 2.0), 1),
        round(min(max(secchi, 0.3), 3.5), 1),
        -pool_level(day),
        round(min(wind, 11.0), 1),
        heading,
        sky,
    )


def clarity(secchi_m: float) -> str:
    """The word for a Secchi depth: clear from 2 m, stained from 0.7 m (common practice, no source)."""
    return "clear" if secchi_m >= 2.0 else "stained" if secchi_m >= 0.7 else "muddy"
