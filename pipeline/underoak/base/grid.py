"""Grids and windows as values. Rows run down the array, columns across; a grid stores its outer corner.

Cell (row, col) covers [col, col+1) x [row, row+1) in cell coordinates (u across, v down); its centre is at +0.5.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from underoak.base import crs as _crs

Bounds = tuple[float, float, float, float]  # left, bottom, right, top


@dataclass(frozen=True, slots=True, order=True)
class Window:
    """A rectangle of cells: first row and column, and how many of each.

    >>> Window(0, 0, 10, 10).expand(2).clip(100, 5)
    Window(row=0, col=0, rows=12, cols=5)
    """

    row: int
    col: int
    rows: int
    cols: int

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, cols)."""
        return self.rows, self.cols

    @property
    def slices(self) -> tuple[slice, slice]:
        """Return the window as array indices."""
        return slice(self.row, self.row + self.rows), slice(self.col, self.col + self.cols)

    @property
    def is_empty(self) -> bool:
        """Return True if it has no cell."""
        return self.rows <= 0 or self.cols <= 0

    def expand(self, cells: int) -> Window:
        """Return the window with `cells` more on every side."""
        return Window(self.row - cells, self.col - cells, self.rows + 2 * cells, self.cols + 2 * cells)

    def clip(self, rows: int, cols: int) -> Window:
        """Return the part inside a grid of (rows, cols); empty if there is none."""
        row, col = max(self.row, 0), max(self.col, 0)
        end_row, end_col = min(self.row + self.rows, rows), min(self.col + self.cols, cols)
        return Window(row, col, max(end_row - row, 0), max(end_col - col, 0))

    def tiles(self, size: int) -> Iterator[Window]:
        """Yield square windows of `size` cells that cover it, row by row from its corner; the last may be smaller.

        >>> [(part.row, part.col, part.shape) for part in Window(5, 0, 3, 2).tiles(2)]
        [(5, 0, (2, 2)), (7, 0, (1, 2))]
        """
        for row in range(self.row, self.row + self.rows, size):
            for col in range(self.col, self.col + self.cols, size):
                yield Window(row, col, size, size).clip(self.row + self.rows, self.col + self.cols)

    def union(self, other: Window) -> Window:
        """Return the smallest window that contains both."""
        row, col = min(self.row, other.row), min(self.col, other.col)
        end_row = max(self.row + self.rows, other.row + other.rows)
        end_col = max(self.col + self.cols, other.col + other.cols)
        return Window(row, col, end_row - row, end_col - col)

    def relative_to(self, outer: Window) -> Window:
        """Return the same cells, counted from the corner of `outer`."""
        return Window(self.row - outer.row, self.col - outer.col, self.rows, self.cols)


@dataclass(frozen=True, slots=True)
class Grid:
    """A grid of cells in a CRS: x = a u + b v + c, y = d u + e v + f, `transform` = (a, b, c, d, e, f).

    >>> grid = Grid("EPSG:25831", (30.0, 0.0, 400000.0, 0.0, -30.0, 4600000.0), rows=100, cols=200)
    >>> grid.xy(0.5, 0.5), grid.bounds
    ((400015.0, 4599985.0), (400000.0, 4597000.0, 406000.0, 4600000.0))
    """

    crs: str
    transform: tuple[float, float, float, float, float, float]
    rows: int
    cols: int

    @classmethod
    def north_up(cls, crs: str, left: float, top: float, cell: float, rows: int, cols: int) -> Grid:
        """Return a grid of square cells whose rows run south."""
        return cls(crs, (cell, 0.0, left, 0.0, -cell, top), rows, cols)

    @property
    def shape(self) -> tuple[int, int]:
        """Return (rows, cols)."""
        return self.rows, self.cols

    @property
    def window(self) -> Window:
        """Return the window of all its cells."""
        return Window(0, 0, self.rows, self.cols)

    @property
    def cell_size(self) -> tuple[float, float]:
        """Return the lengths of a cell's two sides in axis units, across then down."""
        a, b, _, d, e, _ = self.transform
        return math.hypot(a, d), math.hypot(b, e)

    @property
    def cell_m(self) -> float:
        """Return the side of a square cell of a projected grid [m]."""
        return self.cell_size[0] * _crs.unit_m(self.crs)

    def xy(self, u: Any, v: Any) -> tuple[Any, Any]:
        """Return the CRS coordinates of cell coordinates (u across, v down); floats or arrays."""
        a, b, c, d, e, f = self.transform
        return a * u + b * v + c, d * u + e * v + f

    def uv(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Return the cell coordinates of CRS coordinates; floats or arrays."""
        a, b, c, d, e, f = self.transform
        if b == 0.0 and d == 0.0:
            return (x - c) / a, (y - f) / e
        det = a * e - b * d
        return (e * (x - c) - b * (y - f)) / det, (a * (y - f) - d * (x - c)) / det

    @property
    def corners(self) -> list[tuple[float, float]]:
        """Return the four outer corners in CRS coordinates."""
        return [self.xy(u, v) for u, v in ((0, 0), (self.cols, 0), (self.cols, self.rows), (0, self.rows))]

    @property
    def bounds(self) -> Bounds:
        """Return left, bottom, right, top."""
        xs, ys = zip(*self.corners, strict=True)
        return min(xs), min(ys), max(xs), max(ys)

    def is_aligned(self, other: Grid) -> bool:
        """Return True if the cells of both coincide, within a thousandth of a cell.

        >>> grid = Grid.north_up("EPSG:4326", 0.0, 1.0, 0.1, 10, 10)
        >>> near, other = (Grid.north_up("EPSG:4326", left, 1.0, 0.1, 10, 10) for left in (1e-9, 0.05))
        >>> grid.is_aligned(near), grid.is_aligned(other)
        (True, False)
        """
        if self.shape != other.shape or not _crs.same(self.crs, other.crs):
            return False
        places = (self.uv(*corner) for corner in other.corners)
        corners = ((0, 0), (self.cols, 0), (self.cols, self.rows), (0, self.rows))
        return all(
            abs(u - col) < 1e-3 and abs(v - row) < 1e-3 for (u, v), (col, row) in zip(places, corners, strict=True)
        )

    def bounds_of(self, window: Window) -> Bounds:
        """Return left, bottom, right, top of a window."""
        return self.subgrid(window).bounds

    def subgrid(self, window: Window) -> Grid:
        """Return a window of the grid as a grid."""
        a, b, _, d, e, _ = self.transform
        c, f = self.xy(window.col, window.row)
        return Grid(self.crs, (a, b, c, d, e, f), window.rows, window.cols)

    def tiles(self, size: int) -> Iterator[Window]:
        """Yield `Window.tiles` of all its cells."""
        return self.window.tiles(size)
