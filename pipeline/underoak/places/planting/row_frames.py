"""Rows of trees on many parcels at once: the frame of the rows, and the number of trees that fit.

Rows run along the longest side of a parcel, that of the smallest rectangle around it, inside a headland. Both ends
share the remaining length. A tree fits where the analysis grid's cell under its place is usable.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.codes import MISSING, S1, N
from underoak.base.compiled import compiled
from underoak.base.grid import Grid, Window
from underoak.engine.write.finished_rasters import CLASS_TIF, FinishedRaster, open_finished
from underoak.indicators.cell_size import to_lonlat

Doubles = npt.NDArray[np.float64]
Longs = npt.NDArray[np.int64]
Codes = npt.NDArray[np.uint8]

SETBACK_M = 4.0  # headland, wide enough to turn in; common practice, no source
MOST_PLACES = 4_000_000  # of one parcel, counted one by one; more are computed from the area inside the headland
_GROWN_M = 1e-6  # a place on the line counts
_MOST_CELLS = 50_000_000  # of a parcel's window of class codes
_AT_ONCE = 20_000  # parcels


@dataclass(frozen=True, slots=True, eq=False)
class RowFrames:
    """Parcels in metres, turned so that their rows run along x, (parcels,) unless stated."""

    scale: Doubles  # true metres of one unit of the CRS along x and y, (parcels, 2)
    turn: Doubles  # direction of the rows from x [degree], 0..180
    middle: Doubles  # the point that each was turned about [m], (parcels, 2)
    inner: npt.NDArray[Any]  # the land inside the headland, turned; empty where there is none

    @property
    def inside_ha(self) -> Doubles:
        """Area inside the headland [ha]."""
        import shapely

        areas: Doubles = np.nan_to_num(shapely.area(self.inner)) / 1e4
        return areas

    def lattice(self, between_m: float, along_m: float) -> tuple[Doubles, Longs]:
        """Return the first place (x, y) [m], (parcels, 2), and the number of places along x and of rows."""
        import shapely

        bounds = np.nan_to_num(shapely.bounds(self.inner), nan=0.0).reshape(-1, 4)
        steps = np.array([along_m, between_m])
        extent = bounds[:, 2:] - bounds[:, :2]
        counts = np.floor(extent / steps + 1e-9)
        first = bounds[:, :2] + (extent - counts * steps) / 2.0
        is_empty = shapely.is_empty(self.inner)
        return first, np.where(is_empty[:, None], 0, counts + 1).astype(np.int64)

    def to_cells(self, parcel: int, grid: Grid) -> Doubles:
        """Return the affine map from a turned place [m] to cell coordinates of the grid, (2, 3)."""
        angle = np.deg2rad(self.turn[parcel])
        back = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        middle, scale = self.middle[parcel], self.scale[parcel]
        corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) * 1000.0
        x, y = (((corners - middle) @ back.T + middle) / scale).T
        u, v = grid.uv(x, y)
        return np.array([[(w[1] - w[0]) / 1000.0, (w[2] - w[0]) / 1000.0, w[0]] for w in (u, v)])


def row_frames(shapes: npt.NDArray[Any], crs: str, setback_m: float = SETBACK_M) -> RowFrames:
    """Return the frames of valid polygons of a CRS."""
    import shapely

    middles = shapely.get_coordinates(shapely.centroid(shapes)).reshape(-1, 2)
    scale = true_scales(middles, crs)
    coords, owner = shapely.get_coordinates(shapes, return_index=True)
    flat = shapely.set_coordinates(shapes.copy(), coords * scale[owner])
    turn = _longest_sides(flat)
    middle = shapely.get_coordinates(shapely.centroid(flat)).reshape(-1, 2)
    angle = np.deg2rad(-turn)[owner]
    from_middle = shapely.get_coordinates(flat) - middle[owner]
    c, s = np.cos(angle), np.sin(angle)
    turned = np.column_stack(
        [c * from_middle[:, 0] - s * from_middle[:, 1], s * from_middle[:, 0] + c * from_middle[:, 1]]
    )
    inner = shapely.buffer(
        shapely.set_coordinates(flat, turned + middle[owner]), _GROWN_M - setback_m, join_style="mitre"
    )
    return RowFrames(scale, turn, middle, np.asarray(inner, object))


def true_scales(middles: Doubles, crs: str) -> Doubles:
    """Return the true metres of one unit of x and of y at places of a CRS, (places, 2)."""
    unit = 1e-5 if _crs.is_geographic(crs) else 1.0
    geod = _crs.geod(crs)
    lengths = []
    for step in (np.array([unit / 2.0, 0.0]), np.array([0.0, unit / 2.0])):
        ends = [to_lonlat(crs, *(middles + sign * step).T) for sign in (-1.0, 1.0)]
        lengths.append(geod.inv(*ends[0], *ends[1])[2])
    return np.column_stack(lengths) / unit


def trees_that_fit(
    shapes: npt.NDArray[Any], crs: str, spacing: tuple[float, float], usable: Doubles, grid: Grid, folder: Path
) -> Doubles:
    """Return the trees that fit on the usable land of each parcel, (parcels,); NaN without a shape.

    `spacing`: metres between rows and along them. `usable`: the share of each parcel that is judged and not excluded,
    (parcels,); only where it is below 1, the class raster of the run in `folder` is read, for the cell under each
    place. A parcel with more than `MOST_PLACES` places gets the area inside its headland times `usable`.

    Raises:
        UnderoakError: E230 when the class raster cannot be read.
    """
    has_shape = np.array([shape is not None and not shape.is_empty for shape in shapes], np.bool_)
    trees = np.full(len(shapes), np.nan)
    indices = np.flatnonzero(has_shape)
    with open_finished(folder, CLASS_TIF) as classes:
        for first in range(0, len(indices), _AT_ONCE):
            some = indices[first : first + _AT_ONCE]
            frames = row_frames(shapes[some], crs)
            trees[some] = _counts(frames, spacing, usable[some], grid, classes)
    return trees


def usable_places(folder: Path, grid: Grid, x: Doubles, y: Doubles) -> npt.NDArray[np.bool_]:
    """Return which places of the grid's CRS lie on land that a run judged and did not exclude, (places,).

    Raises:
        UnderoakError: E230 when the class raster cannot be read.
    """
    u, v = grid.uv(x, y)
    col, row = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    usable: npt.NDArray[np.bool_] = (col >= 0) & (col < grid.cols) & (row >= 0) & (row < grid.rows)
    if usable.any():
        top, left = int(row[usable].min()), int(col[usable].min())
        window = Window(top, left, int(row[usable].max()) - top + 1, int(col[usable].max()) - left + 1)
        with open_finished(folder, CLASS_TIF) as classes:
            codes = classes.stored(window)[row[usable] - top, col[usable] - left]
        usable[usable] = (codes >= S1) & (codes <= N)
    return usable


def _counts(
    frames: RowFrames, spacing: tuple[float, float], usable: Doubles, grid: Grid, classes: FinishedRaster
) -> Doubles:
    between, along = spacing
    origin, counts = frames.lattice(between, along)
    edges, start = _edges(frames.inner)
    is_counted = counts.prod(axis=1) <= MOST_PLACES
    trees = np.floor(frames.inside_ha * usable * 1e4 / (between * along))
    is_simple = is_counted & (usable >= 1.0)
    trees[is_simple] = _count_everywhere(edges, start, origin, counts, along, between, is_simple)[is_simple]
    for parcel in np.flatnonzero(is_counted & (usable < 1.0)).tolist():
        if not usable[parcel] > 0.0 or not counts[parcel].all():
            trees[parcel] = 0.0
            continue
        cells = frames.to_cells(parcel, grid)
        window = _window(frames.inner[parcel].bounds, cells).clip(grid.rows, grid.cols)
        if window.rows * window.cols > _MOST_CELLS:
            continue
        parcel_edges = edges[start[parcel] : start[parcel + 1]]
        codes = np.full((1, 1), MISSING, np.uint8) if window.is_empty else classes.stored(window)
        trees[parcel] = _count(
            parcel_edges, origin[parcel], counts[parcel], along, between, cells, window.row, window.col, codes
        )
    return trees


def _window(bounds: Sequence[float], cells: Doubles) -> Window:
    left, bottom, right, top = bounds
    corners = np.array([[left, bottom, 1.0], [left, top, 1.0], [right, bottom, 1.0], [right, top, 1.0]])
    u, v = cells @ corners.T
    col, row = int(np.floor(u.min())), int(np.floor(v.min()))
    return Window(row, col, int(np.floor(v.max())) - row + 1, int(np.floor(u.max())) - col + 1)


def _edges(polygons: npt.NDArray[Any]) -> tuple[Doubles, Longs]:
    """Return the edges of all rings as x0, y0, x1, y1, (edges, 4), and where those of each polygon start."""
    import shapely

    parts, owner = shapely.get_parts(polygons, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    coords, ring = shapely.get_coordinates(rings, return_index=True)
    inside_ring = ring[1:] == ring[:-1]
    edges = np.column_stack([coords[:-1], coords[1:]])[inside_ring] if len(coords) else np.empty((0, 4))
    polygon = owner[part[ring[:-1][inside_ring]]] if len(coords) else np.empty(0, np.int64)
    return edges, np.searchsorted(polygon, np.arange(len(polygons) + 1)).astype(np.int64)


def _longest_sides(flat: npt.NDArray[Any]) -> Doubles:
    """Return the direction of the longer side of the smallest rectangle round each shape, from x [degree], 0..180."""
    import shapely

    coords, owner = shapely.get_coordinates(shapely.oriented_envelope(flat), return_index=True)
    first = np.searchsorted(owner, np.arange(len(flat)))
    corners = coords[first[:, None] + np.arange(3)]  # of a shape with an area, five
    sides = np.diff(corners, axis=1)
    lengths = np.hypot(sides[..., 0], sides[..., 1])
    is_second = lengths[:, 1] > lengths[:, 0] * (1.0 + 1e-9)
    dx, dy = np.where(is_second[:, None], sides[:, 1], sides[:, 0]).T
    degrees: Doubles = np.rad2deg(np.arctan2(dy, dx)) % 180.0
    return degrees


@compiled
def _count(
    edges: Doubles, origin: Doubles, counts: Longs, along: float, between: float, cells: Doubles,
    top: int, left: int, codes: Codes,
) -> int:  # fmt: skip
    """Return the places inside a polygon that are on class codes 1 to 4; without codes, all inside."""
    crossings = np.empty(len(edges))
    total = 0
    for j in range(counts[1]):
        y = origin[1] + j * between
        n = 0
        for e in range(len(edges)):
            y0, y1 = edges[e, 1], edges[e, 3]
            if (y0 <= y) != (y1 <= y):
                crossings[n] = edges[e, 0] + (y - y0) / (y1 - y0) * (edges[e, 2] - edges[e, 0])
                n += 1
        row = np.sort(crossings[:n])
        for k in range(0, n - 1, 2):
            first = max(int(np.ceil((row[k] - origin[0]) / along)), 0)
            last = min(int(np.floor((row[k + 1] - origin[0]) / along)), counts[0] - 1)
            if codes.size == 0:
                total += max(last - first + 1, 0)
                continue
            for i in range(first, last + 1):
                x = origin[0] + i * along
                u = int(np.floor(cells[0, 0] * x + cells[0, 1] * y + cells[0, 2])) - left
                v = int(np.floor(cells[1, 0] * x + cells[1, 1] * y + cells[1, 2])) - top
                if 0 <= v < codes.shape[0] and 0 <= u < codes.shape[1] and 1 <= codes[v, u] <= N:
                    total += 1
    return total


@compiled
def _count_everywhere(
    edges: Doubles, start: Longs, origin: Doubles, counts: Longs, along: float, between: float,
    is_simple: npt.NDArray[np.bool_],
) -> Doubles:  # fmt: skip
    """Return the places inside each polygon that `is_simple`; 0 for others, (polygons,)."""
    totals, cells, codes = np.zeros(len(is_simple)), np.zeros((2, 3)), np.empty((0, 0), np.uint8)
    for n in range(len(is_simple)):
        if is_simple[n]:
            some = edges[start[n] : start[n + 1]]
            totals[n] = _count(some, origin[n], counts[n], along, between, cells, 0, 0, codes)
    return totals
