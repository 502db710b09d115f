"""Compiled search for the source cells of each analysis cell: those that `resample_kernels` adds up."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.layers.resampling.overlap_kernels import (
    NOTHING,
    Extent,
    Overlap,
    extent_of,
    fill_footprints,
    new_footprints,
    new_overlap,
    overlap,
)
from underoak.layers.resampling.position_kernels import (
    BILINEAR,
    FAR,
    MEAN,
    NEAREST,
    Doubles,
    Ints,
    Line,
    Singles,
    Squares,
    box_width,
    hat_integral,
    kernel_size,
    positions,
)


class SourceCells(NamedTuple):
    """A window of source cells in the form that kernels take."""

    cells: Singles  # flat, row by row
    rows: int
    cols: int
    top: int  # of the first one on the source grid
    left: int


@compiled_no_refcount
def _weights(position: float, width: float, out: Doubles) -> np.int64:
    """Fill `out` with weights for the surface averaged over `width` around a position; return the first source cell."""
    half = 0.5 * width
    first = math.floor(position - half - 0.5)
    for i in range(out.size):
        offset = first + (i + 0.5) - position
        if width > 0.0:
            out[i] = (hat_integral(offset + half) - hat_integral(offset - half)) / width
        else:
            out[i] = max(0.0, 1.0 - abs(offset))
    return np.int64(first)


@compiled_no_refcount
def centres(squares: Squares, row0: int, col0: int, u: Doubles, v: Doubles) -> None:
    """Fill `u` and `v`, (rows, cols), with source coordinates of the centres of a window of analysis cells."""
    rows, cols = u.shape
    step = squares.step
    begin = (col0 - squares.col) // step
    ahead, end = col0 - squares.col - begin * step, -(-(col0 + cols - squares.col) // step)
    for i in range(squares.exact.shape[0]):
        top, line = squares.row + i * step, Line(i, begin, end, step, ahead, cols)
        for r in range(max(top, row0), min(top + step, row0 + rows)):
            positions(squares.u, squares.exact_u, squares.exact, line, r - top, u[r - row0])
            positions(squares.v, squares.exact_v, squares.exact, line, r - top, v[r - row0])


@compiled_no_refcount
def _is_valid(src: SourceCells, r: int | np.int64, c: int | np.int64) -> bool:
    if r < 0 or c < 0 or r >= src.rows or c >= src.cols:
        return False
    value = src.cells[r * src.cols + c]
    is_valid: bool = value == value  # not NaN
    return is_valid


@compiled_no_refcount
def _put_kernel(
    src: SourceCells,
    r0: int | np.int64,
    c0: int | np.int64,
    across: Doubles,
    down: Doubles,
    offset: int,
    index: Ints,
    weight: Singles,
) -> int:
    """Put the valid cells of a kernel, with their weights; return their number, 0 if less than half the weight is."""
    n = 0
    total = 0.0
    for i in range(down.shape[0]):
        for j in range(across.shape[0]):
            w = down[i] * across[j]
            if w != 0.0 and _is_valid(src, r0 + i, c0 + j):
                if offset + n < index.size:
                    index[offset + n] = (r0 + i) * src.cols + c0 + j
                    weight[offset + n] = np.float32(w)
                total += w
                n += 1
    if total < 0.5:
        return 0
    for m in range(offset, min(offset + n, index.size)):
        weight[m] = np.float32(np.float64(weight[m]) / total)
    return n


@compiled_no_refcount
def _put_four(src: SourceCells, u: float, v: float, offset: int, index: Ints, weight: Singles) -> int:
    """Put the four cells around a position and return 4 if all are valid; else return 0: then `_put_kernel` applies."""
    fu, fv = math.floor(u - 0.5), math.floor(v - 0.5)
    r, c = np.int64(fv) - src.top, np.int64(fu) - src.left
    if r < 0 or c < 0 or r + 1 >= src.rows or c + 1 >= src.cols or offset + 4 > index.size:
        return 0
    first = r * src.cols + c
    below = first + src.cols
    total = src.cells[first] + src.cells[first + 1] + src.cells[below] + src.cells[below + 1]
    if total != total:
        return 0
    x, y = u - 0.5 - fu, v - 0.5 - fv
    index[offset], index[offset + 1], index[offset + 2], index[offset + 3] = first, first + 1, below, below + 1
    weight[offset] = np.float32((1.0 - y) * (1.0 - x))
    weight[offset + 1] = np.float32((1.0 - y) * x)
    weight[offset + 2] = np.float32(y * (1.0 - x))
    weight[offset + 3] = np.float32(y * x)
    return 4


@compiled_no_refcount
def _put_parts(
    src: SourceCells,
    parts: Overlap,
    n_parts: int,
    area: float,
    offset: int,
    index: Ints,
    weight: Singles,
) -> int:
    """Put the valid parts of a footprint, with their weights; return their number, 0 if less than half is valid."""
    n = 0
    total = 0.0
    for m in range(n_parts):
        i_cell = parts.cells[m]
        value = src.cells[i_cell]
        if value == value:
            if offset + n < index.size:
                index[offset + n] = i_cell
                weight[offset + n] = np.float32(parts.area[m])
            total += parts.area[m]
            n += 1
    if total < (0.5 - NOTHING) * area:
        return 0
    for m in range(offset, min(offset + n, index.size)):
        weight[m] = np.float32(np.float64(weight[m]) / total)
    return n


@compiled
def source_weights(
    src: SourceCells,
    squares: Squares,
    jac: Doubles,
    row0: int,
    col0: int,
    cols: int,
    method: int,
    start: npt.NDArray[np.int64],
    count: Ints,
    index: Ints,
    weight: Singles,
) -> int:
    """Fill `start`, `count`, `index` and `weight` for the cells of a window; return the size that the last two need.

    Where that is more than their size, the rest is not filled: call again with larger arrays.
    """
    rows = count.size // cols
    step = squares.step
    us, vs = np.empty(step), np.empty(step)
    within = Extent(src.top, src.left, src.rows, src.cols)
    footprints, parts = new_footprints(step), new_overlap(16, 4)
    across, along = np.empty(2), np.empty(2)
    used = 0
    for i in range(squares.exact.shape[0]):
        top = squares.row + i * step
        for j in range(squares.exact.shape[1]):
            left = squares.col + j * step
            first, last = max(left, col0), min(left + step, col0 + cols)
            if last <= first:
                continue
            i_exact, n = squares.exact[i, j], last - first
            wide = box_width(squares.u, i, j, step, i_exact, jac[0], jac[1])
            high = box_width(squares.v, i, j, step, i_exact, jac[2], jac[3])
            across, along = np.empty(kernel_size(wide)), np.empty(kernel_size(high))
            line = Line(i, j, j + 1, step, first - left, n)
            for r in range(max(top, row0), min(top + step, row0 + rows)):
                if method == MEAN:
                    fill_footprints(squares, line, r - top, jac, footprints)
                else:
                    positions(squares.u, squares.exact_u, squares.exact, line, r - top, us)
                    positions(squares.v, squares.exact_v, squares.exact, line, r - top, vs)
                for c in range(n):
                    cell = (r - row0) * cols + first - col0 + c
                    start[cell] = used
                    n_cells = 0
                    u, v = us[c], vs[c]
                    if method == MEAN:
                        extent = extent_of(footprints, c, within)
                        size = extent.rows * extent.cols
                        if size > parts.area.size or extent.cols >= parts.row.size:
                            parts = new_overlap(2 * size, 2 * extent.cols)
                        first_cell = (extent.top - src.top) * src.cols + extent.left - src.left
                        n_parts, area = overlap(footprints, c, extent, first_cell, src.cols, parts)
                        n_cells = _put_parts(src, parts, n_parts, area, used, index, weight)
                    elif abs(u) < FAR and abs(v) < FAR:
                        if method == NEAREST:
                            y, x = np.int64(math.floor(v)) - src.top, np.int64(math.floor(u)) - src.left
                            if _is_valid(src, y, x):
                                n_cells = 1
                                if used < index.size:
                                    index[used] = y * src.cols + x
                                    weight[used] = np.float32(1.0)
                        else:
                            n_cells = _put_four(src, u, v, used, index, weight) if wide == 0.0 and high == 0.0 else 0
                        if method == BILINEAR and n_cells == 0:
                            y, x = _weights(v, high, along) - src.top, _weights(u, wide, across) - src.left
                            n_cells = _put_kernel(src, y, x, across, along, used, index, weight)
                    count[cell] = n_cells
                    used += n_cells
    return used
