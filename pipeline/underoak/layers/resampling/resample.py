"""Resampling of source cells to analysis cells: nearest, bilinear, area mean, most common class, share of classes.

The kernels use coordinates that do not depend on the tile, add in a fixed order, and use no fast-math: any window of
the grid gives the same bits. Weight on missing cells or outside the source does not count; a cell with less than half
its weight valid is missing. The area methods weigh source cells by their overlap with the analysis cell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple, cast, get_args

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.layers.resampling import resample_kernels as kernels
from underoak.layers.resampling.area_kernels import SourceCells
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.position_kernels import Squares

Method = Literal["nearest", "bilinear", "mean", "mode", "share"]
METHODS: tuple[str, ...] = get_args(Method)


def kernel_reach(mesh: Mesh, method: str) -> int:
    """Return the source cells that a method needs around the one that holds a centre, on every side."""
    if method == "nearest":
        return 1
    a, b, c, d = mesh.jacobian
    widest = max(math.hypot(a, b), math.hypot(c, d), 1.0)
    # half again as much where the scale grows away from the middle of the grid
    return math.ceil(1.5 * widest) + 2


def resample(
    values: FloatArray,
    source_window: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    share_of: tuple[float, ...] = (),
) -> FloatArray:
    """Return values on a window of the analysis grid, (rows, cols), from the source cells in `source_window`.

    Args:
        values: source cells (source_window.rows, source_window.cols), NaN missing.
        source_window: where they lie on the source grid; cells outside it count as missing.
        mesh: the mesh of the coordinates.
        coordinates: those of a window that holds `window`.
        window: the analysis cells.
        method: one of `METHODS`; bilinear widens its kernel where the source is finer than the analysis grid.
        share_of: class codes whose share is computed, for method "share".

    >>> from underoak.base.grid import Grid
    >>> fine = Grid.north_up("EPSG:25831", 0, 60, 10, 6, 6)
    >>> coarse = Grid.north_up("EPSG:25831", 0, 60, 30, 2, 2)
    >>> mesh = Mesh.between(coarse, fine)
    >>> values = np.arange(36, dtype=np.float32).reshape(6, 6)
    >>> resample(values, fine.window, mesh, mesh.coordinates(coarse.window), coarse.window, "mean").tolist()
    [[7.0, 10.0], [25.0, 28.0]]
    """
    (out,) = resample_layers([values], source_window, mesh, coordinates, window, method, share_of).values
    return cast(FloatArray, out)


class Resampled(NamedTuple):
    """A set of layers on a window of the analysis grid."""

    values: FloatArray  # (layers, rows, cols)
    missing: list[int]  # cells without a value, of each layer


def resample_layers(
    layers: Sequence[FloatArray] | FloatArray,
    source_window: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    share_of: tuple[float, ...] = (),
) -> Resampled:
    """Resample layers with the same source cells as `resample` does: faster together than one by one."""
    out = np.empty((len(layers), *window.shape), np.float32)
    if layers[0].size == 0:
        out.fill(np.nan)
        return Resampled(out, [out[0].size] * len(layers))
    codes = np.array(share_of, np.float32)
    missing = np.zeros(len(layers), np.int64)
    kernels.resample(
        _source_cells_of(layers, source_window),
        kernel_squares(coordinates),
        np.array(mesh.jacobian),
        window.row,
        window.col,
        METHODS.index(method),
        codes,
        out,
        missing,
    )
    return Resampled(out, missing.tolist())


def kernel_squares(coordinates: Coordinates) -> Squares:
    """Return coordinates in the form that kernels take."""
    c = coordinates
    return Squares(c.u, c.v, c.exact, c.exact_u, c.exact_v, c.step, c.row, c.col)


def _source_cells_of(layers: Sequence[FloatArray] | FloatArray, source_window: Window) -> SourceCells:
    """Return cells as one flat array for each layer.

    A single layer that is part of an array is not copied: its cells are the memory from the first to the last.
    """
    pitch = source_window.cols
    if len(layers) == 1:
        values = layers[0]
        if values.strides[1] != values.itemsize or values.strides[0] < values.itemsize * source_window.cols:
            values = np.ascontiguousarray(values)
        pitch = values.strides[0] // values.itemsize
        shape = (1, (source_window.rows - 1) * pitch + source_window.cols)
        flat = np.lib.stride_tricks.as_strided(values, shape, (shape[1] * 4, 4), writeable=False)
    else:
        flat = np.ascontiguousarray(layers).reshape(len(layers), -1)
    return SourceCells(flat, pitch, source_window.rows, source_window.cols, source_window.row, source_window.col)
