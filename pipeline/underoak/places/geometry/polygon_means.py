"""Means of a finished run's rasters inside a polygon."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Grid, Window
from underoak.engine.write.finished_rasters import MEMBERSHIPS_TIF, open_finished
from underoak.engine.write.outputs import MEMBERSHIP_STEPS
from underoak.layers.shapes.coverage import coverage, polygon_edges

_SIDE = 1024


def mean_memberships(folder: Path, grid: Grid, shape: Any) -> npt.NDArray[np.float64]:
    """Return the mean membership of each criterion over the cells that a shape of the grid's CRS covers, by share.

    NaN for a criterion that is known nowhere in it.

    Raises:
        UnderoakError: E230 when the raster cannot be read.
    """
    edges = polygon_edges([shape], grid)
    with open_finished(folder, MEMBERSHIPS_TIF) as memberships:
        sums, shares = np.zeros(len(memberships.bands)), np.zeros(len(memberships.bands))
        for window in _windows(edges.box[0], grid):
            share, steps = coverage(edges, window), memberships.stored_bands(window)
            has_value = (steps <= MEMBERSHIP_STEPS) & (share > 0.0)
            sums += (np.where(has_value, steps, 0) * share).sum(axis=(1, 2)) / MEMBERSHIP_STEPS
            shares += (has_value * share).sum(axis=(1, 2))
    with np.errstate(invalid="ignore"):
        return sums / shares


def _windows(box: npt.NDArray[np.float64], grid: Grid) -> list[Window]:
    """Windows over the box of a shape (least u and v, greatest u and v), as far as it lies on the grid."""
    if np.isnan(box).any():
        return []
    left, top = max(int(np.floor(box[0])), 0), max(int(np.floor(box[1])), 0)
    right, bottom = min(int(np.ceil(box[2])), grid.cols), min(int(np.ceil(box[3])), grid.rows)
    return [
        Window(row, col, min(_SIDE, bottom - row), min(_SIDE, right - col))
        for row in range(top, bottom, _SIDE)
        for col in range(left, right, _SIDE)
    ]
