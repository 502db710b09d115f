"""Compiled resampling, one line of analysis cells at a time, in steps of one plain loop each.

The steps are free of branches, so that the processor takes several cells at once; cells near the source's edge or a
missing cell are computed again one by one. A cell gets the same bits in any stretch of a line. Layers with the same
source cells are resampled side by side: the positions of their kernels are computed once.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.layers.resampling.area_kernels import SourceCells, overlap_areas
from underoak.layers.resampling.overlap_kernels import fill_footprints, new_footprints, new_overlap
from underoak.layers.resampling.position_kernels import (
    BILINEAR,
    FAR,
    MEAN,
    NEAREST,
    Doubles,
    Line,
    Singles,
    Squares,
    box_width,
    hat_integral,
    kernel_size,
    positions,
)

Bytes = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.int64]
_STRETCH = 512  # cells of a line at a time: their working rows fit into the processor's nearest caches
_COARSE = (
    1 / 12
)  # source cells per step along a line, below which many neighbours lie between the same four source cells


class _Rows(NamedTuple):
    """A set of working rows for a stretch of cells."""

    rows0: Doubles  # the first source cell of each cell's kernel
    cols0: Doubles
    line: Doubles
    total: Doubles
    cell_index: Indices  # of that cell in a layer's cells
    inside: Bytes  # 1 where the kernel lies inside the source
    values: Singles  # of the (up to four) source cells
    ends: Indices  # of runs of cells that lie among the same source cells


@compiled_no_refcount
def _first_cells(positions: Doubles, n: int, out: Doubles) -> None:
    """Fill `out` with the last source cell whose centre lies before each position."""
    for k in range(n):
        out[k] = np.floor(positions[k] - 0.5)


@compiled_no_refcount
def _locate(
    src: SourceCells, rows0: Doubles, cols0: Doubles, n: int, down: int, across: int, cell_index: Indices, inside: Bytes
) -> None:
    """Fill `cell_index` with the index of each kernel's first cell, and `inside` with 1 where the kernel lies inside.

    A kernel is `down` x `across` source cells from (rows0, cols0) on.
    """
    last_row, last_col, pitch = float(src.rows - down), float(src.cols - across), float(src.pitch)
    for k in range(n):
        r, c = rows0[k] - src.top, cols0[k] - src.left
        row = r if r > 0.0 else 0.0  # NaN becomes 0, too
        col = c if c > 0.0 else 0.0
        row = row if row < last_row else last_row
        col = col if col < last_col else last_col
        cell_index[k] = np.int64(row * pitch + col)
        inside[k] = np.uint8((row == r) & (col == c))


@compiled_no_refcount
def _gather(cells: Singles, cell_index: Indices, offset: int, n: int, out: Singles) -> None:
    """Fill `out` with the source cells `offset` after those of `cell_index`."""
    beyond = np.uint64(offset)
    for k in range(n):
        out[k] = cells[np.uint64(cell_index[k]) + beyond]


@compiled_no_refcount
def _gather_four(
    cells: Singles, cell_index: Indices, pitch: int, n: int, a: Singles, b: Singles, c: Singles, d: Singles
) -> None:
    """Fill a, b, c, d with the source cells, their right neighbours, and the two below."""
    right, under = np.uint64(1), np.uint64(pitch)
    for k in range(n):
        cell = np.uint64(cell_index[k])
        a[k] = cells[cell]
        b[k] = cells[cell + right]
        c[k] = cells[cell + under]
        d[k] = cells[cell + under + right]


@compiled_no_refcount
def _hide_outside(inside: Bytes, n: int, out: Singles) -> None:
    for k in range(n):
        out[k] = out[k] if inside[k] != 0 else np.float32(np.nan)


@compiled_no_refcount
def _nearest_line(
    src: SourceCells, us: Doubles, vs: Doubles, n: int, row: _Rows, out: Singles, r: int, begin: int
) -> None:
    for k in range(n):
        row.cols0[k] = np.floor(us[k])
        row.rows0[k] = np.floor(vs[k])
    _locate(src, row.rows0, row.cols0, n, 1, 1, row.cell_index, row.inside)
    for m in range(out.shape[0]):
        target = out[m, r, begin : begin + n]
        _gather(src.cells[m], row.cell_index, 0, n, target)
        _hide_outside(row.inside, n, target)


@compiled_no_refcount
def _find_runs(cell_index: Indices, n: int, ends: Indices) -> int:
    """Fill `ends` with the ends of runs of equal indices; return the number of runs."""
    count = 0
    for k in range(1, n):
        ends[count] = k
        count += 1 if cell_index[k] != cell_index[k - 1] else 0
    ends[count] = n
    return count + 1


@compiled_no_refcount
def _interpolate_run(
    a: np.float32,
    b: np.float32,
    c: np.float32,
    d: np.float32,
    x: Doubles,
    y: Doubles,
    begin: int,
    end: int,
    out: Singles,
) -> None:
    """Fill `out` from begin to end with the bilinear surface between the same four source cells."""
    left, right, under, beside = np.float64(a), np.float64(b), np.float64(c), np.float64(d)
    for k in range(end - begin):
        i = np.uint64(begin) + np.uint64(k)
        upper = left + x[i] * (right - left)
        lower = under + x[i] * (beside - under)
        out[i] = np.float32(upper + y[i] * (lower - upper))


@compiled_no_refcount
def _interpolate_runs(
    cells: Singles, cell_index: Indices, pitch: int, ends: Indices, runs: int, x: Doubles, y: Doubles, out: Singles
) -> None:
    begin = 0
    for run in range(runs):
        cell = cell_index[begin]
        under = cell + pitch
        _interpolate_run(cells[cell], cells[cell + 1], cells[under], cells[under + 1], x, y, begin, ends[run], out)
        begin = ends[run]


@compiled_no_refcount
def _interpolate(a: Singles, b: Singles, c: Singles, d: Singles, x: Doubles, y: Doubles, n: int, out: Singles) -> None:
    """Fill `out` with the bilinear surface, each cell between four source cells of its own."""
    for k in range(n):
        left, under = np.float64(a[k]), np.float64(c[k])
        upper = left + x[k] * (np.float64(b[k]) - left)
        lower = under + x[k] * (np.float64(d[k]) - under)
        out[k] = np.float32(upper + y[k] * (lower - upper))


@compiled_no_refcount
def _count_missing(out: Singles, n: int) -> int:
    count = 0
    for k in range(n):
        count += 1 if out[k] != out[k] else 0
    return count


@compiled_no_refcount
def _bilinear_line(
    src: SourceCells,
    us: Doubles,
    vs: Doubles,
    n: int,
    is_coarse: bool,
    across: Doubles,
    down: Doubles,
    row: _Rows,
    out: Singles,
    r: int,
    begin: int,
) -> None:
    _first_cells(us, n, row.cols0)
    _first_cells(vs, n, row.rows0)
    x, y = row.line, row.total  # distance of each cell from the first source cell
    for k in range(n):
        x[k] = us[k] - 0.5 - row.cols0[k]
        y[k] = vs[k] - 0.5 - row.rows0[k]
    has_cells = src.rows > 1 and src.cols > 1
    runs = 0
    if has_cells:
        _locate(src, row.rows0, row.cols0, n, 2, 2, row.cell_index, row.inside)
        runs = _find_runs(row.cell_index, n, row.ends) if is_coarse else 0
    has_weights = False
    for m in range(out.shape[0]):
        cells, target = src.cells[m], out[m, r, begin : begin + n]
        if is_coarse and has_cells:
            _interpolate_runs(cells, row.cell_index, src.pitch, row.ends, runs, x, y, target)
            _hide_outside(row.inside, n, target)
        elif has_cells:
            a, b, c, d = row.values[0], row.values[1], row.values[2], row.values[3]
            _gather_four(cells, row.cell_index, src.pitch, n, a, b, c, d)
            _interpolate(a, b, c, d, x, y, n, target)
            _hide_outside(row.inside, n, target)
        else:
            target[:] = np.nan
        if _count_missing(target, n):
            if not has_weights:
                has_weights = True
                for k in range(n):
                    across[0, k], across[1, k], down[0, k], down[1, k] = 1.0 - x[k], x[k], 1.0 - y[k], y[k]
            _renormalise_line(src, cells, n, across, down, row, target)


@compiled_no_refcount
def _fill_weights(centres: Doubles, first: Doubles, tap: int, half: float, share: float, out: Doubles) -> None:
    """Fill `out` with weights of the source cells `tap` after the first, for a surface averaged `half` each way."""
    if half > 0.0:
        for k in range(out.size):
            offset = first[k] + (tap + 0.5) - centres[k]
            out[k] = (hat_integral(offset + half) - hat_integral(offset - half)) * share
    else:
        for k in range(out.size):
            out[k] = max(0.0, 1.0 - abs(first[k] + (tap + 0.5) - centres[k]))


@compiled_no_refcount
def _weights(positions: Doubles, widths: Doubles, line: Line, first: Doubles, out: Doubles) -> None:
    """Fill `first` with the first source cell of each cell of a line, and `out` with the weights from it on.

    The weights are those of the surface averaged over `widths` [source cells], one for each square; they add up to 1.
    """
    ahead, begin = line.ahead, 0
    for j in range(line.begin, line.end):
        end = min(begin + line.step - ahead, line.n)
        half = 0.5 * widths[j]
        share = 1.0 / widths[j] if half > 0.0 else 0.0
        centres, start = positions[begin:end], first[begin:end]
        for k in range(start.size):
            start[k] = np.floor(centres[k] - half - 0.5)
        for tap in range(out.shape[0]):
            _fill_weights(centres, start, tap, half, share, out[tap, begin:end])
        begin, ahead = end, 0


@compiled_no_refcount
def _renormalise(
    src: SourceCells, cells: Singles, r0: float, c0: float, across: Doubles, down: Doubles, k: int
) -> np.float32:
    """Return one cell near the source's edge or a missing cell: weights of valid cells are scaled to 1."""
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
def _renormalise_line(
    src: SourceCells, cells: Singles, n: int, across: Doubles, down: Doubles, row: _Rows, out: Singles
) -> None:
    """Compute the missing cells of a line again, one by one: they lie near the source's edge or a missing cell."""
    for k in range(n):
        if out[k] != out[k]:
            out[k] = _renormalise(src, cells, row.rows0[k] - src.top, row.cols0[k] - src.left, across, down, k)


@compiled_no_refcount
def _add(weights: Doubles, values: Singles | Doubles, n: int, total: Doubles) -> None:
    for k in range(n):
        total[k] += weights[k] * np.float64(values[k])


@compiled_no_refcount
def _widened_line(
    src: SourceCells, n: int, across: Doubles, down: Doubles, row: _Rows, out: Singles, r: int, begin: int
) -> None:
    """Fill a line with the bilinear surface averaged over boxes, so that every source cell under a cell counts.

    Averaging the surface, unlike sampling a wider tent, keeps every plane exactly.
    """
    n_across, n_down = across.shape[0], down.shape[0]
    has_cells = src.rows >= n_down and src.cols >= n_across
    if has_cells:
        _locate(src, row.rows0, row.cols0, n, n_down, n_across, row.cell_index, row.inside)
    for m in range(out.shape[0]):
        cells, target = src.cells[m], out[m, r, begin : begin + n]
        if has_cells:
            row.total[:n] = 0.0
            for i in range(n_down):
                row.line[:n] = 0.0
                for j in range(n_across):
                    _gather(cells, row.cell_index, i * src.pitch + j, n, row.values[0])
                    _add(across[j], row.values[0], n, row.line)
                _add(down[i], row.line, n, row.total)
            for k in range(n):
                target[k] = np.float32(row.total[k]) if row.inside[k] != 0 else np.float32(np.nan)
        else:
            target[:] = np.nan
        if _count_missing(target, n):
            _renormalise_line(src, cells, n, across, down, row, target)


@compiled
def _rows(n: int) -> _Rows:
    values = np.empty((4, n), np.float32)
    cell_index, inside = np.empty(n, np.int64), np.empty(n, np.uint8)
    return _Rows(np.empty(n), np.empty(n), np.empty(n), np.empty(n), cell_index, inside, values, np.empty(n, np.int64))


@compiled
def resample(
    src: SourceCells,
    squares: Squares,
    jac: Doubles,
    row0: int,
    col0: int,
    method: int,
    codes: Singles,
    out: Singles,
    missing: Indices,
) -> None:
    """Fill `out`, (layers, rows, cols), from (row0, col0) on; add the missing cells of each layer to `missing`."""
    _, rows, cols = out.shape
    u, v, exact = squares.u, squares.v, squares.exact
    step, first_row, first_col = squares.step, squares.row, squares.col
    across_squares = exact.shape[1]
    is_coarse = abs(jac[0]) + abs(jac[2]) < _COARSE
    max_squares = 1 if method >= MEAN else max(_STRETCH // step, 1)  # squares side by side that are computed at once
    us, vs = np.empty(max_squares * step), np.empty(max_squares * step)
    footprints, parts = new_footprints(step if method >= MEAN else 0), new_overlap(16, 4)
    row = _rows(max_squares * step)
    across, along = np.empty((2, max_squares * step)), np.empty((2, max_squares * step))
    wide, high = np.empty(across_squares), np.empty(across_squares)
    for i in range(exact.shape[0]):
        r_first = max(first_row + i * step, row0)
        r_last = min(first_row + (i + 1) * step, row0 + rows)
        for j in range(across_squares):
            wide[j] = box_width(u, i, j, step, exact[i, j], jac[0], jac[1])
            high[j] = box_width(v, i, j, step, exact[i, j], jac[2], jac[3])
        begin = max((col0 - first_col) // step, 0)
        behind = min(-(-(col0 + cols - first_col) // step), across_squares)
        while begin < behind:
            is_wide = wide[begin] > 0.0 or high[begin] > 0.0
            n_across, n_down = kernel_size(wide[begin]), kernel_size(high[begin])
            end = begin + 1
            while (
                end < min(begin + max_squares, behind)
                and (wide[end] > 0.0 or high[end] > 0.0) == is_wide
                and kernel_size(wide[end]) == n_across
                and kernel_size(high[end]) == n_down
            ):
                end += 1
            if n_across != across.shape[0] or n_down != along.shape[0]:
                across, along = np.empty((n_across, max_squares * step)), np.empty((n_down, max_squares * step))
            to = max(first_col + begin * step, col0) - col0
            n = min(first_col + end * step - col0, cols) - to
            line = Line(i, begin, end, step, col0 + to - (first_col + begin * step), n)
            for r in range(r_first, r_last):
                i_out, in_square = r - row0, r - (first_row + i * step)
                if method >= MEAN:
                    fill_footprints(squares, line, in_square, jac, footprints)
                    parts = overlap_areas(src, footprints, n, method, codes, out[:, i_out, to : to + n], parts)
                else:
                    positions(u, squares.exact_u, exact, line, in_square, us)
                    positions(v, squares.exact_v, exact, line, in_square, vs)
                if method == NEAREST:
                    _nearest_line(src, us, vs, n, row, out, i_out, to)
                elif method == BILINEAR and is_wide:
                    _weights(us, wide, line, row.cols0, across)
                    _weights(vs, high, line, row.rows0, along)
                    _widened_line(src, n, across, along, row, out, i_out, to)
                elif method == BILINEAR:
                    _bilinear_line(src, us, vs, n, is_coarse, across, along, row, out, i_out, to)
                for m in range(out.shape[0]):  # while the line is in the nearest cache
                    missing[m] += _count_missing(out[m, i_out, to : to + n], n)
            begin = end
