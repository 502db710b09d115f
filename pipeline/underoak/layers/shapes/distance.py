"""The distance to the nearest of some shapes, as a source on the analysis grid."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely

from underoak.base import crs as _crs
from underoak.base.errors import Problems, count_of
from underoak.base.grid import Grid, Window
from underoak.indicators import cell_metres
from underoak.indicators.cell_frame import frame
from underoak.layers.formats.vector import Shapes, read_features, vector_files
from underoak.layers.shapes import coverage
from underoak.layers.source import Reading, SourceFacts

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ShapeDistance:
    """A source of distances [m] from cell centres to the nearest shape, 0 inside polygons, `max_distance` at most."""

    grid: Grid
    facts: SourceFacts
    features: str | None
    crs: str
    max_distance: float  # [m]
    segments: Doubles = field(compare=False, repr=False)  # ends in cell coordinates, (n, 4): u, v, u, v
    inside: coverage.Edges = field(compare=False, repr=False)
    is_periodic: bool = False
    months: tuple[int, ...] = ()

    def read(self, window: Window) -> Reading:
        """Compute the distances [m] of a window, exact in true metres, measured by the sides of the cell itself."""
        from underoak.layers.shapes import distance_kernels as kernels

        is_inside = coverage.covers_centre(self.inside, window)
        out = np.full(window.shape, np.nan, np.float32)
        for strip in cell_metres(self.grid, window):
            steps = frame(window.rows, strip.dx, strip.dy, strip.corner)
            part = Window(window.row, window.col + strip.start, window.rows, strip.stop - strip.start)
            cols = slice(strip.start, strip.stop)
            nearby = _nearby_segments(self.segments, part, _reach_cells(self.max_distance, steps))
            kernels.nearest(nearby, steps, part.row, part.col, self.max_distance, is_inside[:, cols], out[:, cols])
        return Reading(out)


def open_distance(
    where: str, file: Path, features: str | None, crs: str, max_distance: float, grid: Grid, problems: Problems
) -> ShapeDistance:
    """Open the distance to the shapes of a file, on the analysis grid; shapes that lie too far away are left out.

    Raises:
        UnderoakError: as `read_features`.
    """
    table = read_features(file, features, grid.crs, problems=problems, where=where, crs=crs or None, any_kind=True)
    shapes = table.geometry.to_numpy()
    reach = max_distance / _crs.unit_m(grid.crs) * 1.5 * grid.cell_m / _shortest_side(grid)
    west, south, east, north = grid.bounds
    near = shapely.box(west - reach, south - reach, east + reach, north + reach)
    shapes = shapes[shapely.intersects(shapes, near)]
    facts = SourceFacts(
        path=str(file),
        format="shapes",
        dtype="float32",
        stored_unit="m",
        unit="m",
        decoding=f"distance in true metres to the nearest of {count_of(len(shapes), 'shape')} in reach, "
        f"{max_distance:g} m at most",
        files=vector_files(file),
    )
    parts = _parts(shapes)
    polygons = parts[np.isin(shapely.get_type_id(parts), (3,))]
    inside = coverage.polygon_edges(polygons, grid)
    return ShapeDistance(grid, facts, features, crs, max_distance, _segments(parts, grid), inside)


def _parts(shapes: Shapes) -> Shapes:
    """Split shapes into single points, lines and polygons."""
    parts = np.asarray(shapes, dtype=object)
    while len(parts) and (shapely.get_type_id(parts) > 3).any():
        parts = shapely.get_parts(parts)
    return parts


def _segments(parts: Shapes, grid: Grid) -> Doubles:
    """Return straight pieces of outlines and lines in cell coordinates, (n, 4); a point is a piece without length."""
    kinds = shapely.get_type_id(parts)
    lines = np.concatenate([parts[np.isin(kinds, (1, 2))], shapely.get_rings(parts[kinds == 3])])
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    is_same_line = owner[1:] == owner[:-1]
    points = shapely.get_coordinates(parts[kinds == 0])
    ends = [np.concatenate([xy[:-1][is_same_line], points]), np.concatenate([xy[1:][is_same_line], points])]
    return np.ascontiguousarray(np.column_stack([w for xs in ends for w in grid.uv(xs[:, 0], xs[:, 1])]))


def _shortest_side(grid: Grid) -> float:
    """Return the shortest true side [m] of 25 cells spread over the grid."""
    samples = [(grid.rows - 1) * i // 4 for i in range(5)], [(grid.cols - 1) * i // 4 for i in range(5)]
    strips = [cell_metres(grid, Window(row, col, 1, 1))[0] for row in samples[0] for col in samples[1]]
    return float(np.nanmin([abs(side[0]) for strip in strips for side in (strip.dx, strip.dy)]))


def _reach_cells(metres: float, steps: Doubles) -> int:
    """Return the cells that a distance reaches over at most."""
    sides = np.abs(steps[:, (0, 2)])
    lean = np.abs(steps[:, 2]) / np.hypot(steps[:, 1], steps[:, 2])
    with np.errstate(all="ignore"):
        cells = metres / (sides * lean[:, None])
    return math.ceil(np.max(cells, where=np.isfinite(cells), initial=0.0)) + 1


def _nearby_segments(segments: Doubles, window: Window, cells: int) -> Doubles:
    """Return the pieces whose boxes come within so many cells of a window."""
    u, v = segments[:, (0, 2)], segments[:, (1, 3)]
    near = (u.max(axis=1) >= window.col - cells) & (u.min(axis=1) <= window.col + window.cols + cells)
    near &= (v.max(axis=1) >= window.row - cells) & (v.min(axis=1) <= window.row + window.rows + cells)
    return np.ascontiguousarray(segments[near])
