"""Compiled kernel for the nearest of some cells: exact, by nearest cells along rows. Float64 inside."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked
from underoak.indicators.cell_frame import Doubles

NONE = 2**30


@compiled
def _along_rows(wanted: npt.NDArray[np.bool_], left: npt.NDArray[np.int32], right: npt.NDArray[np.int32]) -> None:
    """Column of the nearest wanted cell at or left of each cell, and at or right of it; -NONE and NONE without."""
    rows, cols = wanted.shape
    for row in range(rows):
        last = -NONE
        for col in range(cols):
            if wanted[row, col]:
                last = col
            left[row, col] = last
        last = NONE
        for col in range(cols - 1, -1, -1):
            if wanted[row, col]:
                last = col
            right[row, col] = last


@compiled_checked
def nearest(wanted: npt.NDArray[np.bool_], steps: Doubles, within: float, out: FloatArray) -> None:
    """Distance from each cell to the nearest wanted one, `within` at most; missing where cells have no size."""
    rows, cols = wanted.shape
    left, right = np.empty((rows, cols), np.int32), np.empty((rows, cols), np.int32)
    _along_rows(wanted, left, right)
    for row in range(rows):
        a, b, c = steps[row]
        if a != a:
            continue
        reach = math.floor(within / abs(c))
        for col in range(cols):
            best = within * within
            for away in range(reach + 1):
                if away * c * (away * c) >= best:
                    break
                for side in range(2 if away else 1):
                    k = away if side == 0 else -away
                    at = row + k
                    if at < 0 or at >= rows:
                        continue
                    middle = col + math.floor(-k * b / a)  # the row's place nearest to the cell lies right of it
                    before = left[at, min(middle, cols - 1)] if middle >= 0 else -NONE
                    after = right[at, max(middle, 0)] if middle < cols else NONE
                    if after == before and middle + 1 < cols:
                        after = right[at, max(middle + 1, 0)]
                    for found in (before, after):
                        if found != NONE and found != -NONE:
                            x, y = (found - col) * a + k * b, k * c
                            best = min(best, x * x + y * y)
            out[row, col] = math.sqrt(best)
