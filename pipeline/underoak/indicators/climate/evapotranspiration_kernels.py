"""Kernels for Thornthwaite's evapotranspiration: a cell is a pure function of its own twelve months."""

from __future__ import annotations

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked
from underoak.indicators.year import Doubles

_HOT = 26.5  # degC; the exponent holds below it
_PEAK = 37.5  # degC; the hot branch would fall beyond


@compiled
def _heat(months: FloatArray, row: int, col: int) -> float:
    total = 0.0
    for month in range(12):
        value = np.float64(months[month, row, col])
        if value > 0.0:
            total += (value / 5.0) ** 1.514
        elif value != value:
            return value
    return total


@compiled
def heat_index(months: FloatArray, out: Doubles) -> None:
    """Write the year's heat index into `out`; missing where any month is."""
    for row in range(out.shape[0]):
        for col in range(out.shape[1]):
            out[row, col] = _heat(months, row, col)


@compiled_checked
def thornthwaite(months: FloatArray, stretch: Doubles, out: Doubles) -> None:
    """Write each month's evapotranspiration [mm] into `out`; `stretch` (12, 1 or rows, 1 or cols): days and light."""
    tall, wide = stretch.shape[1] > 1, stretch.shape[2] > 1
    for row in range(out.shape[1]):
        for col in range(out.shape[2]):
            heat = _heat(months, row, col)
            power = 6.75e-7 * heat**3 - 7.71e-5 * heat**2 + 1.792e-2 * heat + 0.49239
            for month in range(12):
                value = np.float64(months[month, row, col])
                if heat != heat:
                    depth = np.nan
                elif value <= 0.0:
                    depth = 0.0
                elif value < _HOT:
                    depth = 16.0 * (10.0 * value / heat) ** power
                else:
                    hot = min(value, _PEAK)
                    depth = -415.85 + 32.24 * hot - 0.43 * hot * hot
                out[month, row, col] = depth * stretch[month, row if tall else 0, col if wide else 0]
