"""The source cells of each analysis cell with their weights, for values other than the source's own, such as draws."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.layers.resampling import source_weights_kernels as kernels
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.meshes import extent_window
from underoak.layers.resampling.position_kernels import BILINEAR, MEAN, NEAREST
from underoak.layers.resampling.resample import kernel_reach, kernel_squares
from underoak.uncertainty.draws.draw_overlay import SourceWeights

_GAP = 1024  # source cells between two neighbouring cells, beyond which the projection is torn apart between them

_METHODS = {"nearest": NEAREST, "bilinear": BILINEAR, "mean": MEAN}

Doubles = npt.NDArray[np.float64]


def source_positions(mesh: Mesh, coordinates: Coordinates, window: Window) -> tuple[Doubles, Doubles]:
    """Return source columns and rows (u, v) of a window's cell centres, (rows, cols); infinite where undefined."""
    u, v = np.full(window.shape, np.inf), np.full(window.shape, np.inf)
    kernels.centres(kernel_squares(coordinates), window.row, window.col, u, v)
    return u, v


def source_windows(mesh: Mesh, method: str, u: Doubles, v: Doubles) -> list[Window]:
    """Return the source cells that cells at these positions need; several windows where the projection is torn."""
    finite = np.isfinite(u) & np.isfinite(v)
    margin = kernel_reach(mesh, method)
    windows = []
    for us, vs in _clusters(u[finite], v[finite]):
        extent = float(us.min()), float(us.max()), float(vs.min()), float(vs.max())
        windows.append(extent_window(extent, margin))
    return sorted(windows)


def _clusters(u: Doubles, v: Doubles) -> Iterator[tuple[Doubles, Doubles]]:
    """Split positions where two neighbours lie too far apart on the source."""
    if not u.size:
        return
    for positions in (u, v):
        span = positions.max() - positions.min()
        if span <= _GAP:
            continue
        ordered = np.sort(positions)
        gaps = np.diff(ordered)
        # cells of a tile lie close together, however coarse they are beside the source's
        if gaps.max() > max(_GAP, 0.25 * span):
            cut = ordered[gaps.argmax()]
            for is_on_side in (positions <= cut, positions > cut):
                yield from _clusters(u[is_on_side], v[is_on_side])
            return
    yield u, v


def source_weights(
    values: FloatArray,
    source_window: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    offset: int = 0,
) -> SourceWeights:
    """Return the source cells of each analysis cell of a window, row by row, with the weights that `resample` uses.

    Args:
        values: source cells (source_window.rows, source_window.cols), NaN missing; missing cells have no weight.
        source_window: where they lie on the source grid; cells outside it count as missing.
        mesh: the mesh of the coordinates.
        coordinates: those of a window that holds `window`.
        window: the analysis cells.
        method: nearest, bilinear or mean.
        offset: added to the source cells' numbers, which else count from 0 row by row.

    >>> from underoak.base.grid import Grid
    >>> fine = Grid.north_up("EPSG:25831", 0, 60, 10, 6, 6)
    >>> coarse = Grid.north_up("EPSG:25831", 0, 60, 30, 2, 2)
    >>> mesh = Mesh.between(coarse, fine)
    >>> values, where = np.ones((6, 6), np.float32), coarse.window
    >>> weights = source_weights(values, fine.window, mesh, mesh.coordinates(where), where, "mean")
    >>> weights.count.tolist(), sorted(weights.index[:9].tolist())
    ([9, 9, 9, 9], [0, 1, 2, 6, 7, 8, 12, 13, 14])
    """
    cells = window.rows * window.cols
    start, count = np.zeros(cells, np.int64), np.zeros(cells, np.int32)
    if values.size == 0:
        return SourceWeights(start, count, np.empty(0, np.int32), np.empty(0, np.float32))
    flat = np.ascontiguousarray(values).reshape(-1)
    source = kernels.SourceCells(flat, source_window.rows, source_window.cols, source_window.row, source_window.col)
    i_method = _METHODS[method]
    capacity = cells * (1 if method == "nearest" else 4)
    while True:
        index, weight = np.empty(capacity, np.int32), np.empty(capacity, np.float32)
        outputs = start, count, index, weight
        needed = kernels.source_weights(
            source,
            kernel_squares(coordinates),
            np.array(mesh.jacobian),
            window.row,
            window.col,
            window.cols,
            i_method,
            *outputs,
        )
        if needed <= capacity:
            return SourceWeights(start, count, index[:needed] + np.int32(offset), weight[:needed])
        capacity = max(int(needed), 2 * capacity)


def merge_weights(parts: list[SourceWeights]) -> SourceWeights:
    """Merge source weights of the same analysis cells: each cell takes those of the first part that has any for it."""
    first, *more = parts
    start, count, index, weight = first.start, first.count, [first.index], [first.weight]
    offset = first.index.size
    for part in more:
        is_new = (count == 0) & (part.count > 0)
        start, count = np.where(is_new, part.start + offset, start), np.where(is_new, part.count, count)
        index.append(part.index)
        weight.append(part.weight)
        offset += part.index.size
    return SourceWeights(start, count, np.concatenate(index), np.concatenate(weight))
