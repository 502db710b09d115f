"""True sizes [m] of a grid's cells in any coordinate reference system: sides, bearing and area.

Degrees are measured by the radii of curvature of the CRS's own ellipsoid, row by row. Projected cells are measured by
geodesics at anchored places (every 64 rows, in the middle of every 256 columns) and interpolated between rows, so that
no figure depends on the window.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.grid import Grid, Window

Doubles = npt.NDArray[np.float64]
ROWS, COLS = 64, 256  # the lattice: a slope changes by less than 1e-5 of itself between its nodes at 30 m


class CellSizes(NamedTuple):
    """A strip of columns start..stop of a window whose cells are alike in each row. Arrays are (rows,)."""

    start: int
    stop: int
    dx: Doubles  # length of a cell across [m], negative where columns run west
    dy: Doubles  # length of a cell down [m], negative where rows run north
    turn: Doubles  # bearing of the rows, clockwise from east [degree]
    corner: Doubles  # angle from the rows to the columns, clockwise [degree]

    @property
    def sides(self) -> tuple[Doubles, Doubles, Doubles, Doubles]:
        """Return dx, dy, turn, corner, in the order that the terrain indicators take them."""
        return self.dx, self.dy, self.turn, self.corner

    @property
    def named(self) -> dict[str, Doubles]:
        """Return the sides by the names that the terrain indicators take them by."""
        return dict(zip(("dx", "dy", "turn", "corner"), self.sides, strict=True))


def cell_metres(grid: Grid, window: Window) -> list[CellSizes]:
    """Return the true sizes of a window's cells, as strips of columns, counted from the window's first.

    A geographic grid that is not rotated makes one strip: `dx` = N cos(lat), `dy` = M times the cell, with the
    radii M, N of the CRS's own ellipsoid (textbook formulas, from memory). Sizes are NaN beyond a pole, or where
    the projection is not defined.

    >>> grid = Grid.north_up("EPSG:4326", 5.0, 60.0 + 0.5 / 3600, 1 / 3600, 1, 3)
    >>> strip = cell_metres(grid, grid.window)[0]
    >>> float(strip.dx[0].round(4)), float(strip.dy[0].round(4))
    (15.5, 30.9479)
    """
    if is_plain(grid):
        return [_degrees(grid, window)]
    first, last = window.col // COLS, (window.col + window.cols - 1) // COLS
    return [_geodesic(grid, window, strip) for strip in range(first, last + 1)]


def cell_areas(grid: Grid, window: Window) -> Doubles:
    """Return the true area of each cell on the CRS's own ellipsoid [m2], (rows, cols).

    Geographic cells by the closed form between two parallels, others by their sides and corner.

    >>> grid = Grid.north_up("EPSG:4326", 0.0, 1 / 3600, 1 / 3600, 1, 1)
    >>> round(float(cell_areas(grid, grid.window)[0, 0]), 4)
    949.7741
    """
    rows, cols = np.arange(window.row, window.row + window.rows), np.arange(window.col, window.col + window.cols)
    if is_plain(grid):
        to_degrees, a, _ = _ellipsoid(grid.crs)
        edges = grid.xy(0.0, np.append(rows, window.row + window.rows).astype(np.float64))[1] * to_degrees
        heights = np.abs(np.diff(equal_area(0.0, np.clip(edges, -90.0, 90.0), grid.crs)[1]))
        width = a * np.deg2rad(abs(grid.transform[0]) * to_degrees)
        return np.repeat((width * heights)[:, None], window.cols, axis=1)
    down, across = _nodes(rows), _nodes(cols)
    v, u = (axis.ravel() for axis in np.meshgrid(down, across, indexing="ij"))
    dx, along = _measured(grid, (u - 0.5, v), (u + 0.5, v))
    dy, fall = _measured(grid, (u, v - 0.5), (u, v + 0.5))
    nodes = (dx * dy * np.abs(np.sin(np.deg2rad(fall - along)))).reshape(len(down), len(across))
    i, y = rows // ROWS - rows[0] // ROWS, ((rows % ROWS) / ROWS)[:, None]
    j, x = cols // ROWS - cols[0] // ROWS, (cols % ROWS) / ROWS
    left, right = nodes[:, j], nodes[:, j + 1]
    lines = left + x * (right - left)
    areas: Doubles = lines[i] + y * (lines[i + 1] - lines[i])
    return areas


def to_lonlat(crs: str, x: Doubles, y: Doubles) -> tuple[Doubles, Doubles]:
    """Return degrees east of the CRS's prime meridian and north on its ellipsoid; not finite where undefined.

    >>> lon, lat = to_lonlat("EPSG:27561", np.array([600000.0]), np.array([200000.0]))  # its degrees are gradians
    >>> float(lon[0].round(6)), float(lat[0].round(6))
    (0.0, 49.5)
    """
    to_degrees, _, _ = _ellipsoid(crs)
    if not _crs.is_geographic(crs):
        x, y = _crs.transformer(crs, _geodetic(crs)).transform(x, y)
    return np.asarray(x) * to_degrees, np.asarray(y) * to_degrees


def equal_area(lon: Doubles | float, lat: Doubles, crs: str) -> tuple[Doubles, Doubles]:
    """Return equal-area cylindrical coordinates [m] on the CRS's own ellipsoid, of degrees east and north.

    Longitudes are not wrapped, so that a shape across the antimeridian stays in one piece. Source: the authalic
    latitude of a textbook (Snyder 1987, from memory).

    >>> x, y = equal_area(180.0, np.array([-90.0, 90.0]), "EPSG:4326")
    >>> round(float(2 * x * (y[1] - y[0])) / 1e12, 6)  # the whole Earth, in million square kilometres
    510.065622
    """
    _, a, e2 = _ellipsoid(crs)
    s, e = np.sin(np.deg2rad(lat)), np.sqrt(e2)
    zone = s / (1.0 - e2 * s * s) + (np.arctanh(e * s) / e if e2 > 0.0 else s)
    return a * np.deg2rad(lon), a * (1.0 - e2) / 2.0 * zone


def is_plain(grid: Grid) -> bool:
    """Return True for a grid in degrees whose rows run along parallels."""
    return _crs.is_geographic(grid.crs) and grid.transform[1] == 0.0 and grid.transform[3] == 0.0


@lru_cache(maxsize=64)
def _ellipsoid(text: str) -> tuple[float, float, float]:
    """Return degrees in one unit of a geographic axis, equatorial radius [m], squared eccentricity."""
    geodetic = _crs.parse(text).geodetic_crs
    geod = _crs.geod(text)
    unit = float(geodetic.axis_info[0].unit_conversion_factor) if geodetic is not None else np.deg2rad(1.0)
    return float(np.rad2deg(unit).round(12)), float(geod.a), float(geod.es)


@lru_cache(maxsize=64)
def _geodetic(text: str) -> str:
    geodetic = _crs.parse(text).geodetic_crs
    return geodetic.to_wkt() if geodetic is not None else "EPSG:4326"


def degrees_of_rows(grid: Grid, window: Window) -> Doubles:
    """Return the latitude of the middle of a plain grid's rows [degree], (rows,); NaN beyond a pole."""
    to_degrees, _, _ = _ellipsoid(grid.crs)
    lat = grid.xy(0.0, np.arange(window.row, window.row + window.rows) + 0.5)[1] * to_degrees
    return np.where(np.abs(lat) <= 90.0, lat, np.nan)


def _degrees(grid: Grid, window: Window) -> CellSizes:
    to_degrees, a, e2 = _ellipsoid(grid.crs)
    across, _, _, _, down, _ = grid.transform
    lat = degrees_of_rows(grid, window)
    flat = 1.0 - e2 * np.sin(np.deg2rad(lat)) ** 2
    meridian, parallel = a * (1.0 - e2) / flat**1.5, a / np.sqrt(flat) * np.cos(np.deg2rad(lat))
    dx, dy = parallel * np.deg2rad(across * to_degrees), meridian * np.deg2rad(-down * to_degrees)
    return CellSizes(0, window.cols, dx, dy, np.zeros(window.rows), np.full(window.rows, 90.0))


def _geodesic(grid: Grid, window: Window, strip: int) -> CellSizes:
    rows = np.arange(window.row, window.row + window.rows)
    v = _nodes(rows)
    u: Doubles = np.full(v.shape, strip * COLS + COLS / 2.0)
    dx, across = _measured(grid, (u - 0.5, v), (u + 0.5, v))
    dy, down = _measured(grid, (u, v - 0.5), (u, v + 0.5))
    below, part = rows // ROWS - rows[0] // ROWS, (rows % ROWS) / ROWS
    return CellSizes(
        max(strip * COLS - window.col, 0),
        min((strip + 1) * COLS - window.col, window.cols),
        dx[below] + part * (dx[below + 1] - dx[below]),
        dy[below] + part * (dy[below + 1] - dy[below]),
        *_between((across - 90.0, down - across), below, part),
    )


def _nodes(cells: npt.NDArray[np.int64]) -> Doubles:
    """Return the centres of the anchored rows (or columns) that the cells lie between."""
    return np.arange(cells[0] // ROWS, cells[-1] // ROWS + 2, dtype=np.float64) * ROWS + 0.5


def _between(angles: tuple[Doubles, ...], below: npt.NDArray[np.int64], part: Doubles) -> Iterator[Doubles]:
    for angle in angles:
        low = _wrapped(angle)[below]
        yield low + part * _wrapped(_wrapped(angle)[below + 1] - low)


def _measured(grid: Grid, start: tuple[Doubles, Doubles], end: tuple[Doubles, Doubles]) -> tuple[Doubles, Doubles]:
    """Return the length [m] and bearing [degree] of geodesics between points in cell coordinates."""
    ends = np.stack([*to_lonlat(grid.crs, *grid.xy(*start)), *to_lonlat(grid.crs, *grid.xy(*end))])
    is_defined = np.isfinite(ends).all(axis=0)
    bearing, _, length = _crs.geod(grid.crs).inv(*np.where(is_defined, ends, 0.0))
    return np.where(is_defined, length, np.nan), np.where(is_defined, bearing, np.nan)


def _wrapped(degrees: Doubles) -> Doubles:
    """Return the same angle between -180 and 180."""
    return (degrees + 180.0) % 360.0 - 180.0
