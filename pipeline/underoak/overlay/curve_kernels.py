"""Kernels for response curves over flat float32 arrays; NaN in gives NaN out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.base.exp_log import exp2

Floats = npt.NDArray[np.float64]
Cells = npt.NDArray[np.float32]

STRETCH = 1024  # cells at a time: three working rows stay in the nearest cache


@compiled
def piecewise(values: Cells, start: Floats, x: Floats, y: Floats, slope: Floats, out: Cells) -> None:
    """Write y[j] + (value - x[j]) slope[j] into `out`; j is the last piece that starts below the value."""
    at, got = np.empty(STRETCH), np.empty(STRETCH)
    low, high = x[0], x[-1]  # level ends: no need to look further out, and infinities stay harmless
    for begin in range(0, values.size, STRETCH):
        part, to = values[begin : begin + STRETCH], out[begin : begin + STRETCH]
        for i in range(part.size):
            v = np.float64(part[i])
            v = v if v > low else low
            at[i] = v if v < high else high
            got[i] = y[0]
        for j in range(1, start.size):
            start_j, x_j, y_j, slope_j = start[j], x[j], y[j], slope[j]
            for i in range(part.size):
                was = got[i]
                got[i] = y_j + (at[i] - x_j) * slope_j if at[i] > start_j else was
        for i in range(part.size):
            g = got[i] if got[i] < 1.0 else 1.0
            g = g if g > 0.0 else 0.0
            to[i] = np.float32(g) if part[i] == part[i] else np.float32(np.nan)


@compiled_no_refcount
def bell(values: Cells, centre: float, per_width: float, out: Cells) -> None:
    """Write exp(-((value - centre) / width)**2 / 2) into `out`; per_width = sqrt(log2(e) / 2) / width."""
    for i in range(values.size):
        z = (np.float64(values[i]) - centre) * per_width
        out[i] = np.float32(exp2(-z * z)) if values[i] == values[i] else np.float32(np.nan)


@compiled
def table(values: Cells, codes: Cells, given: Cells, otherwise: float, out: Cells) -> None:
    """Write the membership of each cell's code into `out`; a run of equal cells is looked up once."""
    last, membership = np.float32(np.nan), np.float32(np.nan)
    for i in range(values.size):
        v = values[i]
        if v != last:
            j = np.searchsorted(codes, v)
            last, membership = v, np.float32(otherwise)
            if j < codes.size and codes[j] == v:
                membership = given[j]
            elif v != v:
                membership = v
        out[i] = membership
