"""Polygons burned into a grid, exactly: the cells they touch, the centres they hold, the share of each cell they cover.

Coordinates are cells of the full grid (u across, v down), with vertices snapped to 2^-32 of a cell. Areas are added as
whole numbers of 2^-50 cells, so the order of adding, the window and the tile never change a bit; a cell inside is
exactly 1, and two polygons that share an edge vertex by vertex add up to exactly their union.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_checked
from underoak.base.grid import Grid, Window

Doubles = npt.NDArray[np.float64]
VERTEX_STEPS = 2.0**32  # vertices: steps in a cell
AREA_STEPS = 2.0**50  # areas: steps in a cell; heights between snapped vertices are whole numbers of them


class Edges(NamedTuple):
    """A set of polygons as edges in cell coordinates, each running down: v0 <= v1. Arrays are (edges,) unless noted."""

    u0: Doubles
    v0: Doubles
    u1: Doubles
    v1: Doubles
    sign: npt.NDArray[np.int64]  # 1 where the polygon lies on the side of greater u, -1 on the other
    start: npt.NDArray[np.int64]  # edges of polygon i are start[i]..start[i + 1], (polygons + 1,)
    box: Doubles  # least u and v, greatest u and v, (polygons, 4); NaN for a polygon without edges

    @property
    def polygons(self) -> int:
        """Number of polygons, empty ones included."""
        return len(self.start) - 1

    @property
    def count_of_edges(self) -> int:
        """Number of edges of all polygons."""
        return len(self.sign)

    @property
    def areas(self) -> Doubles:
        """Area of each polygon [cells], also outside the grid, (polygons,)."""
        owner = np.repeat(np.arange(self.polygons), np.diff(self.start))
        u_from_left = (self.u0 + self.u1) / 2.0 - self.box[owner, 0]  # from the polygon's own left, for precision
        strips = -self.sign * (self.v1 - self.v0) * u_from_left
        return np.bincount(owner, strips, self.polygons).astype(np.float64)

    def pick(self, polygon: int) -> Edges:
        """Return the edges of one polygon."""
        first, last = self.start[polygon : polygon + 2]
        u0, v0, u1, v1 = (array[first:last] for array in (self.u0, self.v0, self.u1, self.v1))
        start = np.array([0, last - first])
        return Edges(u0, v0, u1, v1, self.sign[first:last], start, self.box[polygon : polygon + 1])


def polygon_edges(shapes: npt.ArrayLike, grid: Grid) -> Edges:
    """Return the edges of valid polygons in the grid's CRS; rings may run either way. None is an empty polygon.

    >>> from shapely import box
    >>> grid = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3)
    >>> polygon_edges([box(5, 5, 25, 25)], grid).areas.tolist()
    [4.0]

    Raises:
        ValueError: for anything but polygons, or a vertex that is not finite.
    """
    coords, rings, parts, polygons = _ragged(shapes)
    u, v = grid.uv(coords[:, 0], coords[:, 1])
    u, v = np.rint(u * VERTEX_STEPS) / VERTEX_STEPS, np.rint(v * VERTEX_STEPS) / VERTEX_STEPS
    if not (np.isfinite(u).all() and np.isfinite(v).all()):
        raise ValueError("a vertex is not finite")
    starts_edge = np.ones(len(u), bool)  # vertices that start an edge: all but the last of each ring
    starts_edge[rings[1:] - 1] = False
    first_vertices = np.flatnonzero(starts_edge)
    u0, v0, u1, v1 = u[first_vertices], v[first_vertices], u[first_vertices + 1], v[first_vertices + 1]

    ring = np.repeat(np.arange(len(rings) - 1), np.diff(rings) - 1)
    area = np.bincount(ring, -(v1 - v0) * ((u0 + u1) / 2.0 - u[rings[:-1]][ring]), len(rings) - 1)
    wanted_sign = np.full(len(rings) - 1, -1)  # holes take away
    wanted_sign[parts[:-1][np.diff(parts) > 0]] = 1  # the first ring of a part is its outside
    runs_up = v1 < v0
    sign = np.where(runs_up, -1, 1) * (wanted_sign * np.sign(area).astype(np.int64))[ring]
    for low, high in ((u0, u1), (v0, v1)):
        low[runs_up], high[runs_up] = high[runs_up], low[runs_up].copy()

    start = (rings - np.arange(len(rings)))[parts[polygons]]  # a ring has one edge less than vertices
    return Edges(u0, v0, u1, v1, sign, start, _boxes(u0, v0, u1, v1, start))


def merge_edges(parts: Sequence[Edges]) -> Edges:
    """Merge the polygons of several, in order.

    >>> from shapely import box
    >>> grid = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3)
    >>> one, two = polygon_edges([box(5, 5, 25, 25)], grid), polygon_edges([None, box(0, 0, 10, 10)], grid)
    >>> merge_edges([one, two]).areas.tolist()
    [4.0, 0.0, 1.0]
    """
    if len(parts) == 1:
        return parts[0]
    offsets = np.cumsum([0, *(len(edges.sign) for edges in parts)])
    starts = [edges.start[:-1] + first for edges, first in zip(parts, offsets[:-1], strict=True)]
    u0, v0, u1, v1, sign, _, box = (np.concatenate(arrays) for arrays in zip(*parts, strict=True))
    return Edges(u0, v0, u1, v1, sign, np.concatenate([*starts, offsets[-1:]]), box)


def coverage(edges: Edges, window: Window) -> Doubles:
    """Return the share of each cell that polygons cover, (rows, cols); where polygons overlap, their shares add up.

    >>> from shapely import box
    >>> grid = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3)
    >>> coverage(polygon_edges([box(5, 5, 25, 25)], grid), grid.window).tolist()
    [[0.25, 0.5, 0.25], [0.5, 1.0, 0.5], [0.25, 0.5, 0.25]]
    """
    out = np.zeros(window.shape)
    _coverage(edges, window.row, window.col, out)
    return out


def add_shares(edges: Edges, window: Window, planes: npt.NDArray[Any], sums: Doubles) -> None:
    """Add to `sums`, (polygons, planes), the sums of planes (planes, rows, cols) over polygons, by share of each cell.

    >>> from shapely import box
    >>> grid, sums = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3), np.zeros((1, 1))
    >>> add_shares(polygon_edges([box(5, 5, 25, 25)], grid), grid.window, np.full((1, 3, 3), 2.0), sums)
    >>> sums.tolist()
    [[8.0]]
    """
    _add_shares(edges, window.row, window.col, planes, sums)


def covers_centre(edges: Edges, window: Window) -> npt.NDArray[np.bool_]:
    """Return a mask of the cells whose centre lies in any polygon, (rows, cols).

    A centre on an edge belongs to the polygon below it or to its right, so exactly one of two neighbours has it.

    >>> from shapely import box
    >>> grid = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3)
    >>> covers_centre(polygon_edges([box(5, 5, 25, 25)], grid), grid.window).astype(int).tolist()
    [[1, 1, 0], [1, 1, 0], [0, 0, 0]]
    """
    out = np.zeros(window.shape, np.bool_)
    _centres(edges, window.row, window.col, out)
    return out


def touches_cell(edges: Edges, window: Window) -> npt.NDArray[np.bool_]:
    """Return a mask of the cells whose inside overlaps any polygon, however little, (rows, cols).

    >>> from shapely import box
    >>> grid = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3)
    >>> touches_cell(polygon_edges([box(10, 12, 14, 16)], grid), grid.window).astype(int).tolist()
    [[0, 0, 0], [0, 1, 0], [0, 0, 0]]
    """
    out = np.zeros(window.shape, np.bool_)
    _touched(edges, window.row, window.col, out)
    return out


def _ragged(shapes: Any) -> tuple[Doubles, npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return vertices, and the starts of rings in vertices, of parts in rings, and of polygons in parts."""
    import shapely

    shapes = np.array([*shapes, None], object)[:-1]  # always an array of objects, also of none
    shapes[[shape is None for shape in shapes]] = shapely.MultiPolygon()
    if not np.isin(shapely.get_type_id(shapes), (3, 6)).all():
        raise ValueError("only polygons have an inside")
    if not len(shapes):
        none = np.zeros(1, np.int64)
        return np.empty((0, 2)), none, none, none
    _, coords, offsets = shapely.to_ragged_array(shapes, include_z=False)
    rings, parts, *rest = (np.asarray(o, np.int64) for o in offsets)
    return coords, rings, parts, rest[0] if rest else np.arange(len(parts))


def _boxes(u0: Doubles, v0: Doubles, u1: Doubles, v1: Doubles, start: npt.NDArray[np.int64]) -> Doubles:
    box = np.full((len(start) - 1, 4), np.nan)
    filled = np.diff(start) > 0
    if filled.any():
        starts = start[:-1][filled]
        box[filled, 0] = np.minimum.reduceat(np.minimum(u0, u1), starts)
        box[filled, 1] = np.minimum.reduceat(v0, starts)
        box[filled, 2] = np.maximum.reduceat(np.maximum(u0, u1), starts)
        box[filled, 3] = np.maximum.reduceat(v1, starts)
    return box


@compiled
def box_cells(edges: Edges, polygon: int, row: int, col: int, rows: int, cols: int) -> tuple[int, int, int, int]:
    """Return first row and column, rows and columns of the cells that a polygon's box touches; zeros for none."""
    left, top, right, bottom = edges.box[polygon]
    if not (left < col + cols and right > col and top < row + rows and bottom > row):  # NaN too
        return 0, 0, 0, 0
    first_row, first_col = max(row, math.floor(top)), max(col, math.floor(left))
    end_row, end_col = min(row + rows, math.ceil(bottom)), min(col + cols, math.ceil(right))
    return first_row, first_col, end_row - first_row, end_col - first_col


@compiled
def polygons_in_window(edges: Edges, row: int, col: int, rows: int, cols: int) -> npt.NDArray[np.int64]:
    """Return the polygons whose boxes touch a window's cells, in order."""
    polygons = np.empty(64, np.int64)
    n = 0
    for polygon in range(len(edges.box)):
        if box_cells(edges, polygon, row, col, rows, cols)[2] == 0:
            continue
        if n == len(polygons):
            polygons = np.append(polygons, polygons)
        polygons[n] = polygon
        n += 1
    return polygons[:n]


@compiled_checked
def _piece(u0: float, v0: float, u1: float, v1: float, row: int) -> tuple[float, float, float]:
    """Return u where an edge enters and leaves a row of cells, and its height there; the same for any window."""
    enter, leave, height = u0, u1, min(v1, row + 1.0) - max(v0, float(row))
    if v0 < row:
        enter = min(max(u0 + (row - v0) * ((u1 - u0) / (v1 - v0)), min(u0, u1)), max(u0, u1))
    if v1 > row + 1:
        leave = min(max(u0 + (row + 1 - v0) * ((u1 - u0) / (v1 - v0)), min(u0, u1)), max(u0, u1))
    return enter, leave, height


@compiled
def _round_up_half(positive: float) -> np.int64:
    return np.int64(positive + 0.5)


@compiled_checked
def covered_area(edges: Edges, polygon: int, row: int, col: int, rows: int, cols: int) -> npt.NDArray[np.int64]:
    """Return the covered area of each cell of a window by one polygon, in units of 1/UNIT cells, (rows, cols + 1).

    Each edge gives every cell it crosses the area on its right inside that cell, and the cells further right its
    height; adding up from left to right makes areas. The last column is scratch.
    """
    area = np.zeros((rows, cols + 1), np.int64)
    for e in range(edges.start[polygon], edges.start[polygon + 1]):
        u0, v0, u1, v1, sign = edges.u0[e], edges.v0[e], edges.u1[e], edges.v1[e], edges.sign[e]
        if v0 == v1 or v1 <= row or v0 >= row + rows or min(u0, u1) >= col + cols:
            continue
        for r in range(max(row, math.floor(v0)), min(row + rows, math.ceil(v1))):
            enter, leave, height = _piece(u0, v0, u1, v1, r)
            left, right = min(enter, leave), max(enter, leave)
            full = np.int64(height * AREA_STEPS)
            to = r - row  # not a slice of the row: numba would count a reference for every edge in it
            if right <= col:
                area[to, 0] += sign * full
                continue
            if left >= col + cols:
                continue
            c = math.floor(left)
            if right <= c + 1:
                inside = _round_up_half(height * (c + 1 - (left + right) / 2.0) * AREA_STEPS)
                area[to, c - col] += sign * inside
                area[to, c - col + 1] += sign * (full - inside)
                continue
            steep = abs((v1 - v0) / (u1 - u0)) * AREA_STEPS
            spent = np.int64(0)
            if c < col:
                c = col
                spent = min(_round_up_half((c - left) * steep), full)
                area[to, 0] += sign * spent
            while c < right and c < col + cols:
                after = full if c + 1 >= right else min(_round_up_half((c + 1 - left) * steep), full)
                share = c + 1 - (max(left, float(c)) + min(right, c + 1.0)) / 2.0
                inside = _round_up_half((after - spent) * share)
                area[to, c - col] += sign * inside
                area[to, c - col + 1] += sign * (after - spent - inside)
                spent = after
                c += 1
    for r in range(rows):
        for c in range(1, cols):
            area[r, c] += area[r, c - 1]
    return area


@compiled
def _add_shares(edges: Edges, row: int, col: int, planes: npt.NDArray[Any], sums: Doubles) -> None:
    count, rows, cols = planes.shape
    for polygon in polygons_in_window(edges, row, col, rows, cols):
        r0, c0, height, width = box_cells(edges, polygon, row, col, rows, cols)
        area = covered_area(edges, polygon, r0, c0, height, width)
        for plane in range(count):
            total = 0.0
            for i in range(height):
                for j in range(width):
                    if area[i, j] > 0:
                        total += area[i, j] / AREA_STEPS * planes[plane, r0 - row + i, c0 - col + j]
            sums[polygon, plane] += total


@compiled
def _coverage(edges: Edges, row: int, col: int, out: Doubles) -> None:
    for polygon in polygons_in_window(edges, row, col, out.shape[0], out.shape[1]):
        r0, c0, rows, cols = box_cells(edges, polygon, row, col, out.shape[0], out.shape[1])
        area = covered_area(edges, polygon, r0, c0, rows, cols)
        for r in range(rows):
            for c in range(cols):
                out[r0 - row + r, c0 - col + c] += area[r, c] / AREA_STEPS


@compiled_checked
def _centres(edges: Edges, row: int, col: int, out: npt.NDArray[np.bool_]) -> None:
    for polygon in polygons_in_window(edges, row, col, out.shape[0], out.shape[1]):
        r0, c0, rows, cols = box_cells(edges, polygon, row, col, out.shape[0], out.shape[1])
        flips = np.zeros((rows, cols + 1), np.bool_)
        for e in range(edges.start[polygon], edges.start[polygon + 1]):
            u0, v0, u1, v1 = edges.u0[e], edges.v0[e], edges.u1[e], edges.v1[e]
            for r in range(max(r0, math.ceil(v0 - 0.5)), min(r0 + rows, math.ceil(v1 - 0.5))):
                u = u0 + (r + 0.5 - v0) * ((u1 - u0) / (v1 - v0))
                c = min(max(math.ceil(u - 0.5), c0), c0 + cols)
                flips[r - r0, c - c0] = not flips[r - r0, c - c0]
        for r in range(rows):
            inside = False
            for c in range(cols):
                inside ^= flips[r, c]
                if inside:
                    out[r0 - row + r, c0 - col + c] = True


@compiled
def _touched(edges: Edges, row: int, col: int, out: npt.NDArray[np.bool_]) -> None:
    for polygon in polygons_in_window(edges, row, col, out.shape[0], out.shape[1]):
        r0, c0, rows, cols = box_cells(edges, polygon, row, col, out.shape[0], out.shape[1])
        area = covered_area(edges, polygon, r0, c0, rows, cols)
        for r in range(rows):
            for c in range(cols):
                if area[r, c] > 0:
                    out[r0 - row + r, c0 - col + c] = True
        for e in range(edges.start[polygon], edges.start[polygon + 1]):  # slivers thinner than one area step
            u0, v0, u1, v1 = edges.u0[e], edges.v0[e], edges.u1[e], edges.v1[e]
            end = math.ceil(v1) if v1 > v0 else math.floor(v0) + (v0 != math.floor(v0))
            for r in range(max(r0, math.floor(v0)), min(r0 + rows, end)):
                enter, leave, _ = _piece(u0, v0, u1, v1, r)
                first, last = math.floor(min(enter, leave)), math.ceil(max(enter, leave))
                for c in range(max(c0, first), min(c0 + cols, last)):
                    out[r - row, c - col] = True
