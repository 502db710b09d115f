"""The nineteen bioclimatic variables, from monthly temperature and rain.

Arguments are float32 (12, rows, cols), January first: `tmin`, `tmax` mean daily least and greatest temperature [degC],
`temperature` mean temperature [degC], `rain` [mm]. Results are (rows, cols); a cell with any missing month is missing.

A quarter is any three months in a row, December before January; of equal quarters the first counts, from the one
that starts in January. Standard deviations are those of a sample (n - 1). Makers of climate maps differ in
both, and in the seasonality of rain, so compute these rather than mix maps. Variables 8, 9, 18 and 19 jump where the
quarter changes from cell to cell. Names and definitions: the list of WorldClim, read; the rest as stated.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.climate.monthly import annual_mean, annual_sum, months_max, months_min
from underoak.indicators.year import Doubles, stack_months


def mean_temperature(tmin: Any, tmax: Any) -> FloatArray:
    """Return the mean of daily least and greatest temperature [degC], arrays of one shape.

    Source: common practice, no source.

    >>> float(mean_temperature(-2.0, 6.0))
    2.0
    """
    return np.asarray((np.asarray(tmin, np.float64) + np.asarray(tmax, np.float64)) / 2.0, np.float32)


def bioclimatic(tmin: FloatArray, tmax: FloatArray, rain: FloatArray) -> dict[str, FloatArray]:
    """Return all nineteen, `bio1` to `bio19`, with the mean temperature half-way between least and greatest.

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> result = bioclimatic(flat + 5, flat + 15, flat + 50)
    >>> len(result), float(result["bio1"][0, 0]), float(result["bio18"][0, 0])
    (19, 10.0, 150.0)

    Raises:
        ValueError: for other shapes.
    """
    tmin, tmax, rain = stack_months(tmin, tmax, rain)
    mean = mean_temperature(tmin, tmax)
    pair, both = (tmin, tmax), (mean, rain)
    return {
        "bio1": bio1(mean), "bio2": bio2(*pair), "bio3": bio3(*pair), "bio4": bio4(mean), "bio5": bio5(tmax),
        "bio6": bio6(tmin), "bio7": bio7(*pair), "bio8": bio8(*both), "bio9": bio9(*both), "bio10": bio10(mean),
        "bio11": bio11(mean), "bio12": bio12(rain), "bio13": bio13(rain), "bio14": bio14(rain), "bio15": bio15(rain),
        "bio16": bio16(rain), "bio17": bio17(rain), "bio18": bio18(*both), "bio19": bio19(*both),
    }  # fmt: skip


def bio1(temperature: FloatArray) -> FloatArray:
    """Return the mean temperature of the year [degC].

    >>> float(bio1(np.arange(12).reshape(12, 1, 1))[0, 0])
    5.5
    """
    return annual_mean(temperature)


def bio2(tmin: FloatArray, tmax: FloatArray) -> FloatArray:
    """Return the mean of the months' daily ranges, greatest less least [K].

    >>> float(bio2(np.full((12, 1, 1), 4.0), np.full((12, 1, 1), 14.0))[0, 0])
    10.0
    """
    return _daily_range(tmin, tmax).astype(np.float32)


def bio3(tmin: FloatArray, tmax: FloatArray) -> FloatArray:
    """Return the isothermality [percent]: daily range over the year's range, 100 bio2 / bio7; missing without range.

    >>> float(bio3(np.full((12, 1, 1), 4.0), np.full((12, 1, 1), 14.0))[0, 0])
    100.0
    """
    year = _year_range(tmin, tmax)
    return (100.0 * _daily_range(tmin, tmax) / np.where(year > 0.0, year, np.nan)).astype(np.float32)


def bio4(temperature: FloatArray) -> FloatArray:
    """Return the seasonality of temperature [cK]: 100 times the standard deviation (n - 1) of the months.

    >>> round(float(bio4(np.arange(12).reshape(12, 1, 1))[0, 0]), 4)
    360.5551
    """
    return (100.0 * _deviation(temperature)).astype(np.float32)


def bio5(tmax: FloatArray) -> FloatArray:
    """Return the mean daily greatest temperature of the warmest month [degC]; no record, as it is a mean.

    >>> float(bio5(np.arange(12).reshape(12, 1, 1))[0, 0])
    11.0
    """
    return months_max(*stack_months(tmax))


def bio6(tmin: FloatArray) -> FloatArray:
    """Return the mean daily least temperature of the coldest month [degC]; no record, as it is a mean.

    >>> float(bio6(np.arange(12).reshape(12, 1, 1))[0, 0])
    0.0
    """
    return months_min(*stack_months(tmin))


def bio7(tmin: FloatArray, tmax: FloatArray) -> FloatArray:
    """Return the range of temperature over the year, bio5 - bio6 [K].

    >>> float(bio7(np.arange(12).reshape(12, 1, 1), np.arange(12).reshape(12, 1, 1) + 8)[0, 0])
    19.0
    """
    return _year_range(tmin, tmax).astype(np.float32)


def bio8(temperature: FloatArray, rain: FloatArray) -> FloatArray:
    """Return the mean temperature of the wettest quarter [degC].

    >>> float(bio8(np.arange(12).reshape(12, 1, 1), np.arange(12).reshape(12, 1, 1))[0, 0])
    10.0
    """
    return _quarter(rain, temperature, wants_most=True, parts=3)


def bio9(temperature: FloatArray, rain: FloatArray) -> FloatArray:
    """Return the mean temperature of the driest quarter [degC].

    >>> float(bio9(np.arange(12).reshape(12, 1, 1), np.arange(12).reshape(12, 1, 1))[0, 0])
    1.0
    """
    return _quarter(rain, temperature, wants_most=False, parts=3)


def bio10(temperature: FloatArray) -> FloatArray:
    """Return the mean temperature of the warmest quarter [degC].

    >>> float(bio10(np.arange(12).reshape(12, 1, 1))[0, 0])
    10.0
    """
    return _quarter(temperature, temperature, wants_most=True, parts=3)


def bio11(temperature: FloatArray) -> FloatArray:
    """Return the mean temperature of the coldest quarter [degC].

    >>> float(bio11(np.arange(12).reshape(12, 1, 1))[0, 0])
    1.0
    """
    return _quarter(temperature, temperature, wants_most=False, parts=3)


def bio12(rain: FloatArray) -> FloatArray:
    """Return the rain of the year [mm].

    >>> float(bio12(np.full((12, 1, 1), 50.0))[0, 0])
    600.0
    """
    return annual_sum(rain)


def bio13(rain: FloatArray) -> FloatArray:
    """Return the rain of the wettest month [mm].

    >>> float(bio13(np.arange(12).reshape(12, 1, 1))[0, 0])
    11.0
    """
    return months_max(*stack_months(rain))


def bio14(rain: FloatArray) -> FloatArray:
    """Return the rain of the driest month [mm].

    >>> float(bio14(np.arange(12).reshape(12, 1, 1))[0, 0])
    0.0
    """
    return months_min(*stack_months(rain))


def bio15(rain: FloatArray, added: float = 1.0) -> FloatArray:
    """Return the seasonality of rain [percent]: 100 times the deviation (n - 1) of the months / (mean + `added`).

    `added` 1 mm keeps the ratio sensible where hardly any rain falls, as WorldClim does (from memory); with
    0 it is the plain coefficient of variation, missing where no rain falls at all.

    >>> rain = np.float32([40, 35, 50, 60, 70, 65, 30, 40, 75, 90, 85, 60]).reshape(12, 1, 1)
    >>> round(float(bio15(rain)[0, 0]), 4), round(float(bio15(rain, added=0.0)[0, 0]), 4)
    (33.1932, 33.7622)
    """
    (values,) = stack_months(rain)
    mean = _total(values) / 12.0 + added
    return (100.0 * _deviation(values) / np.where(mean > 0.0, mean, np.nan)).astype(np.float32)


def bio16(rain: FloatArray) -> FloatArray:
    """Return the rain of the wettest quarter [mm].

    >>> float(bio16(np.arange(12).reshape(12, 1, 1))[0, 0])
    30.0
    """
    return _quarter(rain, rain, wants_most=True, parts=1)


def bio17(rain: FloatArray) -> FloatArray:
    """Return the rain of the driest quarter [mm].

    >>> float(bio17(np.arange(12).reshape(12, 1, 1))[0, 0])
    3.0
    """
    return _quarter(rain, rain, wants_most=False, parts=1)


def bio18(temperature: FloatArray, rain: FloatArray) -> FloatArray:
    """Return the rain of the warmest quarter [mm]; that of summer only where the warmest quarter is summer.

    >>> float(bio18(np.arange(12).reshape(12, 1, 1), np.full((12, 1, 1), 50))[0, 0])
    150.0
    """
    return _quarter(temperature, rain, wants_most=True, parts=1)


def bio19(temperature: FloatArray, rain: FloatArray) -> FloatArray:
    """Return the rain of the coldest quarter [mm].

    >>> float(bio19(np.arange(12).reshape(12, 1, 1), np.arange(12).reshape(12, 1, 1))[0, 0])
    3.0
    """
    return _quarter(temperature, rain, wants_most=False, parts=1)


def _quarter(key: Any, of: Any, wants_most: bool, parts: int) -> FloatArray:
    """Return the sum of `of` over the quarter that has most (or least) of `key`, divided by `parts`."""
    from underoak.indicators.climate import bioclim_kernels

    key, of = stack_months(key, of)
    out = np.empty(key.shape[1:], np.float32)
    bioclim_kernels.quarter(key, of, wants_most, float(parts), out)
    return out


def _total(values: FloatArray) -> Doubles:
    total = np.zeros(values.shape[1:])
    for month in values:  # one after the other: the order is part of the result
        total += month
    return total


def _deviation(months: Any) -> Doubles:
    (values,) = stack_months(months)
    mean, squares = _total(values) / 12.0, np.zeros(values.shape[1:])
    for month in values:
        squares += (month - mean) ** 2
    deviation: Doubles = np.sqrt(squares / 11.0)
    return deviation


def _daily_range(tmin: Any, tmax: Any) -> Doubles:
    least, greatest = stack_months(tmin, tmax)
    return (_total(greatest) - _total(least)) / 12.0


def _year_range(tmin: Any, tmax: Any) -> Doubles:
    least, greatest = stack_months(tmin, tmax)
    return np.asarray(months_max(greatest).astype(np.float64) - months_min(least))
