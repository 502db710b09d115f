"""Compiled area methods: mean, mode and share over samples of each analysis cell."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.layers.resampling.position_kernels import FAR, MEAN, MODE, SHARE, Doubles, Singles


class SourceCells(NamedTuple):
    """A window of source cells in the form that kernels take."""

    cells: Singles  # (layers, cells row by row)
    pitch: int  # from one row to the next
    rows: int
    cols: int
    top: int  # of the first one on the source grid
    left: int


@compiled_no_refcount
def nearest_value(src: SourceCells, cells: Singles, u: float, v: float) -> np.float32:
    """Return the value of the source cell that holds a position; NaN outside the source."""
    if not (abs(u) < FAR and abs(v) < FAR):
        return np.float32(np.nan)
    r = math.floor(v) - src.top
    c = math.floor(u) - src.left
    if r < 0 or c < 0 or r >= src.rows or c >= src.cols:
        return np.float32(np.nan)
    value: np.float32 = cells[r * src.pitch + c]
    return value


@compiled
def area(
    src: SourceCells,
    cells: Singles,
    us: Doubles,
    vs: Doubles,
    k: int,
    n: int,
    codes: Singles,
    method: int,
    out: Singles,
) -> None:
    """Fill `out` with mean, mode or share over k x k samples of each of n cells in a row; us and vs are (k, n k)."""
    kinds = np.empty(k * k, np.float32)
    n_times = np.empty(k * k, np.int64)
    for cell in range(n):
        total = 0.0
        count = 0
        n_kinds = 0
        for i in range(k):
            for j in range(cell * k, cell * k + k):
                value = nearest_value(src, cells, us[i, j], vs[i, j])
                if value != value:
                    continue
                count += 1
                if method == MEAN:
                    total += np.float64(value)
                elif method == SHARE:
                    for code in codes:
                        if value == code:
                            total += 1.0
                            break
                else:
                    i_kind = 0
                    while i_kind < n_kinds and kinds[i_kind] != value:
                        i_kind += 1
                    if i_kind == n_kinds:
                        kinds[n_kinds] = value
                        n_times[n_kinds] = 0
                        n_kinds += 1
                    n_times[i_kind] += 1
        if 2 * count < k * k or count == 0:
            out[cell] = np.nan
        elif method == MODE:
            best = 0
            for i_kind in range(1, n_kinds):  # equal counts: the lower code, so that flipping a map changes nothing
                if n_times[i_kind] > n_times[best] or (
                    n_times[i_kind] == n_times[best] and kinds[i_kind] < kinds[best]
                ):
                    best = i_kind
            out[cell] = kinds[best]
        else:
            out[cell] = np.float32(total / count)
