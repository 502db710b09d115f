"""Compiled overlap of analysis cells with source cells, exact for the footprint of each analysis cell.

The footprint is the quadrilateral between the positions of a cell's four corners on the source grid. Within a mesh
square, positions are interpolated and edges of cells are straight lines, so footprints leave no gaps. Their edges are
as exact as the mesh: to 0.01 source cell, and without error where both grids have one coordinate system. In a square
that is computed cell by cell, the footprint is the parallelogram around the exact centre.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.layers.resampling.position_kernels import FAR, Doubles, Indices, Line, Squares

NOTHING = 1e-9  # share of a footprint; less is rounding


class Footprints(NamedTuple):
    """A set of footprints of n cells in a line: corners (4, n) in turn, so that each is joined to the next."""

    u: Doubles
    v: Doubles


class Extent(NamedTuple):
    """A rectangle of source cells, on the source grid."""

    top: int
    left: int
    rows: int
    cols: int


class Overlap(NamedTuple):
    """A list of the source cells under one footprint, with room for more, and a working row."""

    cells: Indices  # as an index into the source cells
    area: Doubles  # [source cells] of each that the footprint covers
    row: Doubles


@compiled
def new_footprints(n: int) -> Footprints:
    """Return room for the footprints of n cells."""
    return Footprints(np.empty((4, n)), np.empty((4, n)))


@compiled
def new_overlap(cells: int, cols: int) -> Overlap:
    """Return room for a list of that many source cells in that many columns."""
    return Overlap(np.empty(cells, np.int64), np.empty(cells), np.empty(cols + 1))


@compiled_no_refcount
def _interpolate_corners(nodes: Doubles, line: Line, row: int, out: Doubles) -> None:
    """Fill `out`, (4, n), with source columns (or rows) of the corners of cells in a row of a mesh square."""
    i, j, part = line.i, line.begin, 1.0 / line.step  # a step is a power of two: multiplying by its inverse is exact
    for below in range(2):
        f = (row + below) * part
        left = nodes[i, j] + f * (nodes[i + 1, j] - nodes[i, j])
        change = nodes[i, j + 1] + f * (nodes[i + 1, j + 1] - nodes[i, j + 1]) - left
        first, second = (1, 2) if below else (0, 3)
        for k in range(line.n):
            out[first, k] = left + change * ((line.ahead + k) * part)
            out[second, k] = left + change * ((line.ahead + k + 1) * part)


@compiled_no_refcount
def _change(
    us: Doubles, vs: Doubles, row: int, col: int, down: int, across: int, du: float, dv: float
) -> tuple[float, float]:
    """Return how exact positions (step, step) change from a cell to the next, down or across.

    The nearer neighbour counts, because the projection can be torn on the other side. (du, dv) if there is none.
    """
    best_u, best_v, least = du, dv, np.inf
    for way in (1, -1):
        r, c = row + way * down, col + way * across
        if 0 <= r < us.shape[0] and 0 <= c < us.shape[1]:
            u, v = way * (us[r, c] - us[row, col]), way * (vs[r, c] - vs[row, col])
            if abs(u) + abs(v) < least:
                best_u, best_v, least = u, v, abs(u) + abs(v)
    return best_u, best_v


@compiled_no_refcount
def fill_footprints(squares: Squares, line: Line, row: int, jac: Doubles, out: Footprints) -> None:
    """Fill `out` with the footprints of a line of cells, in a row of one mesh square."""
    i_exact = squares.exact[line.i, line.begin]
    if i_exact < 0:
        _interpolate_corners(squares.u, line, row, out.u)
        _interpolate_corners(squares.v, line, row, out.v)
        return
    us, vs = squares.exact_u[i_exact], squares.exact_v[i_exact]
    for k in range(line.n):
        col = line.ahead + k
        u_across, v_across = _change(us, vs, row, col, 0, 1, jac[0], jac[2])
        u_down, v_down = _change(us, vs, row, col, 1, 0, jac[1], jac[3])
        for corner in range(4):
            right = 0.5 if corner >= 2 else -0.5
            below = 0.5 if corner == 1 or corner == 2 else -0.5
            out.u[corner, k] = us[row, col] + right * u_across + below * u_down
            out.v[corner, k] = vs[row, col] + right * v_across + below * v_down


@compiled_no_refcount
def extent_of(footprints: Footprints, k: int, within: Extent) -> Extent:
    """Return the source cells that a footprint can touch; none outside those given, or if it lies nowhere."""
    u, v = footprints.u, footprints.v
    least_u = min(min(u[0, k], u[1, k]), min(u[2, k], u[3, k]))
    most_u = max(max(u[0, k], u[1, k]), max(u[2, k], u[3, k]))
    least_v = min(min(v[0, k], v[1, k]), min(v[2, k], v[3, k]))
    most_v = max(max(v[0, k], v[1, k]), max(v[2, k], v[3, k]))
    if not (least_u > -FAR and most_u < FAR and least_v > -FAR and most_v < FAR):
        return Extent(within.top, within.left, 0, 0)
    top, left = max(math.floor(least_v), within.top), max(math.floor(least_u), within.left)
    bottom = min(math.floor(most_v) + 1, within.top + within.rows)
    right = min(math.floor(most_u) + 1, within.left + within.cols)
    return Extent(top, left, max(bottom - top, 0), max(right - left, 0))


@compiled_no_refcount
def _add_edge(u0: float, v0: float, u1: float, v1: float, top: int, extent: Extent, out: Doubles) -> None:
    """Add to `out` what an edge in the source row `top` adds to the area of each cell beyond the one to its left.

    The sum of `out` up to a cell is then the area of the cell that lies right of edges down, less right of edges up.
    """
    begin, end = max(min(v0, v1), float(top)), min(max(v0, v1), top + 1.0)
    if begin >= end:
        return
    per_row = (u1 - u0) / (v1 - v0)
    least, most = min(u0, u1), max(u0, u1)
    a = min(max(u0 + (begin - v0) * per_row, least), most) - extent.left
    b = min(max(u0 + (end - v0) * per_row, least), most) - extent.left
    height = end - begin if v1 > v0 else begin - end
    low, high = min(a, b), max(a, b)
    first, last = math.floor(low), math.floor(high)
    if first >= extent.cols:  # right of the extent an edge counts for no cell, left of it for all
        return
    if last < 0:
        out[0] += height
    elif first == last:
        beside = 0.5 * (low + high) - first  # share of the cell's width left of the edge
        out[first] += height * (1.0 - beside)
        out[first + 1] += height * beside
    else:
        per_col = height / (high - low)
        out[0] += per_col * max(-low, 0.0)
        for c in range(max(first, 0), min(last, extent.cols - 1) + 1):
            left, right = max(low, float(c)), min(high, c + 1.0)
            beside = 0.5 * (left + right) - c
            out[c] += per_col * (right - left) * (1.0 - beside)
            out[c + 1] += per_col * (right - left) * beside


@compiled_no_refcount
def _overlap_upright(footprints: Footprints, k: int, extent: Extent, first: int, pitch: int, out: Overlap) -> int:
    """List the source cells under a footprint whose edges run along them: width times height of what is covered."""
    west, east = min(footprints.u[0, k], footprints.u[2, k]), max(footprints.u[0, k], footprints.u[2, k])
    north, south = min(footprints.v[0, k], footprints.v[2, k]), max(footprints.v[0, k], footprints.v[2, k])
    least_width, least_height = NOTHING * (east - west), NOTHING * (south - north)
    n = 0
    for i in range(extent.rows):
        row = float(extent.top + i)
        height = min(south, row + 1.0) - max(north, row)
        if height <= least_height:
            continue
        for j in range(extent.cols):
            col = float(extent.left + j)
            width = min(east, col + 1.0) - max(west, col)
            if width > least_width:
                out.cells[n] = first + i * pitch + j
                out.area[n] = height * width
                n += 1
    return n


@compiled_no_refcount
def overlap(footprints: Footprints, k: int, extent: Extent, first: int, pitch: int, out: Overlap) -> tuple[int, float]:
    """List the source cells of an extent under a footprint in `out`; return their number, and the footprint's area.

    The area is of all of the footprint, [source cells], also of what lies outside the extent. `first` is the index of
    the extent's first cell, and `pitch` that from one row to the next.
    """
    u, v = footprints.u, footprints.v
    twice = (u[2, k] - u[0, k]) * (v[1, k] - v[3, k]) - (u[1, k] - u[3, k]) * (v[2, k] - v[0, k])
    area = abs(0.5 * twice)
    if u[0, k] == u[1, k] and u[2, k] == u[3, k] and v[0, k] == v[3, k] and v[1, k] == v[2, k]:
        return _overlap_upright(footprints, k, extent, first, pitch, out), area
    top, left = float(extent.top), float(extent.left)
    if (
        extent.rows == 1
        and extent.cols == 1
        and min(min(u[0, k], u[1, k]), min(u[2, k], u[3, k])) >= left
        and max(max(u[0, k], u[1, k]), max(u[2, k], u[3, k])) <= left + 1.0
        and min(min(v[0, k], v[1, k]), min(v[2, k], v[3, k])) >= top
        and max(max(v[0, k], v[1, k]), max(v[2, k], v[3, k])) <= top + 1.0
    ):
        out.cells[0], out.area[0] = first, area
        return 1, area
    sign = 1.0 if twice > 0.0 else -1.0  # minus where the source's rows or columns run the other way
    n = 0
    for i in range(extent.rows):
        for j in range(extent.cols + 1):
            out.row[j] = 0.0
        for corner in range(4):
            after = (corner + 1) % 4
            _add_edge(u[corner, k], v[corner, k], u[after, k], v[after, k], extent.top + i, extent, out.row)
        total = 0.0
        for j in range(extent.cols):
            total += sign * out.row[j]
            if total > NOTHING * area:
                out.cells[n] = first + i * pitch + j
                out.area[n] = total
                n += 1
    return n, area
