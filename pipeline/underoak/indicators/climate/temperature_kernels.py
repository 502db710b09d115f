"""Kernels for degree-days and frost: a cell is a pure function of its own values."""

from __future__ import annotations

import math

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked
from underoak.indicators.year import Doubles


@compiled_checked
def _one_day(least: float, greatest: float, base: float) -> float:
    if not least <= greatest:
        return np.nan  # missing, or no day
    mean, swing = (least + greatest) / 2.0, (greatest - least) / 2.0
    if least >= base:
        return mean - base
    if greatest <= base:
        return 0.0
    crossing = math.asin((base - mean) / swing)
    return ((mean - base) * (math.pi / 2.0 - crossing) + swing * math.cos(crossing)) / math.pi


@compiled
def single_sine(least: Doubles, greatest: Doubles, base: float, out: Doubles) -> None:
    """Write the degree-days of one day [K d] into `out`, flat arrays."""
    for i in range(out.size):
        out[i] = _one_day(least[i], greatest[i], base)


@compiled
def sine_year(least: FloatArray, greatest: FloatArray, base: float, days: Doubles, out: FloatArray) -> None:
    """Write the degree-days of twelve months [K d] into `out`."""
    for row in range(out.shape[0]):
        for col in range(out.shape[1]):
            total = 0.0
            for month in range(12):
                low, high = np.float64(least[month, row, col]), np.float64(greatest[month, row, col])
                total += _one_day(low, high, base) * days[month]
            out[row, col] = total


@compiled_checked
def days_at_most(months: FloatArray, at_most: float, sd: float, days: Doubles, out: FloatArray) -> None:
    """Write the expected days at or below a threshold into `out`; daily values are normal round their month's."""
    for row in range(out.shape[0]):
        for col in range(out.shape[1]):
            total = 0.0
            for month in range(12):
                z = (at_most - np.float64(months[month, row, col])) / sd
                total += 0.5 * math.erfc(-z / math.sqrt(2.0)) * days[month]
            out[row, col] = total
