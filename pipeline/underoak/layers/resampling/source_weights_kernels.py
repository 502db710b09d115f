"""Compiled search for the source cells of each analysis cell: those that `resample_kernels` adds up."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
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
def centres(squares: Squares, jac: Doubles, row0: int, col0: int, u: Doubles, v: Doubles) -> None:
    """Fill `u` and `v`, (rows, cols), with source coordinates of the centres of a window of analysis cells."""
    rows, cols = u.shape
    step = squares.step
    begin = (col0 - squares.col) // step
    ahead, end = col0 - squares.col - begin * step, -(-(col0 + cols - squares.col) // step)
    for i in range(squares.exact.shape[0]):
        top, line = squares.row + i * step, Line(i, begin, end, step, ahead, cols)
        for r in range(max(top, row0), min(top + step, row0 + rows)):
            down = r - top + 0.5
            positions(squares.u, squares.exact_u, squares.exact, line, down, 1, jac[0], jac[1], u[r - row0])
            positions(squares.v, squares.exact_v, squares.exact, line, down, 1, jac[2], jac[3], v[r - row0])


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
def _put_samples(
    src: SourceCells, us: Doubles, vs: Doubles, k: int, cell: int, offset: int, index: Ints, weight: Singles
) -> int:
    """Put the valid cells of k x k samples, with their weights; return their number, 0 if less than half are valid."""
    n = 0
    count = 0
    for i in range(k):
        for j in range(cell * k, cell * k + k):
            u, v = us[i, j], vs[i, j]
            if not (abs(u) < FAR and abs(v) < FAR):
                continue
            r, c = np.int64(math.floor(v)) - src.top, np.int64(math.floor(u)) - src.left
            if not _is_valid(src, r, c):
                continue
            count += 1
            i_cell = r * src.cols + c
            m = n - 1
            while m >= 0 and index[offset + m] != i_cell:
                m -= 1
            if m >= 0:
                weight[offset + m] += np.float32(1.0)
            elif offset + n < index.size:
                index[offset + n] = i_cell
                weight[offset + n] = np.float32(1.0)
                n += 1
            else:
                return index.size  # more than the arrays hold
    if 2 * count < k * k or count == 0:
        return 0
    for m in range(offset, offset + n):
        weight[m] /= np.float32(count)
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
    k: int,
    start: npt.NDArray[np.int64],
    count: Ints,
    index: Ints,
    weight: Singles,
) -> int:
    """Fill `start`, `count`, `index` and `weight` for the cells of a window; return the size that the last two need.

    Where that is more than their size, the rest is not filled: call again with larger arrays.
    """
    rows = count.size // cols
    sub = k if method >= MEAN else 1
    step = squares.step
    us, vs = np.empty((sub, step * sub)), np.empty((sub, step * sub))
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
                for part in range(sub):
                    down = r - top + (part + 0.5) / sub
                    positions(squares.u, squares.exact_u, squares.exact, line, down, sub, jac[0], jac[1], us[part])
                    positions(squares.v, squares.exact_v, squares.exact, line, down, sub, jac[2], jac[3], vs[part])
                for c in range(n):
                    cell = (r - row0) * cols + first - col0 + c
                    start[cell] = used
                    n_cells = 0
                    u, v = us[0, c], vs[0, c]
                    if method >= MEAN:
                        n_cells = _put_samples(src, us, vs, k, c, used, index, weight) if used < index.size else k * k
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
