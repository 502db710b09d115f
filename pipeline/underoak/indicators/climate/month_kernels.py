"""Kernel over the month axis, each cell in month order, so that no result depends on a window."""

from __future__ import annotations

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled_checked

SUM, MEAN, MIN, MAX = range(4)


@compiled_checked
def reduce_months(months: FloatArray, how: int, out: FloatArray) -> None:
    """Write the sum, mean, least or greatest over axis 0 into `out`; missing where any month is."""
    count, rows, cols = months.shape
    for row in range(rows):
        for col in range(cols):
            total = np.float64(months[0, row, col])
            for month in range(1, count):
                value = np.float64(months[month, row, col])
                if how <= MEAN:
                    total += value
                elif value != value or (how == MIN and value < total) or (how == MAX and value > total):
                    total = value  # comparing with a missing total is never true, so missing stays
            out[row, col] = total / count if how == MEAN else total
