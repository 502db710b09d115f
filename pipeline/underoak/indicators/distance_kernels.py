"""Kernel for the distance to the nearest of some cells: exact, by nearest cells along rows. Float64 inside."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked
from underoak.indicators.cell_frame import Doubles

NONE = 2**30


@compiled
def _along_rows(is_target: npt.NDArray[np.bool_], left: npt.NDArray[np.int32], right: npt.NDArray[np.int32]) -> None:
    """Write the column of the nearest target at or `left` of each cell, and at or `right` of it; NONE without."""
    rows, cols = is_target.shape
    for row in range(rows):
        last = -NONE
        for col in range(cols):
            if is_target[row, col]:
                last = col
            left[row, col] = last
        last = NONE
        for col in range(cols - 1, -1, -1):
            if is_target[row, col]:
                last = col
            right[row, col] = last


@compiled_checked
def nearest(is_target: npt.NDArray[np.bool_], steps: Doubles, within: float, out: FloatArray) -> None:
    """Write the distance to the nearest target into `out`, `within` at most; missing where cells have no size."""
    rows, cols = is_target.shape
    left, right = np.empty((rows, cols), np.int32), np.empty((rows, cols), np.int32)
    _along_rows(is_target, left, right)
    for row in range(rows):
        a, b, c = steps[row]
        if a != a:
            continue
        reach = math.floor(within / abs(c))
        for col in range(cols):
            best = within * within
            for distance_rows in range(reach + 1):
                if distance_rows * c * (distance_rows * c) >= best:
                    break
                for side in range(2 if distance_rows else 1):
                    k = distance_rows if side == 0 else -distance_rows
                    other_row = row + k
                    if other_row < 0 or other_row >= rows:
                        continue
                    middle = col + math.floor(-k * b / a)  # the row's place nearest to the cell lies right of it
                    before = left[other_row, min(middle, cols - 1)] if middle >= 0 else -NONE
                    after = right[other_row, max(middle, 0)] if middle < cols else NONE
                    if after == before and middle + 1 < cols:
                        after = right[other_row, max(middle + 1, 0)]
                    for nearest_col in (before, after):
                        if nearest_col != NONE and nearest_col != -NONE:
                            x, y = (nearest_col - col) * a + k * b, k * c
                            best = min(best, x * x + y * y)
            out[row, col] = math.sqrt(best)
