"""Degree-days and frost from monthly temperatures, and temperature at another height.

Monthly means say little of single days: they under-count degree-days near the base, and do not show late frost.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.year import DAYS, stack_months

STANDARD_LAPSE = 6.5  # K/km, of the standard atmosphere; 4 to 7 over the seasons (from memory)
SPREAD_OF_NIGHTS = 4.5  # K, of daily least temperatures within a winter month; ours, common practice, no source


def degree_days(temperature: FloatArray, base: float = 5.0) -> FloatArray:
    """Return the year's degree-days above a base [K d], (rows, cols): days of a month times its mean above the base.

    `temperature` [degC] (12, rows, cols), January first; `base` [degC]. Source: common practice, no source.

    >>> float(degree_days(np.full((12, 1, 1), 11.0), base=10.0)[0, 0])
    365.0

    Raises:
        ValueError: for another shape.
    """
    (values,) = stack_months(temperature)
    total = np.zeros(values.shape[1:])
    for month, days in zip(values, DAYS, strict=True):  # one after the other: the order is part of the result
        total += np.maximum(month - np.float64(base), 0.0) * days  # maximum keeps what is missing
    return total.astype(np.float32)


def single_sine(tmin: Any, tmax: Any, base: float) -> FloatArray:
    """Return the degree-days [K d] of a day that swings as a sine between `tmin` and `tmax` [degC]; arrays broadcast.

    Counts the part of the wave above `base` [degC], which a mean would lose. Missing where `tmax` is below `tmin`.
    Source: Baskerville and Emin 1969, formula from memory, checked by integrating the wave.

    >>> round(float(single_sine(5.0, 25.0, 10.0)), 4)
    6.09
    """
    from underoak.indicators.climate import temperature_kernels

    least, greatest = np.broadcast_arrays(np.asarray(tmin, np.float64), np.asarray(tmax, np.float64))
    out = np.empty(least.size, np.float64)
    temperature_kernels.single_sine(
        np.ascontiguousarray(least).ravel(), np.ascontiguousarray(greatest).ravel(), float(base), out
    )
    return out.reshape(least.shape).astype(np.float32)


def sine_degree_days(tmin: FloatArray, tmax: FloatArray, base: float = 5.0) -> FloatArray:
    """Return the year's degree-days above a base [K d], (rows, cols): `single_sine` of each month's mean day x days.

    `tmin`, `tmax` [degC] (12, rows, cols), January first; `base` [degC].

    >>> float(sine_degree_days(np.full((12, 1, 1), 12.0), np.full((12, 1, 1), 18.0), base=10.0)[0, 0])
    1825.0

    Raises:
        ValueError: for other shapes.
    """
    from underoak.indicators.climate import temperature_kernels

    least, greatest = stack_months(tmin, tmax)
    out = np.empty(least.shape[1:], np.float32)
    temperature_kernels.sine_year(least, greatest, float(base), np.array(DAYS, np.float64), out)
    return out


def frost_months(tmin: FloatArray, below: float = 0.0) -> FloatArray:
    """Return the number of months [0..12] whose mean daily least temperature is below a threshold, (rows, cols).

    `tmin` [degC] (12, rows, cols); `below` [degC]. Source: common practice, no source.

    >>> winter = np.float32([-2, -1, 2, 5, 9, 13, 15, 15, 11, 7, 2, -1]).reshape(12, 1, 1)
    >>> float(frost_months(winter)[0, 0])
    3.0

    Raises:
        ValueError: for another shape.
    """
    (values,) = stack_months(tmin)
    counted = np.count_nonzero(values < np.float32(below), axis=0)
    return np.where(np.isnan(values).any(axis=0), np.nan, counted).astype(np.float32)


def frost_days(tmin: FloatArray, at_most: float = -10.0, deviation: float = SPREAD_OF_NIGHTS) -> FloatArray:
    """Return the expected days of the year at or below a threshold [d], (rows, cols), from monthly means.

    Daily least temperatures are taken to scatter normally round the month's mean `tmin` [degC] (12, rows, cols) with
    the standard deviation `deviation` [K]. Cold nights come in spells, and hollows are colder than maps: an order of
    magnitude, no count. `at_most` [degC]. Source: common practice, no source; so is the default of `deviation`.

    >>> round(float(frost_days(np.full((12, 1, 1), -10.0))[0, 0]), 1)
    182.5

    Raises:
        ValueError: for another shape, or a deviation that is not above 0.
    """
    from underoak.indicators.climate import temperature_kernels

    if not deviation > 0.0:
        raise ValueError(f"a standard deviation is above 0, got {deviation}")
    (values,) = stack_months(tmin)
    out = np.empty(values.shape[1:], np.float32)
    temperature_kernels.days_at_most(values, float(at_most), float(deviation), np.array(DAYS, np.float64), out)
    return out


def at_height(temperature: Any, height: Any, to_height: Any, lapse: float = STANDARD_LAPSE) -> FloatArray:
    """Return the temperature [degC] at another height than that it is known for, arrays that broadcast.

    `height` and `to_height` [m]; `lapse` [K/km] is the loss with height. For temperature, not for rain.
    On clear nights cold air fills hollows instead. Source: standard atmosphere, common practice.

    >>> float(at_height(10.0, 0.0, 500.0))
    6.75
    """
    rise = np.asarray(to_height, np.float64) - np.asarray(height, np.float64)
    return np.asarray(np.asarray(temperature, np.float64) - lapse * rise / 1000.0, np.float32)
