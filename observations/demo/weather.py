"""The demo's days: water temperature, clarity, wind and sky, the same for everybody who is out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np

from observations.demo.chart import pool_level

WINDS = (0.2, 3.0, 6.7, 9.4)
"""What is logged for calm, light, moderate and fresh, metres a second."""


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
    sky = str(
        rng.choice(["clear", "partly cloudy", "overcast", "rain", "fog"], p=[0.35, 0.32, 0.23, 0.07, 0.03])
    )
    heading = int(rng.choice([135, 180, 225, 270, 315, 0], p=[0.15, 0.28, 0.22, 0.13, 0.14, 0.08]))
    return Day(
        round(max(temperature, 2.0), 1),
        round(min(max(secchi, 0.3), 3.5), 1),
        -pool_level(day),
        min(WINDS, key=lambda known: abs(known - wind)),
        heading,
        sky,
    )


def clarity(secchi_m: float) -> str:
    """The word for a Secchi depth: clear from 2 m, stained from 0.7 m (common practice, no source)."""
    return "clear" if secchi_m >= 2.0 else "stained" if secchi_m >= 0.7 else "muddy"
