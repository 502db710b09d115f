"""Water balance of summer and aridity of the year: rain against evapotranspiration.

The figures depend on how evapotranspiration was worked out, so each name says it; compare only like with like.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.climate.evapotranspiration import (
    hargreaves_months,
    hargreaves_year,
    thornthwaite_months,
    thornthwaite_year,
)
from underoak.indicators.climate.monthly import annual_sum
from underoak.indicators.year import Latitude, season_sum, stack_months, sum_of_months

ARIDITY_CLASSES = ("hyper-arid", "arid", "semi-arid", "dry sub-humid", "humid")  # codes 1 to 5
MAY_TO_AUGUST = (5, 6, 7, 8)
_EDGES = np.array((0.05, 0.20, 0.50, 0.65), np.float32)  # as exact as the values


def summer_balance(rain: FloatArray, evaporation: FloatArray, latitude: Latitude) -> FloatArray:
    """Return rain less evapotranspiration [mm] over the summer of the cell's hemisphere, (rows, cols).

    Below 0 is a deficit: the year's total hides it. `rain`, `evaporation` [mm] (12, rows, cols), January first;
    `latitude` [degree] as in `season_sum`. Source: common practice, no source.

    >>> wet, thirst = np.full((12, 1, 1), 50, np.float32), np.full((12, 1, 1), 110, np.float32)
    >>> float(summer_balance(wet, thirst, 44.0)[0, 0])
    -180.0

    Raises:
        ValueError: for other shapes.
    """
    rain, evaporation = stack_months(rain, evaporation)
    return season_sum(rain, latitude) - season_sum(evaporation, latitude)


def aridity_index(rain: Any, evaporation: Any) -> FloatArray:
    """Return rain over evapotranspiration of the year [-], arrays of one shape and unit; high is humid.

    Missing where nothing can evaporate. Source: UNEP 1992, from memory.

    >>> aridity_index(np.float32([700, 700]), np.float32([1400, 0])).tolist()
    [0.5, nan]
    """
    wet, thirst = np.asarray(rain, np.float64), np.asarray(evaporation, np.float64)
    return np.asarray(wet / np.where(thirst > 0.0, thirst, np.nan), np.float32)


def aridity_class(index: Any) -> FloatArray:
    """Return code 1 to 5 of the aridity index, in the order of `ARIDITY_CLASSES`; an edge is in the wetter class.

    Source: UNEP 1992, World Atlas of Desertification; edges 0.05, 0.20, 0.50 and 0.65 read on a data set's sheet.

    >>> [ARIDITY_CLASSES[int(code) - 1] for code in aridity_class([0.049, 0.05, 0.64, 0.65])]
    ['hyper-arid', 'arid', 'dry sub-humid', 'humid']
    """
    values = np.asarray(index, np.float32)
    codes = 1.0 + np.searchsorted(_EDGES, values, side="right")
    return np.asarray(np.where(np.isnan(values), np.nan, codes), np.float32)


def summer_balance_hargreaves(rain: FloatArray, tmin: FloatArray, tmax: FloatArray, latitude: Latitude) -> FloatArray:
    """Return `summer_balance` [mm] with evapotranspiration after Hargreaves, (rows, cols).

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> round(float(summer_balance_hargreaves(flat + 50, flat + 12, flat + 26, 44.0)[0, 0]), 1)
    -318.7
    """
    return summer_balance(rain, hargreaves_months(tmin, tmax, latitude), latitude)


def summer_balance_thornthwaite(rain: FloatArray, temperature: FloatArray, latitude: Latitude) -> FloatArray:
    """Return `summer_balance` [mm] with evapotranspiration after Thornthwaite, (rows, cols).

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> round(float(summer_balance_thornthwaite(flat + 50, flat + 19, 44.0)[0, 0]), 1)
    -111.2
    """
    return summer_balance(rain, thornthwaite_months(temperature, latitude), latitude)


def warm_season_balance_thornthwaite(rain: FloatArray, temperature: FloatArray, latitude: Latitude) -> FloatArray:
    """Return rain less evapotranspiration [mm] of May to August (south: November to February), (rows, cols).

    Arguments as in `summer_balance`; evapotranspiration after Thornthwaite. Source: the months of Le Tacon et al. 2014,
    Mycorrhiza 24 S115 (abstract); the method is common practice, no source.

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> round(float(warm_season_balance_thornthwaite(flat + 50, flat + 19, 44.0)[0, 0]), 1)
    -148.5

    Raises:
        ValueError: for other shapes.
    """
    rain, warmth = stack_months(rain, temperature)
    thirst = thornthwaite_months(warmth, latitude)
    return sum_of_months(rain, latitude, MAY_TO_AUGUST) - sum_of_months(thirst, latitude, MAY_TO_AUGUST)


def aridity_hargreaves(rain: FloatArray, tmin: FloatArray, tmax: FloatArray, latitude: Latitude) -> FloatArray:
    """Return `aridity_index` [-] of the months, with evapotranspiration after Hargreaves, (rows, cols).

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> round(float(aridity_hargreaves(flat + 50, flat + 5, flat + 15, 45.0)[0, 0]), 2)
    0.76
    """
    return aridity_index(annual_sum(rain), hargreaves_year(tmin, tmax, latitude))


def aridity_thornthwaite(rain: FloatArray, temperature: FloatArray, latitude: Latitude) -> FloatArray:
    """Return `aridity_index` [-] of the months, with evapotranspiration after Thornthwaite, (rows, cols).

    >>> flat = np.zeros((12, 1, 1), np.float32)
    >>> round(float(aridity_thornthwaite(flat + 50, flat + 10, 45.0)[0, 0]), 2)
    1.01
    """
    return aridity_index(annual_sum(rain), thornthwaite_year(temperature, latitude))
