"""The compiled arithmetic of resampling: one line of analysis cells at a time, in steps of one plain loop each.

The steps are free of branches, so that the processor takes several cells at once; cells near the source's edge or a
missing cell are done again one by one. A cell gets the same bits in whatever stretch of a line it is done.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

NEAREST, BILINEAR, MEAN, MODE, SHARE = range(5)
_STRETCH = 512  # cells of a line at a time: their working rows stay in the nearest caches
_FAR = 1e15  # a place further off lies on no source


class Source(NamedTuple):
    """Source cells as the kernels take them."""

    cells: npt.NDArray[np.float32]  # row by row, flat
    pitch: int  # from one row to the next
    rows: int
    cols: int
    top: int  # of the first one on the source grid
    left: int


class _Rows(NamedTuple):
    """Working rows of a stretch of cells."""

    rows0: npt.NDArray[np.float64]  # the first source cell of each cell's kernel
    cols0: npt.NDArray[np.float64]
    line: npt.NDArray[np.float64]
    total: npt.NDArray[np.float64]
    at: npt.NDArray[np.int64]  # where that cell lies among the source's
    inside: npt.NDArray[np.uint8]
    taps: npt.NDArray[np.float32]


class _Line(NamedTuple):
    """Squares side by side that are done at once, and which of their cells."""

    i: int  # their row
    begin: int
    end: int
    step: int
    ahead: int  # cells of the first square before the window
    n: int  # cells


class Squares(NamedTuple):
    """`Coordinates` as the kernels take them."""

    u: npt.NDArray[np.float64]
    v: npt.NDArray[np.float64]
    exact: npt.NDArray[np.int32]
    exact_u: npt.NDArray[np.float64]
    exact_v: npt.NDArray[np.float64]
    step: int
    row: int
    col: int


def _compiled(function: Any) -> Any:
    return njit(cache=True, nogil=True, error_model="numpy")(function)


@_compiled
def _places(nodes, exact_places, exact, line, down, sub, per_col, per_row, out):  # type: ignore[no-untyped-def]
    """Source columns, or rows, along a line through squares: `down` cells below their top, `sub` points a cell."""
    step, ahead, k = line.step, line.ahead, 0
    f, part, across = down / step, 1.0 / step, 1.0 / sub  # a step is a power of two: dividing by it is exact
    for j in range(line.begin, line.end):
        to = out[k : min(k + (step - ahead) * sub, line.n * sub)]
        at, i = exact[line.i, j], line.i
        if at < 0:
            left = nodes[i, j] + f * (nodes[i + 1, j] - nodes[i, j])
            slope = nodes[i, j + 1] + f * (nodes[i + 1, j + 1] - nodes[i, j + 1]) - left
            for m in range(to.size):
                to[m] = left + slope * ((ahead + (m + 0.5) * across) * part)
        else:
            row = int(down)
            below = down - (row + 0.5)
            for m in range(to.size):
                place = ahead + (m + 0.5) * across
                col = int(place)
                to[m] = exact_places[at, row, col] + per_row * below + per_col * (place - (col + 0.5))
        k, ahead = k + to.size, 0


@_compiled
def _first(places, n, out):  # type: ignore[no-untyped-def]
    """The source cell whose centre is the last one before each place."""
    for k in range(n):
        out[k] = np.floor(places[k] - 0.5)


@_compiled
def _find(src, rows0, cols0, n, down, across, at, inside):  # type: ignore[no-untyped-def]
    """Where `down` x `across` cells from (rows0, cols0) on begin among the source's; `inside`: all lie in it."""
    last_row, last_col, pitch = float(src.rows - down), float(src.cols - across), float(src.pitch)
    for k in range(n):
        r, c = rows0[k] - src.top, cols0[k] - src.left
        row = r if r > 0.0 else 0.0  # not a number becomes 0, too
        col = c if c > 0.0 else 0.0
        row = row if row < last_row else last_row
        col = col if col < last_col else last_col
        at[k] = np.int64(row * pitch + col)
        inside[k] = np.uint8((row == r) & (col == c))


@_compiled
def _fetch(cells, at, offset, n, out):  # type: ignore[no-untyped-def]
    beyond = np.uint64(offset)
    for k in range(n):
        out[k] = cells[np.uint64(at[k]) + beyond]


@_compiled
def _fetch_four(cells, at, pitch, n, a, b, c, d):  # type: ignore[no-untyped-def]
    """A cell, its right neighbour, and the two below them."""
    right, under = np.uint64(1), np.uint64(pitch)
    for k in range(n):
        place = np.uint64(at[k])
        a[k] = cells[place]
        b[k] = cells[place + right]
        c[k] = cells[place + under]
        d[k] = cells[place + under + right]


@_compiled
def _nearest(src, u, v):  # type: ignore[no-untyped-def]
    if not (abs(u) < _FAR and abs(v) < _FAR):
        return np.float32(np.nan)
    r = math.floor(v) - src.top
    c = math.floor(u) - src.left
    if r < 0 or c < 0 or r >= src.rows or c >= src.cols:
        return np.float32(np.nan)
    return src.cells[r * src.pitch + c]


@_compiled
def _nearest_line(src, us, vs, n, row, out):  # type: ignore[no-untyped-def]
    for k in range(n):
        row.cols0[k] = np.floor(us[k])
        row.rows0[k] = np.floor(vs[k])
    _find(src, row.rows0, row.cols0, n, 1, 1, row.at, row.inside)
    _fetch(src.cells, row.at, 0, n, out)
    for k in range(n):
        out[k] = out[k] if row.inside[k] != 0 else np.float32(np.nan)


@_compiled
def _between_four(a, b, c, d, us, vs, cols0, rows0, inside, n, out):  # type: ignore[no-untyped-def]
    """The bilinear surface where it is known all around; returns how many cells it could not tell."""
    unknown = 0
    for k in range(n):
        x = us[k] - 0.5 - cols0[k]
        left, under = np.float64(a[k]), np.float64(c[k])
        upper = left + x * (np.float64(b[k]) - left)
        lower = under + x * (np.float64(d[k]) - under)
        value = upper + (vs[k] - 0.5 - rows0[k]) * (lower - upper)
        known = (inside[k] != 0) & (value == value)
        out[k] = np.float32(value) if known else np.float32(np.nan)
        unknown += 0 if known else 1
    return unknown


@_compiled
def _bilinear_line(src, us, vs, n, across, down, row, out):  # type: ignore[no-untyped-def]
    unknown = n
    _first(us, n, row.cols0)
    _first(vs, n, row.rows0)
    if src.rows > 1 and src.cols > 1:
        _find(src, row.rows0, row.cols0, n, 2, 2, row.at, row.inside)
        a, b, c, d = row.taps[0], row.taps[1], row.taps[2], row.taps[3]
        _fetch_four(src.cells, row.at, src.pitch, n, a, b, c, d)
        unknown = _between_four(a, b, c, d, us, vs, row.cols0, row.rows0, row.inside, n, out)
    else:
        out[:] = np.nan
    if unknown:
        for k in range(n):
            x, y = us[k] - 0.5 - row.cols0[k], vs[k] - 0.5 - row.rows0[k]
            across[0, k], across[1, k], down[0, k], down[1, k] = 1.0 - x, x, 1.0 - y, y
        _mend_line(src, n, across, down, row, out)


@_compiled
def _below(t):  # type: ignore[no-untyped-def]
    """Integral of the hat function max(0, 1 - |x|) up to t."""
    t = min(max(t, -1.0), 1.0)
    return 0.5 + t - 0.5 * t * abs(t)


@_compiled
def _weigh(centres, first, tap, half, share, out):  # type: ignore[no-untyped-def]
    """Weights of the source cells that lie `tap` cells from the first ones, for a surface averaged `half` each way."""
    if half > 0.0:
        for k in range(out.size):
            offset = first[k] + (tap + 0.5) - centres[k]
            out[k] = (_below(offset + half) - _below(offset - half)) * share
    else:
        for k in range(out.size):
            out[k] = max(0.0, 1.0 - abs(first[k] + (tap + 0.5) - centres[k]))


@_compiled
def _weights(places, widths, line, first, out):  # type: ignore[no-untyped-def]
    """For each cell of a line: the first source cell, and weights of those from it on.

    They are those of the surface averaged over `widths` [source cells], one for each square; they add up to 1.
    """
    ahead, begin = line.ahead, 0
    for j in range(line.begin, line.end):
        end = min(begin + line.step - ahead, line.n)
        half = 0.5 * widths[j]
        share = 1.0 / widths[j] if half > 0.0 else 0.0
        centres, start = places[begin:end], first[begin:end]
        for k in range(start.size):
            start[k] = np.floor(centres[k] - half - 0.5)
        for tap in range(out.shape[0]):
            _weigh(centres, start, tap, half, share, out[tap, begin:end])
        begin, ahead = end, 0


@_compiled
def _mend(src, r0, c0, across, down, k):  # type: ignore[no-untyped-def]
    """One cell near the source's edge or a missing cell: the weights of the valid cells are brought to 1."""
    if not (-_FAR < r0 < src.rows and -_FAR < c0 < src.cols and r0 + down.shape[0] > 0 and c0 + across.shape[0] > 0):
        return np.float32(np.nan)
    first_row, first_col = int(r0), int(c0)
    total = 0.0
    weight = 0.0
    for i in range(max(-first_row, 0), min(down.shape[0], src.rows - first_row)):
        for j in range(max(-first_col, 0), min(across.shape[0], src.cols - first_col)):
            value = np.float64(src.cells[(first_row + i) * src.pitch + first_col + j])
            if value == value:
                w = down[i, k] * across[j, k]
                total += w * value
                weight += w
    return np.float32(total / weight) if weight >= 0.5 else np.float32(np.nan)


@_compiled
def _mend_line(src, n, across, down, row, out):  # type: ignore[no-untyped-def]
    """The cells of a line that a kernel could not tell, being near the source's edge or a missing cell."""
    for k in range(n):
        if out[k] != out[k]:
            out[k] = _mend(src, row.rows0[k] - src.top, row.cols0[k] - src.left, across, down, k)


@_compiled
def _add(weights, values, n, total):  # type: ignore[no-untyped-def]
    for k in range(n):
        total[k] += weights[k] * np.float64(values[k])


@_compiled
def _widened_line(src, n, across, down, row, out):  # type: ignore[no-untyped-def]
    """A line of the bilinear surface averaged over boxes, so that every source cell under an analysis cell counts.

    Averaging the surface, unlike sampling a wider tent, keeps every plane exactly.
    """
    n_across, n_down = across.shape[0], down.shape[0]
    unknown = n
    if src.rows >= n_down and src.cols >= n_across:
        unknown = 0
        _find(src, row.rows0, row.cols0, n, n_down, n_across, row.at, row.inside)
        row.total[:n] = 0.0
        for i in range(n_down):
            row.line[:n] = 0.0
            for j in range(n_across):
                _fetch(src.cells, row.at, i * src.pitch + j, n, row.taps[0])
                _add(across[j], row.taps[0], n, row.line)
            _add(down[i], row.line, n, row.total)
        for k in range(n):
            value = row.total[k]
            known = (row.inside[k] != 0) & (value == value)
            out[k] = np.float32(value) if known else np.float32(np.nan)
            unknown += 0 if known else 1
    else:
        out[:] = np.nan
    if unknown:
        _mend_line(src, n, across, down, row, out)


@_compiled
def _area(src, us, vs, k, n, codes, method, out):  # type: ignore[no-untyped-def]
    """Mean, mode or share over k x k samples of each of n cells in a row; us and vs are (k, n k)."""
    seen = np.empty(k * k, np.float32)
    times = np.empty(k * k, np.int64)
    for cell in range(n):
        total = 0.0
        count = 0
        kinds = 0
        for i in range(k):
            for j in range(cell * k, cell * k + k):
                value = _nearest(src, us[i, j], vs[i, j])
                if value != value:
                    continue
                count += 1
                if method == MEAN:
                    total += np.float64(value)
                elif method == SHARE:
                    for code in codes:
                        if value == code:
                            total += 1.0
                            break
                else:
                    at = 0
                    while at < kinds and seen[at] != value:
                        at += 1
                    if at == kinds:
                        seen[kinds] = value
                        times[kinds] = 0
                        kinds += 1
                    times[at] += 1
        if 2 * count < k * k or count == 0:
            out[cell] = np.nan
        elif method == MODE:
            best = 0
            for at in range(1, kinds):  # equal counts: the lower code, so that flipping a map changes nothing
                if times[at] > times[best] or (times[at] == times[best] and seen[at] < seen[best]):
                    best = at
            out[cell] = seen[best]
        else:
            out[cell] = np.float32(total / count)


@_compiled
def _rows(n):  # type: ignore[no-untyped-def]
    taps = np.empty((4, n), np.float32)
    at, inside = np.empty(n, np.int64), np.empty(n, np.uint8)
    return _Rows(np.empty(n), np.empty(n), np.empty(n), np.empty(n), at, inside, taps)


@_compiled
def _box(u, i, j, step, at, along, down):  # type: ignore[no-untyped-def]
    """How far the bilinear surface is averaged in a square, in source cells along one axis of the source."""
    wide = math.hypot(along, down)
    if at < 0:
        wide = math.hypot(u[i, j + 1] - u[i, j], u[i + 1, j] - u[i, j]) / step
    # variances add: the hat's own and the box's make those of the analysis cell; none where it is not wider
    return math.sqrt(wide * wide - 1.0) if wide > 1.0 + 1e-9 else 0.0


@_compiled
def _taps(box):  # type: ignore[no-untyped-def]
    """Source cells that the kernel can touch: a fixed number for a square, whole cells of its support."""
    return math.floor(box) + (3 if box > 0.0 else 2)


@_compiled
def resample(src, squares, jac, row0, col0, method, k, codes, out):  # type: ignore[no-untyped-def]
    """Every cell of `out`, the first of which is (row0, col0) of the analysis grid."""
    rows, cols = out.shape
    u, v, exact = squares.u, squares.v, squares.exact
    step, first_row, first_col = squares.step, squares.row, squares.col
    across_squares = exact.shape[1]
    sub = k if method >= MEAN else 1
    most = 1 if method >= MEAN else max(_STRETCH // step, 1)  # squares side by side that are done at once
    us, vs = np.empty((sub, most * step * sub)), np.empty((sub, most * step * sub))
    row = _rows(most * step)
    across, along = np.empty((2, most * step)), np.empty((2, most * step))
    wide, high = np.empty(across_squares), np.empty(across_squares)
    for i in range(exact.shape[0]):
        r_first = max(first_row + i * step, row0)
        r_last = min(first_row + (i + 1) * step, row0 + rows)
        for j in range(across_squares):
            wide[j] = _box(u, i, j, step, exact[i, j], jac[0], jac[1])
            high[j] = _box(v, i, j, step, exact[i, j], jac[2], jac[3])
        begin = max((col0 - first_col) // step, 0)
        behind = min(-(-(col0 + cols - first_col) // step), across_squares)
        while begin < behind:
            is_wide = wide[begin] > 0.0 or high[begin] > 0.0
            n_across, n_down = _taps(wide[begin]), _taps(high[begin])
            end = begin + 1
            while (
                end < min(begin + most, behind)
                and (wide[end] > 0.0 or high[end] > 0.0) == is_wide
                and _taps(wide[end]) == n_across
                and _taps(high[end]) == n_down
            ):
                end += 1
            if n_across != across.shape[0] or n_down != along.shape[0]:
                across, along = np.empty((n_across, most * step)), np.empty((n_down, most * step))
            to = max(first_col + begin * step, col0) - col0
            n = min(first_col + end * step - col0, cols) - to
            line = _Line(i, begin, end, step, col0 + to - (first_col + begin * step), n)
            for r in range(r_first, r_last):
                for at in range(sub):
                    down = r - (first_row + i * step) + (at + 0.5) / sub
                    _places(u, squares.exact_u, exact, line, down, sub, jac[0], jac[1], us[at])
                    _places(v, squares.exact_v, exact, line, down, sub, jac[2], jac[3], vs[at])
                cells = out[r - row0, to : to + n]
                if method == NEAREST:
                    _nearest_line(src, us[0], vs[0], n, row, cells)
                elif method >= MEAN:
                    _area(src, us, vs, k, n, codes, method, cells)
                elif is_wide:
                    _weights(us[0], wide, line, row.cols0, across)
                    _weights(vs[0], high, line, row.rows0, along)
                    _widened_line(src, n, across, along, row, cells)
                else:
                    _bilinear_line(src, us[0], vs[0], n, across, along, row, cells)
            begin = end
