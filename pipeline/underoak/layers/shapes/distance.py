"""Distance to the nearest of some shapes, as a source on the analysis grid itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from underoak.base import crs as _crs
from underoak.base.errors import Problems, count_of
from underoak.base.grid import Grid, Window
from underoak.indicators import cell_metres
from underoak.indicators.cell_frame import frame
from underoak.layers.formats.vector import read_features, vector_files
from underoak.layers.shapes import coverage
from underoak.layers.source import Reading, SourceFacts

Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ShapeDistance:
    """Metres from each cell's centre to the nearest shape, 0 inside polygons, `within` where none is nearer."""

    grid: Grid
    facts: SourceFacts
    features: str | None
    crs: str
    within: float
    segments: Doubles = field(compare=False, repr=False)  # ends in cell coordinates, (n, 4): u, v, u, v
    inside: coverage.Edges = field(compare=False, repr=False)
    is_periodic: bool = False
    months: tuple[int, ...] = ()

    def read(self, window: Window) -> Reading:
        """Exact in true metres, measured by the sides of the cell it starts from."""
        from underoak.layers.shapes import distance_kernels as kernels

        within = coverage.covers_centre(self.inside, window)
        out = np.full(window.shape, np.nan, np.float32)
        for strip in cell_metres(self.grid, window):
            steps = frame(window.rows, strip.dx, strip.dy, strip.corner)
            part = Window(window.row, window.col + strip.start, window.rows, strip.stop - strip.start)
            cols = slice(strip.start, strip.stop)
            near = _near(self.segments, part, _cells(self.within, steps))
            kernels.nearest(near, steps, part.row, part.col, self.within, within[:, cols], out[:, cols])
        return Reading(out)


def open_distance(
    where: str, file: Path, features: str | None, crs: str, within: float, grid: Grid, problems: Problems
) -> ShapeDistance:
    """The distance to the shapes of a file, on the analysis grid; shapes that no cell can be near to are left out.

    Raises:
        UnderoakError: as `read_features`.
    """
    frame_of = read_features(file, features, grid.crs, problems=problems, where=where, crs=crs or None, any_kind=True)
    shapes = frame_of.geometry.to_numpy()
    reach = within / _crs.unit_m(grid.crs) * 1.5 * grid.cell_m / _least_side(grid)
    left, bottom, right, top = grid.bounds
    near = shapely.box(left - reach, bottom - reach, right + reach, top + reach)
    shapes = shapes[shapely.intersects(shapes, near)]
    facts = SourceFacts(
        path=str(file),
        format="shapes",
        dtype="float32",
        stored_unit="m",
        unit="m",
        decoding=f"distance in true metres to the nearest of {count_of(len(shapes), 'shape')} in reach, "
        f"{within:g} m at most",
        files=vector_files(file),
    )
    parts = _parts(shapes)
    polygons = parts[np.isin(shapely.get_type_id(parts), (3,))]
    inside = coverage.polygon_edges(polygons, grid)
    return ShapeDistance(grid, facts, features, crs, within, _segments(parts, grid), inside)


def _parts(shapes: Any) -> Any:
    """Single points, lines and polygons."""
    parts = np.asarray(shapes, dtype=object)
    while len(parts) and (shapely.get_type_id(parts) > 3).any():
        parts = shapely.get_parts(parts)
    return parts


def _segments(parts: Any, grid: Grid) -> Doubles:
    """Straight pieces of outlines and lines in cell coordinates; a point is a piece without length, (n, 4)."""
    kinds = shapely.get_type_id(parts)
    lines = np.concatenate([parts[np.isin(kinds, (1, 2))], shapely.get_rings(parts[kinds == 3])])
    xy, owner = shapely.get_coordinates(lines, return_index=True)
    follows = owner[1:] == owner[:-1]
    points = shapely.get_coordinates(parts[kinds == 0])
    ends = [np.concatenate([xy[:-1][follows], points]), np.concatenate([xy[1:][follows], points])]
    return np.ascontiguousarray(np.column_stack([w for xs in ends for w in grid.uv(xs[:, 0], xs[:, 1])]))


def _least_side(grid: Grid) -> float:
    """The shortest true side of cells here and there on the grid [m]."""
    places = [(grid.rows - 1) * i // 4 for i in range(5)], [(grid.cols - 1) * i // 4 for i in range(5)]
    strips = [cell_metres(grid, Window(row, col, 1, 1))[0] for row in places[0] for col in places[1]]
    return float(np.nanmin([abs(side[0]) for strip in strips for side in (strip.dx, strip.dy)]))


def _cells(metres: float, steps: Doubles) -> int:
    """Cells that so many metres reach over at most."""
    sides = np.abs(steps[:, (0, 2)])
    lean = np.abs(steps[:, 2]) / np.hypot(steps[:, 1], steps[:, 2])
    with np.errstate(all="ignore"):
        cells = metres / (sides * lean[:, None])
    return math.ceil(np.max(cells, where=np.isfinite(cells), initial=0.0)) + 1


def _near(segments: Doubles, window: Window, cells: int) -> Doubles:
    """The pieces whose boxes come within so many cells of a window."""
    u, v = segments[:, (0, 2)], segments[:, (1, 3)]
    near = (u.max(axis=1) >= window.col - cells) & (u.min(axis=1) <= window.col + window.cols + cells)
    near &= (v.max(axis=1) >= window.row - cells) & (v.min(axis=1) <= window.row + window.rows + cells)
    return np.ascontiguousarray(segments[near])
