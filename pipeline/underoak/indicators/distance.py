"""Distance to the nearest cell of some classes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.cell_frame import Size, frame


def distance(
    classes: FloatArray,
    dx: Size,
    dy: Size,
    turn: Size = 0.0,
    corner: Size = 90.0,
    codes: Sequence[int] = (),
    within: float = 1000.0,
) -> FloatArray:
    """Return the distance [m] from each cell's centre to that of the nearest cell of class `codes`, (rows, cols).

    Exact in true metres, measured by the sides of the cell it starts from (as in `slope`; `turn` changes nothing).
    Where the nearest is further than `within` [m], it is `within`. A cell without a class is missing, and counts as
    none of the codes for others; so does all beyond the edge. Source: Euclid's distance.

    >>> import numpy as np
    >>> distance(np.float32([[10, 20, 20, 20, 20]]), 30, 30, codes=[10], within=100).tolist()
    [[0.0, 30.0, 60.0, 90.0, 100.0]]
    """
    from underoak.indicators import distance_kernels as kernels

    values = np.ascontiguousarray(classes, np.float32)
    if values.ndim != 2:
        raise ValueError(f"classes are (rows, cols), got {values.shape}")
    out = np.full(values.shape, np.nan, np.float32)
    kernels.nearest(_is_one_of(values, codes), frame(values.shape[0], dx, dy, corner), within, out)
    out[np.isnan(values)] = np.nan
    return out


def _is_one_of(classes: FloatArray, codes: Sequence[int]) -> Any:
    return np.isin(classes, np.asarray(codes, np.float32))
