"""Direct radiation of a year on a slope, added up over the path of the sun.

Declination and distance of the sun after Spencer 1971, the way of its rays through the air after Kasten and Young 1989,
and a clear sky that lets 0.7 ^ (air mass ^ 0.678) through, after Meinel and Meinel 1976; all from memory. The sum is
over every fifth day and ten minutes. It is worked out for whole degrees of latitude and slope and two of aspect, and
interpolated between them, which misses it by less than 0.1 % of that of level ground.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.cell_frame import Doubles, Size, on_ground
from underoak.indicators.year import latitude_by_cell

SOLAR_CONSTANT = 1361.0  # W m-2, Kopp and Lean 2011, from memory
_DAYS = np.arange(3.0, 366.0, 5.0)  # each stands for five
_SECONDS = 600.0


def sun_path_radiation(
    elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0, latitude: Size = 45.0
) -> FloatArray:
    """Return the direct radiation of a year [MJ m-2 a-1] on each slope under a clear sky, (rows, cols).

    It is that of a square metre of the slope, without clouds, cast shadows and diffuse light, and as at sea level.
    Sides as in `slope`; `latitude` [degree]: one number, (rows,) or (rows, cols). Any latitude and slope will do.

    >>> import numpy as np
    >>> level, south = np.zeros((3, 3)), np.float64([[1, 1, 1], [0, 0, 0], [-1, -1, -1]]) * 5
    >>> [round(float(sun_path_radiation(z, 10, 10, latitude=45.0)[1, 1]), -1) for z in (level, south, -south)]
    [5600.0, 6960.0, 3220.0]
    """
    from underoak.indicators.terrain import sun_path_kernels as kernels

    z, ground, out = on_ground(elevation, dx, dy, turn, corner)
    degrees = np.broadcast_to(latitude_by_cell(latitude, z.shape), z.shape)
    finite = degrees[np.isfinite(degrees) & (np.abs(degrees) <= 90.0)]
    if not finite.size:
        return out
    first, last = math.floor(finite.min()), math.floor(finite.max()) + 1
    tables = np.stack([_table(min(degree, 90)) for degree in range(first, last + 1)])
    kernels.of_heights(z, ground, degrees, float(first), tables, out)
    return out


@lru_cache(maxsize=256)
def _table(latitude: int) -> Doubles:
    """Return the radiation at a latitude [degree], (slopes of 0 to 90 degrees, aspects of 0 to 180 by two)."""
    from underoak.indicators.terrain import sun_path_kernels as kernels

    declination, distance = _sun(_DAYS)
    table = np.zeros((91, 91))
    kernels.fill_table(math.radians(latitude), declination, SOLAR_CONSTANT * distance, _SECONDS, table)
    return table * (5.0 * 1e-6)


def _sun(day: Doubles) -> tuple[Doubles, Doubles]:
    """Return declination [rad], and the radiation over that at the mean distance, of days of the year."""
    angle = 2.0 * np.pi * (day - 1) / 365.0
    cos, sin = [np.cos(n * angle) for n in range(4)], [np.sin(n * angle) for n in range(4)]
    declination = 0.006918 - 0.399912 * cos[1] + 0.070257 * sin[1] - 0.006758 * cos[2] + 0.000907 * sin[2]
    declination += -0.002697 * cos[3] + 0.00148 * sin[3]
    distance = 1.00011 + 0.034221 * cos[1] + 0.00128 * sin[1] + 0.000719 * cos[2] + 7.7e-05 * sin[2]
    return declination, distance
