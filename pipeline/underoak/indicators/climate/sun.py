"""Extraterrestrial radiation and hours of daylight by latitude and day of the year.

Equations of FAO Irrigation and Drainage Paper 56 (Allen, Pereira, Raes and Smith 1998), their numbers from memory and
checked against its printed examples. Angles of sunset are cut off at the polar day and night.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.indicators.year import Doubles, Latitude

MM_PER_MJ = 0.408  # depth of water that a megajoule on a square metre turns to vapour: 1 / 2.45 (FAO-56 eq. 20)

Days = float | npt.NDArray[Any] | tuple[int, ...]


def extraterrestrial_radiation(latitude: Latitude, day: Days) -> Doubles:
    """Return daily extraterrestrial radiation [MJ m-2 d-1] on level land, (*day.shape, *latitude.shape).

    `latitude` [degree, north positive] and `day` of the year [1..366]: numbers or arrays. NaN for a latitude beyond a
    pole. Multiply by `MM_PER_MJ` for the depth of water it could turn to vapour [mm/d].
    Source: FAO-56 eqs 21 to 25, from memory.

    >>> round(float(extraterrestrial_radiation(-20.0, 246)), 1)
    32.2
    """
    from underoak.indicators.climate import sun_kernels

    return _over(sun_kernels.radiation, latitude, day)


def daylight_hours(latitude: Latitude, day: Days) -> Doubles:
    """Return the hours from sunrise to sunset [h, 0..24] on a level horizon, (*day.shape, *latitude.shape).

    Arguments as in `extraterrestrial_radiation`. Source: FAO-56 eq. 34, from memory.

    >>> round(float(daylight_hours(-20.0, 246)), 1), float(daylight_hours(70.0, 172))
    (11.7, 24.0)
    """
    from underoak.indicators.climate import sun_kernels

    return _over(sun_kernels.daylight, latitude, day)


def _over(kernel: Callable[[Doubles, Doubles, Doubles], None], latitude: Latitude, day: Days) -> Doubles:
    lat: Doubles = np.asarray(latitude, np.float64)
    days: Doubles = np.asarray(day, np.float64)
    out = np.empty((days.size, lat.size))
    kernel(np.ascontiguousarray(np.where(np.abs(lat) <= 90.0, lat, np.nan)).ravel(), days.ravel(), out)
    return out.reshape(days.shape + lat.shape)
