"""Thirty invented years at an invented weather station: rain and warmth by month, the coldest of each winter night."""

from __future__ import annotations

import calendar
import csv
from pathlib import Path

import numpy as np
from land import SEED, Land, climate

FIRST, LAST = 1991, 2020
STATION = (402_000.0, 4_652_000.0)  # in the middle of the region
_GAP = (2003, 7)  # a month without a reading, as real series have
_SPREAD = 0.55  # of a month's rain, as a share of its mean: as gamma of shape 1 / 0.55^2
_WARM, _NIGHT = 1.3, 3.2  # standard deviation of a month's mean, and of a night about it [K]
_BELOW = 4.0  # nights under the month's mean [K]
_MOST_ALIKE = 0.75  # of a night with the one before
WINTER = (11, 12, 1, 2, 3)


def write_weather(land: Land, folder: Path) -> None:
    """Write `weather_months.csv` (rain [mm], tmean [degC]) and `weather_nights.csv` (a minimum for each night)."""
    random = np.random.default_rng(SEED + 30)
    warmth, rain = (a[:, 0] for a in climate(land, np.array([STATION[0]]), np.array([STATION[1]])))
    shape = 1.0 / _SPREAD**2
    months, nights, chill = [], [], 0.0
    for year in range(FIRST, LAST + 1):
        for month in range(1, 13):
            fell = rain[month - 1] * random.gamma(shape, 1.0 / shape)
            mean = warmth[month - 1] + random.normal(0.0, _WARM)
            given = "" if (year, month) == _GAP else f"{fell:.1f}"
            months.append((year, month, given, f"{mean:.1f}"))
            for day in range(1, calendar.monthrange(year, month)[1] + 1):
                chill = _MOST_ALIKE * chill + random.normal(0.0, _NIGHT * (1.0 - _MOST_ALIKE**2) ** 0.5)
                if month in WINTER:
                    nights.append((year, month, day, f"{mean - _BELOW + chill:.1f}"))
    _table(folder / "weather_months.csv", ("year", "month", "rain", "tmean"), months)
    _table(folder / "weather_nights.csv", ("year", "month", "day", "tmin"), nights)


def _table(path: Path, head: tuple[str, ...], rows: list[tuple[object, ...]]) -> None:
    with open(path, "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)
