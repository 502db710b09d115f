"""Which source cells make up each analysis cell, and where they lie: for whoever has other values for them."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.layers.resampling import source_weights_kernels as kernels
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.position_kernels import Squares
from underoak.layers.resampling.resample import kernel_reach, samples_per_side
from underoak.uncertainty.draws.draw_overlay import SourceWeights

_GAP = 1024  # source cells between two cells of one mesh square, or of neighbouring ones, whose ground is torn apart

_METHODS = {"nearest": kernels.NEAREST, "bilinear": kernels.BILINEAR, "mean": kernels.MEAN}

Doubles = npt.NDArray[np.float64]


def source_positions(mesh: Mesh, coordinates: Coordinates, window: Window) -> tuple[Doubles, Doubles]:
    """Source columns and rows (u, v) of the centres of the cells of a window, (rows, cols); infinite off the source."""
    u, v = np.full(window.shape, np.inf), np.full(window.shape, np.inf)
    kernels.centres(_squares(coordinates), np.array(mesh.jacobian), window.row, window.col, u, v)
    return u, v


def source_windows(mesh: Mesh, method: str, u: Doubles, v: Doubles) -> list[Window]:
    """The source cells that cells at these places draw on; several windows where their ground is torn apart."""
    finite = np.isfinite(u) & np.isfinite(v)
    cells = kernel_reach(mesh, method)
    found = []
    for us, vs in _clusters(u[finite], v[finite]):
        row, col = math.floor(vs.min()) - cells, math.floor(us.min()) - cells
        found.append(Window(row, col, math.floor(vs.max()) + cells + 1 - row, math.floor(us.max()) + cells + 1 - col))
    return sorted(found)


def _clusters(u: Doubles, v: Doubles) -> Iterator[tuple[Doubles, Doubles]]:
    if not u.size:
        return
    for places in (u, v):
        span = places.max() - places.min()
        if span <= _GAP:
            continue
        ordered = np.sort(places)
        gaps = np.diff(ordered)
        # cells of a tile lie close together, however coarse they are beside the source's
        if gaps.max() > max(_GAP, 0.25 * span):
            cut = ordered[gaps.argmax()]
            for side in (places <= cut, places > cut):
                yield from _clusters(u[side], v[side])
            return
    yield u, v


def source_weights(
    values: FloatArray,
    there: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    offset: int = 0,
) -> SourceWeights:
    """The source cells of each analysis cell of a window, row by row, with the weights that `resample` gives them.

    Args:
        values: source cells (there.rows, there.cols), NaN missing; those count for nothing.
        there: where they lie on the source grid; cells outside it count as missing.
        mesh: the mesh the coordinates come from.
        coordinates: the mesh at a window that holds `window`.
        window: the analysis cells wanted.
        method: nearest, bilinear or mean.
        offset: added to the source cells' numbers, which else count from 0 row by row.

    >>> from underoak.base.grid import Grid
    >>> fine = Grid.north_up("EPSG:25831", 0, 60, 10, 6, 6)
    >>> coarse = Grid.north_up("EPSG:25831", 0, 60, 30, 2, 2)
    >>> mesh = Mesh.between(coarse, fine)
    >>> values, where = np.ones((6, 6), np.float32), coarse.window
    >>> found = source_weights(values, fine.window, mesh, mesh.at(where), where, "mean")
    >>> found.count.tolist(), sorted(found.index[:9].tolist())
    ([9, 9, 9, 9], [0, 1, 2, 6, 7, 8, 12, 13, 14])
    """
    cells = window.rows * window.cols
    start, count = np.zeros(cells, np.int64), np.zeros(cells, np.int32)
    if values.size == 0:
        return SourceWeights(start, count, np.empty(0, np.int32), np.empty(0, np.float32))
    flat = np.ascontiguousarray(values).reshape(-1)
    source = kernels.SourceCells(flat, there.rows, there.cols, there.row, there.col)
    kind, sub = _METHODS[method], samples_per_side(mesh)
    room = cells * (1 if method == "nearest" else 4)
    while True:
        index, weight = np.empty(room, np.int32), np.empty(room, np.float32)
        into = start, count, index, weight
        needed = kernels.source_weights(
            source,
            _squares(coordinates),
            np.array(mesh.jacobian),
            window.row,
            window.col,
            window.cols,
            kind,
            sub,
            *into,
        )
        if needed <= room:
            return SourceWeights(start, count, index[:needed] + np.int32(offset), weight[:needed])
        room = max(int(needed), 2 * room)


def merge_weights(parts: list[SourceWeights]) -> SourceWeights:
    """One for all: each cell takes those of the first part that has any for it."""
    first, *more = parts
    start, count, index, weight = first.start, first.count, [first.index], [first.weight]
    room = first.index.size
    for part in more:
        late = (count == 0) & (part.count > 0)
        start, count = np.where(late, part.start + room, start), np.where(late, part.count, count)
        index.append(part.index)
        weight.append(part.weight)
        room += part.index.size
    return SourceWeights(start, count, np.concatenate(index), np.concatenate(weight))


def _squares(at: Coordinates) -> Squares:
    return Squares(at.u, at.v, at.exact, at.exact_u, at.exact_v, at.step, at.row, at.col)
