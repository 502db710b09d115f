"""Reference evapotranspiration: water that air and sun would take from well-watered land, month by month.

Two methods, which differ by a third or more: never compare one with a map from the other. Float64 inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.climate.sun import MM_PER_MJ, daylight_hours, extraterrestrial_radiation
from underoak.indicators.year import DAYS, MIDDLES, Doubles, Latitude, latitude_by_cell, stack_months


def hargreaves(tmin: Any, tmax: Any, radiation: Any) -> FloatArray:
    """Return the reference evapotranspiration [mm/d] of mean daily extremes [degC], arrays that broadcast.

    `radiation` [MJ m-2 d-1] is extraterrestrial (`extraterrestrial_radiation`), and is converted to a depth of water
    here. Never below 0. Missing where `tmax` is below `tmin`, which no day can be.
    Source: Hargreaves, as FAO-56 eq. 52 (Allen et al. 1998), from memory.

    >>> round(float(hargreaves(14.8, 26.6, 40.6)), 1)
    5.0
    """
    return np.asarray(_daily(tmin, tmax, radiation), np.float32)


def hargreaves_months(
    tmin: FloatArray, tmax: FloatArray, latitude: Latitude, middles: Sequence[int] = MIDDLES
) -> FloatArray:
    """Return the reference evapotranspiration of each month [mm], (12, rows, cols), by `hargreaves` at its middle.

    `tmin`, `tmax` [degC] (12, rows, cols), January first. `latitude` [degree]: one number, (rows,) or (rows, cols).
    `middles`: the day of the year that stands for each month.

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> [round(float(depth), 1) for depth in hargreaves_months(flat + 5, flat + 15, 45.0)[[0, 6], 0, 0]]
    [30.5, 103.8]

    Raises:
        ValueError: for other shapes.
    """
    return _hargreaves(tmin, tmax, latitude, middles).astype(np.float32)


def hargreaves_year(
    tmin: FloatArray, tmax: FloatArray, latitude: Latitude, middles: Sequence[int] = MIDDLES
) -> FloatArray:
    """Return the reference evapotranspiration of the year [mm], (rows, cols); arguments as in `hargreaves_months`.

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> round(float(hargreaves_year(flat + 5, flat + 15, 45.0)[0, 0]), 1)
    794.2
    """
    return _total(_hargreaves(tmin, tmax, latitude, middles))


def thornthwaite_months(temperature: FloatArray, latitude: Latitude, middles: Sequence[int] = MIDDLES) -> FloatArray:
    """Return the potential evapotranspiration of each month [mm], (12, rows, cols), from mean temperature [degC] alone.

    A month at or below 0 degC counts as 0. Above 26.5 degC the power is replaced by
    -415.85 + 32.24 T - 0.43 T^2, constant at its peak from 37.5 degC on. Both are for 30 days of 12 hours, and are
    stretched to the days of the month and its hours of light. `latitude` and `middles` as in `hargreaves_months`.
    Sources: Thornthwaite 1948, from memory; the hot branch Willmott, Rowe and Mintz 1985, as open code quotes it.

    >>> [round(float(depth), 2) for depth in thornthwaite_months(np.full((12, 1, 1), 20, np.float32), 0.0)[:2, 0, 0]]
    [76.33, 68.94]

    Raises:
        ValueError: for other shapes.
    """
    return _thornthwaite(temperature, latitude, middles).astype(np.float32)


def thornthwaite_year(temperature: FloatArray, latitude: Latitude, middles: Sequence[int] = MIDDLES) -> FloatArray:
    """Return the potential evapotranspiration of the year [mm], (rows, cols); arguments as in `thornthwaite_months`.

    >>> round(float(thornthwaite_year(np.full((12, 1, 1), 20, np.float32), 0.0)[0, 0]), 1)
    898.7
    """
    return _total(_thornthwaite(temperature, latitude, middles))


def heat_index(temperature: FloatArray) -> FloatArray:
    """Return Thornthwaite's heat index I [-], (rows, cols): the sum of (T / 5)^1.514 over months above 0 degC.

    >>> round(float(heat_index(np.full((12, 1, 1), 20, np.float32))[0, 0]), 4)
    97.8814

    Raises:
        ValueError: for another shape than (12, rows, cols).
    """
    from underoak.indicators.climate import evapotranspiration_kernels

    (values,) = stack_months(temperature)
    out = np.empty(values.shape[1:], np.float64)
    evapotranspiration_kernels.heat_index(values, out)
    return out.astype(np.float32)


def _daily(tmin: Any, tmax: Any, radiation: Any) -> Doubles:
    least, greatest = (np.asarray(t, np.float64) for t in (tmin, tmax))
    swing = greatest - least
    root = np.sqrt(np.where(swing >= 0.0, swing, np.nan))
    depth: Doubles = 0.0023 * ((least + greatest) / 2.0 + 17.8) * root * (MM_PER_MJ * np.asarray(radiation, np.float64))
    return np.maximum(depth, 0.0)  # which keeps what is missing


def _hargreaves(tmin: Any, tmax: Any, latitude: Latitude, middles: Sequence[int]) -> Doubles:
    least, greatest = stack_months(tmin, tmax)
    reaching = extraterrestrial_radiation(latitude_by_cell(latitude, least.shape[1:]), _twelve_days(middles))
    out = np.empty(least.shape, np.float64)
    for month, days in enumerate(DAYS):
        out[month] = _daily(least[month], greatest[month], reaching[month]) * days
    return out


def _thornthwaite(temperature: Any, latitude: Latitude, middles: Sequence[int]) -> Doubles:
    from underoak.indicators.climate import evapotranspiration_kernels

    (values,) = stack_months(temperature)
    light = daylight_hours(latitude_by_cell(latitude, values.shape[1:]), _twelve_days(middles))
    stretch = light / 12.0 * (np.array(DAYS, np.float64) / 30.0)[:, None, None]
    out = np.empty(values.shape, np.float64)
    evapotranspiration_kernels.thornthwaite(values, stretch, out)
    return out


def _twelve_days(middles: Sequence[int]) -> Doubles:
    if len(middles) != 12:
        raise ValueError(f"a year has twelve months, got {len(middles)} days")
    return np.asarray(middles, np.float64)


def _total(months: Doubles) -> FloatArray:
    total = np.zeros(months.shape[1:])
    for month in months:  # one after the other: the order is part of the result
        total += month
    return total.astype(np.float32)
