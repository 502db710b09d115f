"""Outlines of groups of cells, traced through their corners: no unions, no block in sight.

Along every grid line the corners of a map of cells come in pairs, so sorting them by rows gives all horizontal edges
and sorting them by columns all vertical ones. Where two groups meet at a corner only, the corner counts twice and the
outlines pass each other; an outline that meets itself there is cut in two, because valid rings never do.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_checked
from underoak.base.grid import Grid

Ints = npt.NDArray[np.int32]
Longs = npt.NDArray[np.int64]
# What is known of a corner: ground to its lower right; the first or the second of two at one place, and of which kind.
RIGHT_BELOW, FALLING, RISING, SECOND = 1, 2, 4, 8


@compiled
def corners(groups: Ints, row: int, col: int) -> Ints:
    """Corners between the cells of a block: row, column, group and flags, (corners, 4).

    `groups` (rows + 1, cols + 1) holds each cell's group, -1 for none, with the cells above and left of the block as
    its first row and column; `row`, `col` is where the block's own first cell lies.
    """
    corner_rows = np.empty((64, 4), np.int32)
    n = 0
    for i in range(groups.shape[0] - 1):
        for j in range(groups.shape[1] - 1):
            a, b, c, d = groups[i, j], groups[i, j + 1], groups[i + 1, j], groups[i + 1, j + 1]
            above_left, above, left, here = a >= 0, b >= 0, c >= 0, d >= 0
            double = above_left == here and above == left and above != here
            if not double and (above_left == above) == (left == here):
                continue
            if n + 2 > len(corner_rows):
                grown = np.empty((2 * len(corner_rows), 4), np.int32)
                grown[:n] = corner_rows[:n]
                corner_rows = grown
            flags = RIGHT_BELOW if here else 0
            if double:
                flags |= FALLING if here else RISING
            for twin in range(2 if double else 1):
                corner_rows[n, 0], corner_rows[n, 1], corner_rows[n, 2] = row + i, col + j, d if here else c
                corner_rows[n, 3] = flags | (SECOND if twin else 0)
                n += 1
    return corner_rows[:n]


class _Rings(NamedTuple):
    """Rings as corners, by their numbers in row-by-row order."""

    corner: Longs
    start: Longs  # ring i is corner[start[i] : start[i + 1]]
    of_edge: Ints  # ring of the edge by which a corner is left, (corners,)
    by_column: npt.NDArray[np.bool_]  # whether that edge is vertical, (corners,)


def outlines(corner_rows: Ints, groups: int, grid: Grid) -> npt.NDArray[Any]:
    """The outline of each group as a valid multipolygon on the ground, (groups,); `corner_rows` as from `corners`.

    >>> grid = Grid.north_up("EPSG:25831", 0.0, 20.0, 10.0, 2, 2)
    >>> cells = np.full((4, 4), -1, np.int32)
    >>> cells[1, 1] = cells[2, 2] = 0
    >>> outlines(corners(cells, 0, 0), 1, grid)[0].wkt
    'MULTIPOLYGON (((0 20, 0 10, 10 10, 10 20, 0 20)), ((10 10, 10 0, 20 0, 20 10, 10 10)))'
    """
    import shapely

    if not len(corner_rows):
        return np.full(groups, shapely.MultiPolygon(), object)
    corner_rows = corner_rows[np.lexsort((corner_rows[:, 3] & SECOND, corner_rows[:, 1], corner_rows[:, 0]))]
    row, col, group, flags = (np.ascontiguousarray(column) for column in corner_rows.T)
    # of two corners at one place the first by rows looks left; by columns the first must look up
    looks_down = np.where(flags & FALLING, flags & SECOND, (flags & RISING) * ((flags & SECOND) == 0))
    by_columns = np.lexsort((looks_down != 0, row, col))
    vertical = np.empty_like(by_columns)
    vertical[by_columns[0::2]], vertical[by_columns[1::2]] = by_columns[1::2], by_columns[0::2]
    rings = _Rings(*_traced(vertical, flags))
    first = np.minimum.reduceat(rings.corner, rings.start[:-1])
    is_shell = (flags[first] & RIGHT_BELOW) != 0
    root = _roots(row, col, vertical, rings, first, is_shell, grid.cols)

    order = np.lexsort((first, ~is_shell, first[root], group[first]))
    lengths = np.diff(rings.start)[order]
    ends = np.cumsum(lengths + 1)
    corner = _unrolled(rings, order, ends, first, row, is_shell)
    x, y = grid.xy(col[corner].astype(np.float64), row[corner].astype(np.float64))
    ring_start = np.concatenate([[0], ends])
    shells = np.flatnonzero(is_shell[order])
    polygon_start = np.append(shells, len(order))
    parts = np.bincount(group[first[order[shells]]], minlength=groups)
    group_start = np.concatenate([[0], np.cumsum(parts)])
    shapes: npt.NDArray[Any] = shapely.from_ragged_array(
        shapely.GeometryType.MULTIPOLYGON, np.column_stack([x, y]), (ring_start, polygon_start, group_start)
    )
    return shapes


@compiled
def _traced(vertical: Longs, flags: Ints) -> tuple[Longs, Longs, Ints, npt.NDArray[np.bool_]]:
    """Follow horizontal and vertical edges in turn. By rows, corners 0 and 1, 2 and 3, ... share a horizontal edge."""
    n = len(flags)
    corner, start, rings, filled = np.empty(n, np.int64), np.zeros(n // 4 + 1, np.int64), 0, 0
    of_edge, by_column = np.full(n, -1, np.int32), np.zeros(n, np.bool_)
    path, place = np.empty(n, np.int64), np.full(n, -1, np.int64)
    seen = np.zeros(n, np.bool_)
    for begin in range(n):
        if seen[begin]:
            continue
        at, length, down = begin, 0, False
        while True:
            twin = -1
            if flags[at] & (FALLING | RISING):
                twin = at - 1 if flags[at] & SECOND else at + 1
            cut = -1
            if twin >= 0 and place[twin] >= 0:
                cut = place[twin]
            elif seen[at]:
                cut = 0
            if cut >= 0 and length > cut:
                for i in range(cut, length):
                    corner[filled] = path[i]
                    filled += 1
                    of_edge[path[i]] = rings
                    place[path[i]] = -1
                length = cut
                rings += 1
                start[rings] = filled
            if seen[at]:
                break
            seen[at] = True
            path[length], place[at], by_column[at] = at, length, down
            length += 1
            at = vertical[at] if down else at ^ 1
            down = not down
    return corner, start[: rings + 1], of_edge, by_column


@compiled
def _roots(
    row: Ints, col: Ints, vertical: Longs, rings: _Rings, first: Longs, is_shell: npt.NDArray[np.bool_], cols: int
) -> Longs:
    """The shell each ring belongs to, found by looking left from a hole's first corner to the next outline."""
    owner = np.full(cols + 1, -1, np.int32)  # ring of the vertical edge at each column of the row under the sweep
    root = np.full(len(first), -1, np.int64)
    ring_at = np.full(len(row), -1, np.int32)  # ring whose first corner this is
    for ring in range(len(first)):
        ring_at[first[ring]] = ring
    n, at = len(row), 0
    while at < n:
        end = at
        while end < n and row[end] == row[at]:
            end += 1
        for i in range(at, end):
            if row[vertical[i]] < row[i]:
                owner[col[i]] = -1
        for i in range(at, end):
            if row[vertical[i]] > row[i]:
                owner[col[i]] = rings.of_edge[i] if rings.by_column[i] else rings.of_edge[vertical[i]]
        for i in range(at, end):
            ring = ring_at[i]
            if ring < 0:
                continue
            if is_shell[ring]:
                root[ring] = ring
                continue
            left = col[i] - 1
            while owner[left] < 0:
                left -= 1
            root[ring] = root[owner[left]]
        at = end
    return root


@compiled_checked
def _unrolled(
    rings: _Rings, order: Longs, ends: Longs, first: Longs, row: Ints, is_shell: npt.NDArray[np.bool_]
) -> Longs:
    """Closed rings one after another from their first corner, shells going down first and holes to the right."""
    unrolled = np.empty(ends[-1], np.int64)
    for k in range(len(order)):
        ring = order[k]
        start, length = rings.start[ring], rings.start[ring + 1] - rings.start[ring]
        offset = 0
        while rings.corner[start + offset] != first[ring]:
            offset += 1
        following = rings.corner[start + (offset + 1) % length]
        step = 1 if (row[following] != row[first[ring]]) == is_shell[ring] else -1
        to = ends[k] - length - 1
        for i in range(length + 1):
            unrolled[to + i] = rings.corner[start + (offset + step * i) % length]
    return unrolled
