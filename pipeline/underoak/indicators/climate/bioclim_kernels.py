"""Kernel for the quarters of the year: a cell is a pure function of its own months."""

from __future__ import annotations

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked


@compiled
def _three(months: FloatArray, start: int, row: int, col: int) -> float:
    first, second = np.float64(months[start, row, col]), np.float64(months[(start + 1) % 12, row, col])
    return first + second + np.float64(months[(start + 2) % 12, row, col])


@compiled_checked
def quarter(key: FloatArray, of: FloatArray, wants_most: bool, parts: float, out: FloatArray) -> None:
    """Write into `out` three months of `of` / `parts`, where `key` is most or least; the first of equals."""
    for row in range(out.shape[0]):
        for col in range(out.shape[1]):
            best, best_key, is_known = 0, _three(key, 0, row, col), True
            for start in range(12):
                now = _three(key, start, row, col)
                is_known = is_known and now == now and of[start, row, col] == of[start, row, col]
                if (wants_most and now > best_key) or (not wants_most and now < best_key):
                    best, best_key = start, now
            out[row, col] = _three(of, best, row, col) / parts if is_known else np.nan
