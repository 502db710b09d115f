"""Kernels for the radiation over the path of the sun. Float64 inside."""

from __future__ import annotations

import math

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.indicators.terrain.slope_kernels import Doubles, gradient

RADIANS = math.pi / 180.0


@compiled
def _beam(above: float) -> float:
    """Return the share of direct light that a clear sky lets through; `above` is the sine of the sun's height."""
    zenith = math.acos(min(above, 1.0)) / RADIANS
    air_mass = 1.0 / (above + 0.50572 * (96.07995 - zenith) ** -1.6364)
    return float(0.7 ** (air_mass**0.678))


@compiled
def fill_table(latitude: float, declination: Doubles, outside: Doubles, seconds: float, table: Doubles) -> None:
    """Add to `table`, (slopes, aspects), the radiation [J m-2] of all days; `outside` is that above the air [W m-2]."""
    slopes, aspects = table.shape
    sin_lat, cos_lat = math.sin(latitude), math.cos(latitude)
    steep = np.linspace(0.0, 0.5 * math.pi, slopes)
    cos_steep, sin_steep = np.cos(steep), np.sin(steep)
    bearing = np.linspace(0.0, math.pi, aspects)
    cos_bearing, sin_bearing = np.cos(bearing), np.sin(bearing)
    steps = int(86400.0 / seconds)
    for day in range(declination.size):
        sin_dec, cos_dec = math.sin(declination[day]), math.cos(declination[day])
        for step in range(steps):
            hour = ((step + 0.5) / steps - 0.5) * 2.0 * math.pi
            above = sin_dec * sin_lat + cos_dec * cos_lat * math.cos(hour)
            if above <= 0.0:
                continue
            east = -cos_dec * math.sin(hour)
            north = sin_dec * cos_lat - cos_dec * sin_lat * math.cos(hour)
            energy = outside[day] * _beam(above) * seconds
            for i in range(slopes):
                facing = above * cos_steep[i]
                for j in range(aspects):
                    level = east * sin_bearing[j] + north * cos_bearing[j]
                    table[i, j] += energy * max(facing + level * sin_steep[i], 0.0)


@compiled
def _between(table: Doubles, row: float, col: float) -> float:
    """Return the value of a table between its nodes."""
    i, j = min(int(row), table.shape[0] - 2), min(int(col), table.shape[1] - 2)
    x, y = col - j, row - i
    upper = table[i, j] + x * (table[i, j + 1] - table[i, j])
    lower = table[i + 1, j] + x * (table[i + 1, j + 1] - table[i + 1, j])
    return float(upper + y * (lower - upper))


@compiled
def of_heights(
    z: FloatArray, ground: Doubles, latitude: Doubles, first: float, tables: Doubles, out: FloatArray
) -> None:
    """Write the radiation of heights into `out`, less the rim; the tables are those of each degree from `first` on."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = gradient(z, row, col, ground)
            degree = latitude[row, col] - first
            steep = math.atan(math.sqrt(east * east + north * north)) / RADIANS
            if not (steep >= 0.0 and 0.0 <= degree <= tables.shape[0] - 1):
                continue
            bearing = abs(math.atan2(-east, -north)) / RADIANS  # morning and afternoon are alike
            i = min(int(degree), tables.shape[0] - 2)
            lower = _between(tables[i], steep, bearing / 2.0)
            out[row, col] = lower + (degree - i) * (_between(tables[i + 1], steep, bearing / 2.0) - lower)
