"""The compiled arithmetic of resampling: one line of analysis cells at a time, in steps of one plain loop each.

The steps are free of branches, so that the processor takes several cells at once; cells near the source's edge or a
missing cell are done again one by one. A cell gets the same bits in whatever stretch of a line it is done. Layers whose
source cells lie alike are done side by side: where their kernels fall is found once for all.
"""

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

NEAREST, BILINEAR, MEAN, MODE, SHARE = range(5)
_STRETCH = 512  # cells of a line at a time: their working rows stay in the nearest caches
_COARSE = 1 / 12  # source cells in one step along a line below which many neighbours lie among the same four


class SourceCells(NamedTuple):
    """Source cells as the kernels take them."""

    cells: npt.NDArray[np.float32]  # (layers, cells row by row)
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
    ends: npt.NDArray[np.int64]  # of runs of cells that lie among the same source cells


@compiled_no_refcount
def _first(places, n, out):  # type: ignore[no-untyped-def]
    """The source cell whose centre is the last one before each place."""
    for k in range(n):
        out[k] = np.floor(places[k] - 0.5)


@compiled_no_refcount
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


@compiled_no_refcount
def _fetch(cells, at, offset, n, out):  # type: ignore[no-untyped-def]
    beyond = np.uint64(offset)
    for k in range(n):
        out[k] = cells[np.uint64(at[k]) + beyond]


@compiled_no_refcount
def _fetch_four(cells, at, pitch, n, a, b, c, d):  # type: ignore[no-untyped-def]
    """A cell, its right neighbour, and the two below them."""
    right, under = np.uint64(1), np.uint64(pitch)
    for k in range(n):
        place = np.uint64(at[k])
        a[k] = cells[place]
        b[k] = cells[place + right]
        c[k] = cells[place + under]
        d[k] = cells[place + under + right]


@compiled_no_refcount
def _nearest(src, cells, u, v):  # type: ignore[no-untyped-def]
    if not (abs(u) < FAR and abs(v) < FAR):
        return np.float32(np.nan)
    r = math.floor(v) - src.top
    c = math.floor(u) - src.left
    if r < 0 or c < 0 or r >= src.rows or c >= src.cols:
        return np.float32(np.nan)
    return cells[r * src.pitch + c]


@compiled_no_refcount
def _hide_outside(inside, n, out):  # type: ignore[no-untyped-def]
    for k in range(n):
        out[k] = out[k] if inside[k] != 0 else np.float32(np.nan)


@compiled_no_refcount
def _nearest_line(src, us, vs, n, row, out, r, begin):  # type: ignore[no-untyped-def]
    for k in range(n):
        row.cols0[k] = np.floor(us[k])
        row.rows0[k] = np.floor(vs[k])
    _find(src, row.rows0, row.cols0, n, 1, 1, row.at, row.inside)
    for m in range(out.shape[0]):
        to = out[m, r, begin : begin + n]
        _fetch(src.cells[m], row.at, 0, n, to)
        _hide_outside(row.inside, n, to)


@compiled_no_refcount
def _runs(at, n, ends):  # type: ignore[no-untyped-def]
    """Where runs of equal places end, and how many runs there are."""
    count = 0
    for k in range(1, n):
        ends[count] = k
        count += 1 if at[k] != at[k - 1] else 0
    ends[count] = n
    return count + 1


@compiled_no_refcount
def _between_one(a, b, c, d, x, y, begin, end, out):  # type: ignore[no-untyped-def]
    """The bilinear surface between four source cells."""
    left, right, under, beside = np.float64(a), np.float64(b), np.float64(c), np.float64(d)
    for k in range(end - begin):
        at = np.uint64(begin) + np.uint64(k)
        upper = left + x[at] * (right - left)
        lower = under + x[at] * (beside - under)
        out[at] = np.float32(upper + y[at] * (lower - upper))


@compiled_no_refcount
def _between_runs(cells, at, pitch, ends, runs, x, y, out):  # type: ignore[no-untyped-def]
    begin = 0
    for run in range(runs):
        place = at[begin]
        under = place + pitch
        _between_one(cells[place], cells[place + 1], cells[under], cells[under + 1], x, y, begin, ends[run], out)
        begin = ends[run]


@compiled_no_refcount
def _between_four(a, b, c, d, x, y, n, out):  # type: ignore[no-untyped-def]
    """The bilinear surface, each cell between four source cells of its own."""
    for k in range(n):
        left, under = np.float64(a[k]), np.float64(c[k])
        upper = left + x[k] * (np.float64(b[k]) - left)
        lower = under + x[k] * (np.float64(d[k]) - under)
        out[k] = np.float32(upper + y[k] * (lower - upper))


@compiled_no_refcount
def _unknown(out, n):  # type: ignore[no-untyped-def]
    count = 0
    for k in range(n):
        count += 1 if out[k] != out[k] else 0
    return count


@compiled_no_refcount
def _bilinear_line(src, us, vs, n, is_coarse, across, down, row, out, r, begin):  # type: ignore[no-untyped-def]
    _first(us, n, row.cols0)
    _first(vs, n, row.rows0)
    x, y = row.line, row.total  # how far each cell lies from the first source cell
    for k in range(n):
        x[k] = us[k] - 0.5 - row.cols0[k]
        y[k] = vs[k] - 0.5 - row.rows0[k]
    is_known = src.rows > 1 and src.cols > 1
    runs = 0
    if is_known:
        _find(src, row.rows0, row.cols0, n, 2, 2, row.at, row.inside)
        runs = _runs(row.at, n, row.ends) if is_coarse else 0
    weighed = False
    for m in range(out.shape[0]):
        cells, to = src.cells[m], out[m, r, begin : begin + n]
        if is_coarse and is_known:
            _between_runs(cells, row.at, src.pitch, row.ends, runs, x, y, to)
            _hide_outside(row.inside, n, to)
        elif is_known:
            a, b, c, d = row.taps[0], row.taps[1], row.taps[2], row.taps[3]
            _fetch_four(cells, row.at, src.pitch, n, a, b, c, d)
            _between_four(a, b, c, d, x, y, n, to)
            _hide_outside(row.inside, n, to)
        else:
            to[:] = np.nan
        if _unknown(to, n):
            if not weighed:
                weighed = True
                for k in range(n):
                    across[0, k], across[1, k], down[0, k], down[1, k] = 1.0 - x[k], x[k], 1.0 - y[k], y[k]
            _fix_line(src, cells, n, across, down, row, to)


@compiled_no_refcount
def _weigh(centres, first, tap, half, share, out):  # type: ignore[no-untyped-def]
    """Weights of the source cells that lie `tap` cells from the first ones, for a surface averaged `half` each way."""
    if half > 0.0:
        for k in range(out.size):
            offset = first[k] + (tap + 0.5) - centres[k]
            out[k] = (below(offset + half) - below(offset - half)) * share
    else:
        for k in range(out.size):
            out[k] = max(0.0, 1.0 - abs(first[k] + (tap + 0.5) - centres[k]))


@compiled_no_refcount
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


@compiled_no_refcount
def _fix(src, cells, r0, c0, across, down, k):  # type: ignore[no-untyped-def]
    """One cell near the source's edge or a missing cell: the weights of the valid cells are brought to 1."""
    if not (-FAR < r0 < src.rows and -FAR < c0 < src.cols and r0 + down.shape[0] > 0 and c0 + across.shape[0] > 0):
        return np.float32(np.nan)
    first_row, first_col = int(r0), int(c0)
    total = 0.0
    weight = 0.0
    for i in range(max(-first_row, 0), min(down.shape[0], src.rows - first_row)):
        for j in range(max(-first_col, 0), min(across.shape[0], src.cols - first_col)):
            value = np.float64(cells[(first_row + i) * src.pitch + first_col + j])
            if value == value:
                w = down[i, k] * across[j, k]
                total += w * value
                weight += w
    return np.float32(total / weight) if weight >= 0.5 else np.float32(np.nan)


@compiled_no_refcount
def _fix_line(src, cells, n, across, down, row, out):  # type: ignore[no-untyped-def]
    """The cells of a line that a kernel could not tell, being near the source's edge or a missing cell."""
    for k in range(n):
        if out[k] != out[k]:
            out[k] = _fix(src, cells, row.rows0[k] - src.top, row.cols0[k] - src.left, across, down, k)


@compiled_no_refcount
def _add(weights, values, n, total):  # type: ignore[no-untyped-def]
    for k in range(n):
        total[k] += weights[k] * np.float64(values[k])


@compiled_no_refcount
def _widened_line(src, n, across, down, row, out, r, begin):  # type: ignore[no-untyped-def]
    """A line of the bilinear surface averaged over boxes, so that every source cell under an analysis cell counts.

    Averaging the surface, unlike sampling a wider tent, keeps every plane exactly.
    """
    n_across, n_down = across.shape[0], down.shape[0]
    is_known = src.rows >= n_down and src.cols >= n_across
    if is_known:
        _find(src, row.rows0, row.cols0, n, n_down, n_across, row.at, row.inside)
    for m in range(out.shape[0]):
        cells, to = src.cells[m], out[m, r, begin : begin + n]
        if is_known:
            row.total[:n] = 0.0
            for i in range(n_down):
                row.line[:n] = 0.0
                for j in range(n_across):
                    _fetch(cells, row.at, i * src.pitch + j, n, row.taps[0])
                    _add(across[j], row.taps[0], n, row.line)
                _add(down[i], row.line, n, row.total)
            for k in range(n):
                to[k] = np.float32(row.total[k]) if row.inside[k] != 0 else np.float32(np.nan)
        else:
            to[:] = np.nan
        if _unknown(to, n):
            _fix_line(src, cells, n, across, down, row, to)


@compiled
def _area(src, cells, us, vs, k, n, codes, method, out):  # type: ignore[no-untyped-def]
    """Mean, mode or share over k x k samples of each of n cells in a row; us and vs are (k, n k)."""
    seen = np.empty(k * k, np.float32)
    times = np.empty(k * k, np.int64)
    for cell in range(n):
        total = 0.0
        count = 0
        kinds = 0
        for i in range(k):
            for j in range(cell * k, cell * k + k):
                value = _nearest(src, cells, us[i, j], vs[i, j])
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


@compiled
def _rows(n):  # type: ignore[no-untyped-def]
    taps = np.empty((4, n), np.float32)
    at, inside = np.empty(n, np.int64), np.empty(n, np.uint8)
    return _Rows(np.empty(n), np.empty(n), np.empty(n), np.empty(n), at, inside, taps, np.empty(n, np.int64))


@compiled
def resample(src, squares, jac, row0, col0, method, k, codes, out, missing):  # type: ignore[no-untyped-def]
    """Every cell of `out` (layers, rows, cols) from (row0, col0) on; `missing` (layers) grows by empty ones."""
    _, rows, cols = out.shape
    u, v, exact = squares.u, squares.v, squares.exact
    step, first_row, first_col = squares.step, squares.row, squares.col
    across_squares = exact.shape[1]
    is_coarse = abs(jac[0]) + abs(jac[2]) < _COARSE
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
            wide[j] = box(u, i, j, step, exact[i, j], jac[0], jac[1])
            high[j] = box(v, i, j, step, exact[i, j], jac[2], jac[3])
        begin = max((col0 - first_col) // step, 0)
        behind = min(-(-(col0 + cols - first_col) // step), across_squares)
        while begin < behind:
            is_wide = wide[begin] > 0.0 or high[begin] > 0.0
            n_across, n_down = kernel_size(wide[begin]), kernel_size(high[begin])
            end = begin + 1
            while (
                end < min(begin + most, behind)
                and (wide[end] > 0.0 or high[end] > 0.0) == is_wide
                and kernel_size(wide[end]) == n_across
                and kernel_size(high[end]) == n_down
            ):
                end += 1
            if n_across != across.shape[0] or n_down != along.shape[0]:
                across, along = np.empty((n_across, most * step)), np.empty((n_down, most * step))
            to = max(first_col + begin * step, col0) - col0
            n = min(first_col + end * step - col0, cols) - to
            line = Line(i, begin, end, step, col0 + to - (first_col + begin * step), n)
            for r in range(r_first, r_last):
                for at in range(sub):
                    down = r - (first_row + i * step) + (at + 0.5) / sub
                    places(u, squares.exact_u, exact, line, down, sub, jac[0], jac[1], us[at])
                    places(v, squares.exact_v, exact, line, down, sub, jac[2], jac[3], vs[at])
                i_out = r - row0
                if method == NEAREST:
                    _nearest_line(src, us[0], vs[0], n, row, out, i_out, to)
                elif method >= MEAN:
                    for m in range(out.shape[0]):
                        _area(src, src.cells[m], us, vs, k, n, codes, method, out[m, i_out, to : to + n])
                elif is_wide:
                    _weights(us[0], wide, line, row.cols0, across)
                    _weights(vs[0], high, line, row.rows0, along)
                    _widened_line(src, n, across, along, row, out, i_out, to)
                else:
                    _bilinear_line(src, us[0], vs[0], n, is_coarse, across, along, row, out, i_out, to)
                for m in range(out.shape[0]):  # while they are in the nearest cache
                    missing[m] += _unknown(out[m, i_out, to : to + n], n)
            begin = end
