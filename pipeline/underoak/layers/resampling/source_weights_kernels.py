"""The compiled search for the source cells that make up each analysis cell: the same as `resample_kernels` adds up."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.layers.resampling.position_kernels import (
    FAR,
    Line,
    below,
    box,
    compiled,
    compiled_no_refcount,
    kernel_size,
    places,
)

NEAREST, BILINEAR, MEAN = range(3)


class SourceCells(NamedTuple):
    """Source cells as the kernels take them."""

    cells: npt.NDArray[np.float32]  # flat, row by row
    rows: int
    cols: int
    top: int  # of the first one on the source grid
    left: int


@compiled_no_refcount
def _weights(place, width, out):  # type: ignore[no-untyped-def]
    """The first source cell, and weights of those from it on for the surface averaged over `width` around a place."""
    half = 0.5 * width
    first = math.floor(place - half - 0.5)
    for tap in range(out.size):
        offset = first + (tap + 0.5) - place
        if width > 0.0:
            out[tap] = (below(offset + half) - below(offset - half)) / width
        else:
            out[tap] = max(0.0, 1.0 - abs(offset))
    return np.int64(first)


@compiled_no_refcount
def centres(squares, jac, row0, col0, u, v):  # type: ignore[no-untyped-def]
    """Source coordinates of the centres of a window of analysis cells, (rows, cols)."""
    rows, cols = u.shape
    step = squares.step
    begin = (col0 - squares.col) // step
    ahead, end = col0 - squares.col - begin * step, -(-(col0 + cols - squares.col) // step)
    for i in range(squares.exact.shape[0]):
        top, line = squares.row + i * step, Line(i, begin, end, step, ahead, cols)
        for r in range(max(top, row0), min(top + step, row0 + rows)):
            down = r - top + 0.5
            places(squares.u, squares.exact_u, squares.exact, line, down, 1, jac[0], jac[1], u[r - row0])
            places(squares.v, squares.exact_v, squares.exact, line, down, 1, jac[2], jac[3], v[r - row0])


@compiled_no_refcount
def _known(src, r, c):  # type: ignore[no-untyped-def]
    if r < 0 or c < 0 or r >= src.rows or c >= src.cols:
        return False
    value = src.cells[r * src.cols + c]
    return value == value


@compiled_no_refcount
def _put(src, r0, c0, across, down, at, index, weight):  # type: ignore[no-untyped-def]
    """The known cells of a kernel, with their weights; how many, or 0 when less than half the weight is known."""
    n = 0
    total = 0.0
    for i in range(down.shape[0]):
        for j in range(across.shape[0]):
            w = down[i] * across[j]
            if w != 0.0 and _known(src, r0 + i, c0 + j):
                if at + n < index.size:
                    index[at + n] = (r0 + i) * src.cols + c0 + j
                    weight[at + n] = np.float32(w)
                total += w
                n += 1
    if total < 0.5:
        return 0
    for m in range(at, min(at + n, index.size)):
        weight[m] = np.float32(np.float64(weight[m]) / total)
    return n


@compiled_no_refcount
def _four(src, u, v, at, index, weight):  # type: ignore[no-untyped-def]
    """The four cells around a place, where all are known; else 0, and `_put` has to look."""
    fu, fv = math.floor(u - 0.5), math.floor(v - 0.5)
    r, c = np.int64(fv) - src.top, np.int64(fu) - src.left
    if r < 0 or c < 0 or r + 1 >= src.rows or c + 1 >= src.cols or at + 4 > index.size:
        return 0
    first = r * src.cols + c
    below = first + src.cols
    total = src.cells[first] + src.cells[first + 1] + src.cells[below] + src.cells[below + 1]
    if total != total:
        return 0
    x, y = u - 0.5 - fu, v - 0.5 - fv
    index[at], index[at + 1], index[at + 2], index[at + 3] = first, first + 1, below, below + 1
    weight[at] = np.float32((1.0 - y) * (1.0 - x))
    weight[at + 1] = np.float32((1.0 - y) * x)
    weight[at + 2] = np.float32(y * (1.0 - x))
    weight[at + 3] = np.float32(y * x)
    return 4


@compiled_no_refcount
def _samples(src, us, vs, k, cell, at, index, weight):  # type: ignore[no-untyped-def]
    """As `_put`, from k x k samples."""
    n = 0
    count = 0
    for i in range(k):
        for j in range(cell * k, cell * k + k):
            u, v = us[i, j], vs[i, j]
            if not (abs(u) < FAR and abs(v) < FAR):
                continue
            r, c = np.int64(math.floor(v)) - src.top, np.int64(math.floor(u)) - src.left
            if not _known(src, r, c):
                continue
            count += 1
            place = r * src.cols + c
            m = n - 1
            while m >= 0 and index[at + m] != place:
                m -= 1
            if m >= 0:
                weight[at + m] += np.float32(1.0)
            elif at + n < index.size:
                index[at + n] = place
                weight[at + n] = np.float32(1.0)
                n += 1
            else:
                return index.size  # more than there is room for
    if 2 * count < k * k or count == 0:
        return 0
    for m in range(at, at + n):
        weight[m] /= np.float32(count)
    return n


@compiled
def source_weights(src, squares, jac, row0, col0, cols, method, k, start, count, index, weight):  # type: ignore[no-untyped-def]
    """Fill `start` and `count` of the cells of a window, and `index` and `weight`; returns how much room they need.

    Where that is more than there is, the rest is not filled: begin again with more.
    """
    rows = count.size // cols
    sub = k if method >= MEAN else 1
    step = squares.step
    us, vs = np.empty((sub, step * sub)), np.empty((sub, step * sub))
    across, along = np.empty(2), np.empty(2)
    room = 0
    for i in range(squares.exact.shape[0]):
        top = squares.row + i * step
        for j in range(squares.exact.shape[1]):
            left = squares.col + j * step
            first, last = max(left, col0), min(left + step, col0 + cols)
            if last <= first:
                continue
            at, n = squares.exact[i, j], last - first
            wide = box(squares.u, i, j, step, at, jac[0], jac[1])
            high = box(squares.v, i, j, step, at, jac[2], jac[3])
            across, along = np.empty(kernel_size(wide)), np.empty(kernel_size(high))
            line = Line(i, j, j + 1, step, first - left, n)
            for r in range(max(top, row0), min(top + step, row0 + rows)):
                for part in range(sub):
                    down = r - top + (part + 0.5) / sub
                    places(squares.u, squares.exact_u, squares.exact, line, down, sub, jac[0], jac[1], us[part])
                    places(squares.v, squares.exact_v, squares.exact, line, down, sub, jac[2], jac[3], vs[part])
                for c in range(n):
                    cell = (r - row0) * cols + first - col0 + c
                    start[cell] = room
                    found = 0
                    u, v = us[0, c], vs[0, c]
                    if method >= MEAN:
                        found = _samples(src, us, vs, k, c, room, index, weight) if room < index.size else k * k
                    elif abs(u) < FAR and abs(v) < FAR:
                        if method == NEAREST:
                            y, x = np.int64(math.floor(v)) - src.top, np.int64(math.floor(u)) - src.left
                            if _known(src, y, x):
                                found = 1
                                if room < index.size:
                                    index[room] = y * src.cols + x
                                    weight[room] = np.float32(1.0)
                        else:
                            found = _four(src, u, v, room, index, weight) if wide == 0.0 and high == 0.0 else 0
                        if method == BILINEAR and found == 0:
                            y, x = _weights(v, high, along) - src.top, _weights(u, wide, across) - src.left
                            found = _put(src, y, x, across, along, room, index, weight)
                    count[cell] = found
                    room += found
    return room
