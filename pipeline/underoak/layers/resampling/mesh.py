"""The position of each analysis cell on a source grid: exact at mesh nodes, interpolated between, with a proven bound.

The mesh is anchored to the analysis grid, never to a window, so a cell's coordinates are the same bits in any tile.
A mesh square is used only when the exact coordinates at its edge middles and centre agree with the interpolation; a
square that bends or breaks there is computed cell by cell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.grid import Grid, Window

Float64Array = npt.NDArray[np.float64]

# The middles of edges and squares show the full error of a curved square and at least half that of a kinked one,
# so half of the 0.01 source cell promised is allowed where the error is measured.
TOLERANCE = 0.005  # [source cells]
_STEPS = (64, 32, 16, 8, 4)  # [analysis cells]


@dataclass(frozen=True, slots=True)
class Coordinates:
    """A set of positions on the source grid, of the cells of one window of the analysis grid.

    Square (i, j) covers analysis cells from (row + i step, col + j step); its corners are nodes (i, j) .. (i+1, j+1).
    """

    row: int
    col: int
    step: int
    u: Float64Array  # nodes, (squares down + 1, squares across + 1), source columns
    v: Float64Array  # the same, source rows
    exact: npt.NDArray[np.int32]  # (squares down, squares across): -1, or the index into exact_u, exact_v
    exact_u: Float64Array  # (n, step, step) at cell centres
    exact_v: Float64Array

    @property
    def extent(self) -> tuple[float, float, float, float] | None:
        """Least and greatest u, least and greatest v over all squares; None when nothing is finite."""
        smooth = self.exact < 0
        corners = np.zeros(self.u.shape, bool)
        for down in (slice(None, -1), slice(1, None)):
            for across in (slice(None, -1), slice(1, None)):
                corners[down, across] |= smooth
        us = np.concatenate([self.u[corners], self.exact_u.ravel()])
        vs = np.concatenate([self.v[corners], self.exact_v.ravel()])
        finite = np.isfinite(us) & np.isfinite(vs)
        if not finite.any():
            return None
        us, vs = us[finite], vs[finite]
        return float(us.min()), float(us.max()), float(vs.min()), float(vs.max())

    @property
    def nbytes(self) -> int:
        """Memory of the arrays [bytes]."""
        return sum(array.nbytes for array in (self.u, self.v, self.exact, self.exact_u, self.exact_v))

    def subset(self, window: Window) -> Coordinates | None:
        """Return the coordinates of a smaller window, the same as from the mesh; None when it is not inside."""
        step = self.step
        first_row, first_col = (window.row - self.row) // step, (window.col - self.col) // step
        stop_row = -(-(window.row + window.rows - self.row) // step)
        stop_col = -(-(window.col + window.cols - self.col) // step)
        if first_row < 0 or first_col < 0 or stop_row > self.exact.shape[0] or stop_col > self.exact.shape[1]:
            return None
        squares = self.exact[first_row:stop_row, first_col:stop_col]
        indices = squares[squares >= 0]
        exact = np.full(squares.shape, -1, np.int32)
        exact[squares >= 0] = np.arange(indices.size, dtype=np.int32)
        nodes = slice(first_row, stop_row + 1), slice(first_col, stop_col + 1)
        u, v = np.ascontiguousarray(self.u[nodes]), np.ascontiguousarray(self.v[nodes])
        first = self.row + first_row * step, self.col + first_col * step
        return Coordinates(*first, step, u, v, exact, self.exact_u[indices], self.exact_v[indices])


@dataclass(frozen=True, slots=True)
class Mesh:
    """A mesh that maps one analysis grid to one source grid."""

    target: Grid
    source: Grid
    step: int  # 0: no step is fine enough, every square is exact
    turn: float  # source columns in 360 degrees; 0 for grids that are not in degrees, or rotated
    middle: float  # source column near which columns are placed, by full turns
    jacobian: tuple[float, float, float, float]  # du/dcol, du/drow, dv/dcol, dv/drow at the middle of the grid

    @classmethod
    def between(cls, target: Grid, source: Grid, is_periodic: bool = False) -> Mesh:
        """Return the mesh for a pair of grids; its step is the widest that holds the bound on a sample of squares.

        >>> fine = Grid.north_up("EPSG:3035", 4_000_000, 3_000_000, 30, 512, 512)
        >>> coarse = Grid.north_up("EPSG:3035", 3_999_000, 3_001_000, 250, 100, 100)
        >>> Mesh.between(fine, coarse).jacobian
        (0.12, 0.0, 0.0, 0.12)
        """
        a, b, _, d, *_ = source.transform
        is_in_degrees = _crs.is_geographic(source.crs) and b == 0.0 and d == 0.0
        turn = 360.0 / abs(a) if is_in_degrees else 0.0
        mesh = cls(target, source, 0, turn, source.cols / 2, (0.0, 0.0, 0.0, 0.0))
        row, col = target.rows / 2, target.cols / 2
        if is_periodic and turn:
            u, _ = mesh._project_raw(np.array([col]), np.array([row]))
            if np.isfinite(u[0]):
                mesh = cls(target, source, 0, turn, float(u[0]), mesh.jacobian)
        u, v = mesh.project(np.array([col, col + 1, col]), np.array([row, row, row + 1]))
        slopes = (u[1] - u[0], u[2] - u[0], v[1] - v[0], v[2] - v[0])
        # rounded, so that equal CRSs give whole ratios without the subtraction's rounding
        a, b, c, d = (round(float(slope), 9) if math.isfinite(slope) else 1.0 for slope in slopes)
        mesh = cls(target, source, 0, turn, mesh.middle, (a, b, c, d))
        return cls(target, source, mesh._widest_step(), turn, mesh.middle, mesh.jacobian)

    def _project_raw(self, u: Float64Array, v: Float64Array) -> tuple[Float64Array, Float64Array]:
        x, y = self.target.xy(u, v)
        if not _crs.same(self.target.crs, self.source.crs):
            x, y = _crs.transformer(self.target.crs, self.source.crs).transform(x, y)
        with np.errstate(invalid="ignore"):
            us, vs = self.source.uv(np.asarray(x, np.float64), np.asarray(y, np.float64))
        return us, vs

    def project(self, u: Float64Array, v: Float64Array) -> tuple[Float64Array, Float64Array]:
        """Return source cell coordinates of analysis cell coordinates, each point exactly by the projection."""
        us, vs = self._project_raw(u, v)
        if self.turn:
            with np.errstate(invalid="ignore"):
                us = us + self.turn * np.round((self.middle - us) / self.turn)
        is_lost = ~(np.isfinite(us) & np.isfinite(vs))
        us[is_lost] = np.inf
        vs[is_lost] = np.inf
        return us, vs

    def _is_misfit(self, u: Float64Array, v: Float64Array) -> npt.NDArray[np.bool_]:
        """Return a mask of squares whose interpolation fails; u and v are on the half-step lattice (2n+1, 2m+1)."""
        is_bad = None
        for w in (u, v):
            corners = w[::2, ::2]
            with np.errstate(invalid="ignore"):
                down = (corners[:-1] + corners[1:]) / 2
                across = (corners[:, :-1] + corners[:, 1:]) / 2
                centre = (down[:, :-1] + down[:, 1:]) / 2
                error_down = np.abs(w[1::2, ::2] - down)
                error_across = np.abs(w[::2, 1::2] - across)
                error = np.maximum(np.abs(w[1::2, 1::2] - centre), np.maximum(error_down[:, :-1], error_down[:, 1:]))
                error = np.maximum(error, np.maximum(error_across[:-1], error_across[1:]))
                is_bad_along = ~(error <= TOLERANCE)  # a NaN fails too
            is_bad = is_bad_along if is_bad is None else is_bad | is_bad_along
        assert is_bad is not None
        return is_bad

    def _lattice(self, row: int, col: int, down: int, across: int, step: int) -> tuple[Float64Array, Float64Array]:
        half = step / 2
        cols, rows = np.meshgrid(col + half * np.arange(2 * across + 1), row + half * np.arange(2 * down + 1))
        u, v = self.project(cols.ravel(), rows.ravel())
        return u.reshape(cols.shape), v.reshape(cols.shape)

    def _widest_step(self) -> int:
        """Return the widest step that three of four sampled squares pass; the others are computed exactly."""
        for step in _STEPS:
            n_tried = n_failed = 0
            for i in range(7):
                for j in range(7):
                    row = int(self.target.rows * i / 7) // step * step
                    col = int(self.target.cols * j / 7) // step * step
                    n_failed += int(self._is_misfit(*self._lattice(row, col, 1, 1, step)).any())
                    n_tried += 1
            if n_failed * 4 <= n_tried:
                return step
        return 0

    def coordinates(self, window: Window) -> Coordinates:
        """Return the coordinates for every square that holds a cell of the window."""
        step = self.step or _STEPS[-1]
        first_row, first_col = window.row // step * step, window.col // step * step
        down = -(-(window.row + window.rows - first_row) // step)
        across = -(-(window.col + window.cols - first_col) // step)
        u, v = self._lattice(first_row, first_col, down, across, step)
        is_bad = self._is_misfit(u, v) if self.step else np.ones((down, across), bool)
        exact = np.full((down, across), -1, np.int32)
        squares = np.argwhere(is_bad)
        exact[is_bad] = np.arange(len(squares), dtype=np.int32)
        cells = np.arange(step) + 0.5
        rows = (first_row + squares[:, :1] * step + cells)[:, :, None] + np.zeros(step)
        cols = (first_col + squares[:, 1:] * step + cells)[:, None, :] + np.zeros((step, 1))
        eu, ev = self.project(cols.ravel(), rows.ravel())
        shape = (len(squares), step, step)
        u, v = np.ascontiguousarray(u[::2, ::2]), np.ascontiguousarray(v[::2, ::2])
        return Coordinates(first_row, first_col, step, u, v, exact, eu.reshape(shape), ev.reshape(shape))
