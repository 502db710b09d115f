"""The twelve months of climate layers, their days, and the seasons of either hemisphere."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray

Doubles = npt.NDArray[np.float64]
Latitude = float | npt.NDArray[Any]

DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)  # of a year that is no leap year
MIDDLES = (15, 46, 74, 105, 135, 166, 196, 227, 258, 288, 319, 349)  # the day of the year in the middle of each month

# Meteorological seasons of the northern half; the southern half turns them by six months.
SEASONS = {
    "winter": (12, 1, 2),
    "spring": (3, 4, 5),
    "summer": (6, 7, 8),
    "autumn": (9, 10, 11),
    "year": tuple(range(1, 13)),
}


def season_months(season: str, is_south: bool) -> tuple[int, ...]:
    """Return the calendar months (1..12) of a season; half a year later south of the equator.

    Source: the seasons of meteorology, common practice, no source.

    >>> season_months("summer", False), season_months("summer", True)
    ((6, 7, 8), (12, 1, 2))

    Raises:
        ValueError: for a season that is none of `SEASONS`.
    """
    if season not in SEASONS:
        raise ValueError(f"{season!r} is no season; known: {', '.join(SEASONS)}")
    return _turned(SEASONS[season], is_south)


def _turned(months: tuple[int, ...], is_south: bool) -> tuple[int, ...]:
    return tuple((month + 5) % 12 + 1 if is_south else month for month in months)


def season_sum(months: FloatArray, latitude: Latitude, season: str = "summer") -> FloatArray:
    """Return the sum over a season's months, by the hemisphere of each cell, (rows, cols), in the months' unit.

    `months` (12, rows, cols), January first. `latitude` [degree]: one number, (rows,) or (rows, cols); the equator
    counts as north. Missing where a month of the season or the latitude is. Source: common practice, no source.

    >>> rain = np.float32([40, 35, 50, 60, 70, 65, 30, 40, 75, 90, 85, 60]).reshape(12, 1, 1)
    >>> float(season_sum(rain, 44.0)[0, 0]), float(season_sum(rain, -44.0)[0, 0])
    (135.0, 135.0)

    Raises:
        ValueError: for other shapes, or a season that is not known.
    """
    return sum_of_months(months, latitude, season_months(season, False))


def sum_of_months(months: FloatArray, latitude: Latitude, northern: tuple[int, ...]) -> FloatArray:
    """Return the sum over the calendar months `northern` (1..12), half a year later south; otherwise as `season_sum`.

    >>> rain = np.float32([40, 35, 50, 60, 70, 65, 30, 40, 75, 90, 85, 60]).reshape(12, 1, 1)
    >>> float(sum_of_months(rain, 44.0, (5, 6))[0, 0]), float(sum_of_months(rain, -44.0, (5, 6))[0, 0])
    (135.0, 145.0)

    Raises:
        ValueError: for other shapes.
    """
    return _seasonal(months, latitude, northern, 1.0)


def season_mean(months: FloatArray, latitude: Latitude, season: str = "summer") -> FloatArray:
    """Return the mean over the months of a season, each counted alike; otherwise as `season_sum`.

    >>> warmth = np.float32([2, 3.5, 7, 10, 14.5, 18.5, 21.5, 21, 16.5, 11.5, 6, 3]).reshape(12, 1, 1)
    >>> round(float(season_mean(warmth, 44.0)[0, 0]), 4), round(float(season_mean(warmth, -44.0)[0, 0]), 4)
    (20.3333, 2.8333)

    Raises:
        ValueError: as in `season_sum`.
    """
    northern = season_months(season, False)
    return _seasonal(months, latitude, northern, float(len(northern)))


def _seasonal(months: Any, latitude: Latitude, northern: tuple[int, ...], parts: float) -> FloatArray:
    (values,) = stack_months(months)
    lat = latitude_by_cell(latitude, values.shape[1:])
    halves = []
    for is_south in (False, True):
        total = np.zeros(values.shape[1:], np.float64)
        for month in _turned(northern, is_south):  # one after the other: the order is part of the result
            total += values[month - 1]
        halves.append(total / parts)
    return np.where(np.isnan(lat), np.nan, np.where(lat < 0.0, halves[1], halves[0])).astype(np.float32)


def stack_months(*layers: Any) -> tuple[FloatArray, ...]:
    """Return the layers as float32 (12, rows, cols), all of one shape.

    >>> [layer.shape for layer in stack_months(np.zeros((12, 2, 3)), np.ones((12, 2, 3)))]
    [(12, 2, 3), (12, 2, 3)]

    Raises:
        ValueError: when one is of another shape.
    """
    stacked = tuple(np.ascontiguousarray(layer, np.float32) for layer in layers)
    for values in stacked:
        if values.ndim != 3 or len(values) != 12:
            raise ValueError(f"a year has twelve months, (12, rows, cols); got {values.shape}")
        if values.shape != stacked[0].shape:
            raise ValueError(f"monthly layers differ in shape: {stacked[0].shape} and {values.shape}")
    return stacked


def latitude_by_cell(latitude: Latitude, shape: tuple[int, ...]) -> Doubles:
    """Return latitudes [degree] that broadcast over cells of a shape: (1, 1), (rows, 1) or (rows, cols).

    NaN beyond the poles.

    >>> latitude_by_cell(np.array([50.0, 91.0]), (2, 3)).tolist()
    [[50.0], [nan]]

    Raises:
        ValueError: when it is not one number, (rows,) or (rows, cols).
    """
    degrees: Doubles = np.asarray(latitude, np.float64)
    rows, cols = shape
    if degrees.shape not in ((), (rows,), (rows, cols)):
        raise ValueError(f"latitude is one number, (rows,) or (rows, cols) for cells {shape}; got {degrees.shape}")
    degrees = degrees.reshape(-1, 1) if degrees.ndim < 2 else degrees
    return np.where(np.abs(degrees) <= 90.0, degrees, np.nan)
