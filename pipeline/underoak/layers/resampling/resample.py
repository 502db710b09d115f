"""From source cells to analysis cells: nearest, bilinear, area mean, most common class, share of classes.

The kernels see source cells through coordinates that do not depend on the tile, add in a fixed order, and use no
fast-math: any window of the grid gives the same bits. Weight that falls on missing cells or outside the source is
missing weight; a cell with less than half its weight valid is missing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple, cast, get_args

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.layers.resampling import resample_kernels as kernels
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.position_kernels import Squares

Method = Literal["nearest", "bilinear", "mean", "mode", "share"]
METHODS: tuple[str, ...] = get_args(Method)
_MOST_SAMPLES = 128  # along one side of a cell


def kernel_reach(mesh: Mesh, method: str) -> int:
    """Source cells a method looks beyond the cell a centre falls on, rows and columns alike."""
    if method == "nearest":
        return 1
    a, b, c, d = mesh.jacobian
    widest = max(math.hypot(a, b), math.hypot(c, d), 1.0)
    # half again as much where the scale grows away from the middle of the grid
    return math.ceil(1.5 * widest) + 2


def samples_per_side(mesh: Mesh) -> int:
    """Sub-samples along a cell's side for the area methods: about two for each source cell, exact for whole ratios."""
    a, b, c, d = mesh.jacobian
    scale = max(math.hypot(a, c), math.hypot(b, d), 1.0)
    whole = round(scale)
    per_side = 2 * whole if abs(scale - whole) < 1e-6 else math.ceil(2 * scale)
    return max(4, min(per_side, _MOST_SAMPLES))


def resample(
    values: FloatArray,
    held: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    share_of: tuple[float, ...] = (),
) -> FloatArray:
    """Values on a window of the analysis grid, (rows, cols), from the source cells in `held`.

    Args:
        values: source cells (held.rows, held.cols), NaN missing.
        held: where they lie on the source grid; cells outside it count as missing.
        mesh: the mesh the coordinates come from.
        coordinates: the mesh at a window that holds `window`.
        window: the analysis cells wanted.
        method: one of `METHODS`; bilinear widens its kernel where the source is finer than the analysis grid.
        share_of: class codes whose share is taken, for method "share".

    >>> from underoak.base.grid import Grid
    >>> fine = Grid.north_up("EPSG:25831", 0, 60, 10, 6, 6)
    >>> coarse = Grid.north_up("EPSG:25831", 0, 60, 30, 2, 2)
    >>> mesh = Mesh.between(coarse, fine)
    >>> values = np.arange(36, dtype=np.float32).reshape(6, 6)
    >>> resample(values, fine.window, mesh, mesh.at(coarse.window), coarse.window, "mean").tolist()
    [[7.0, 10.0], [25.0, 28.0]]
    """
    (out,) = resample_layers([values], held, mesh, coordinates, window, method, share_of).values
    return cast(FloatArray, out)


class Resampled(NamedTuple):
    """Layers on a window of the analysis grid."""

    values: FloatArray  # (layers, rows, cols)
    missing: list[int]  # cells without a value, of each layer


def resample_layers(
    layers: Sequence[FloatArray] | FloatArray,
    held: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    share_of: tuple[float, ...] = (),
) -> Resampled:
    """`resample` for layers that hold the same source cells: faster together than one by one."""
    out = np.empty((len(layers), *window.shape), np.float32)
    if layers[0].size == 0:
        out.fill(np.nan)
        return Resampled(out, [out[0].size] * len(layers))
    at = coordinates
    squares = Squares(at.u, at.v, at.exact, at.exact_u, at.exact_v, at.step, at.row, at.col)
    codes = np.array(share_of or (np.nan,), np.float32)
    kind, jacobian, missing = METHODS.index(method), np.array(mesh.jacobian), np.zeros(len(layers), np.int64)
    kernels.resample(
        _source(layers, held),
        squares,
        jacobian,
        window.row,
        window.col,
        kind,
        samples_per_side(mesh),
        codes,
        out,
        missing,
    )
    return Resampled(out, missing.tolist())


def _source(layers: Sequence[FloatArray] | FloatArray, held: Window) -> kernels.SourceCells:
    """Cells in one flat array for each layer.

    Of a layer alone that is part of an array, it is the stretch of memory from its first cell to its last.
    """
    pitch = held.cols
    if len(layers) == 1:
        values = layers[0]
        if values.strides[1] != values.itemsize or values.strides[0] < values.itemsize * held.cols:
            values = np.ascontiguousarray(values)
        pitch = values.strides[0] // values.itemsize
        shape = (1, (held.rows - 1) * pitch + held.cols)
        flat = np.lib.stride_tricks.as_strided(values, shape, (shape[1] * 4, 4), writeable=False)
    else:
        flat = np.ascontiguousarray(layers).reshape(len(layers), -1)
    return kernels.SourceCells(flat, pitch, held.rows, held.cols, held.row, held.col)
