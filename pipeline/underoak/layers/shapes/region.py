"""The analysis grid of a plan: where the judged ground lies, and in which cells."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from underoak.base import crs as _crs
from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.indicators import cell_areas
from underoak.layers.formats.vector import read_features
from underoak.layers.shapes.coverage import Edges, polygon_edges

_ON_EQUATOR = 1e-6  # degrees
_AREA_OFF = 0.02  # share by which a cell's true area may differ from its nominal one before it is told


@dataclass(frozen=True)
class Region:
    """The analysis grid, and the outline inside it that is judged; no outline: all of it."""

    grid: Grid
    outline: Edges | None
    latitude: float  # of the middle of the grid [degree]
    latitudes: tuple[float, float]  # the southernmost and the northernmost of the region's frame [degree]

    @property
    def is_south(self) -> bool:
        """True south of the equator, where summer is December to February."""
        return self.latitude < 0

    @property
    def crosses_equator(self) -> bool:
        """True when it lies on both sides of the equator, so that no month has one season in all of it."""
        return self.latitudes[0] < -_ON_EQUATOR and self.latitudes[1] > _ON_EQUATOR


def read_region(spec: Any, base: Path, max_cells: float, problems: Problems) -> Region | None:
    """The region a plan describes; None when a fault was added instead.

    The grid's lines run through `snap`, and the grid is the smallest that holds the area.
    """
    try:
        unit = _crs.unit_m(spec.crs)
        if unit == 0.0:
            what = f"{spec.crs} is in degrees, and the analysis grid needs cells of one size on the ground"
            fix = "take a projected one, such as your country's grid or the UTM zone"
            raise UnderoakError(Fault("E205", what, "region.crs", fix))
        left, bottom, right, top, outline = _extent(spec, base, problems)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    cell = spec.cell_m / unit
    snap_x, snap_y = spec.snap
    first_col, last_col = _lines(left, right, snap_x, cell)
    first_row, last_row = _lines(bottom, top, snap_y, cell)
    rows, cols = last_row - first_row, last_col - first_col
    if rows * cols > max_cells:
        what = f"{rows:,} x {cols:,} cells are more than trust.max_cells allows ({max_cells:,.0f})".replace(",", " ")
        problems.add("E510", what, "region", "take larger cells or a smaller area, or raise trust.max_cells")
        return None
    grid = Grid.north_up(spec.crs, snap_x + first_col * cell, snap_y + last_row * cell, cell, rows, cols)
    to_degrees = _crs.transformer(spec.crs, "EPSG:4326")
    longitude, latitude = to_degrees.transform(*grid.xy(cols / 2, rows / 2))
    if not (math.isfinite(longitude) and math.isfinite(latitude)):
        problems.add("E206", f"{spec.crs} says nothing of the place the area lies at", "region", "check region.crs")
        return None
    _warn_of_areas(grid, problems)
    edges = None if outline is None else polygon_edges(outline.geometry.to_numpy(), grid)
    _, south, _, north = to_degrees.transform_bounds(left, bottom, right, top, densify_pts=21)
    return Region(grid, edges, float(latitude), (float(south), float(north)))


def _extent(spec: Any, base: Path, problems: Problems) -> tuple[float, float, float, float, Any]:
    if spec.area is None:
        left, bottom, right, top = spec.bounds
        return left, bottom, right, top, None
    features = read_features(base / spec.area, spec.features, spec.crs, where="region.area", problems=problems)
    left, bottom, right, top = map(float, features.total_bounds)
    return left, bottom, right, top, features


def _lines(low: float, high: float, snap: float, cell: float) -> tuple[int, int]:
    """First and last grid line around low..high, counted from the snap; at least one cell."""
    slack = 1e-6  # cells: an edge that lies on a line does not open another cell
    first, last = math.floor((low - snap) / cell + slack), math.ceil((high - snap) / cell - slack)
    return first, max(last, first + 1)


def _warn_of_areas(grid: Grid, problems: Problems) -> None:
    window = grid.window
    middle = type(window)(window.rows // 2, window.cols // 2, 1, 1)
    nominal = grid.cell_m**2
    off = float(cell_areas(grid, middle)[0, 0]) / nominal - 1.0
    if abs(off) > _AREA_OFF:
        more = "larger" if off > 0 else "smaller"
        what = f"a cell of {grid.crs} is {abs(off):.0%} {more} on the ground than its side says"
        problems.add("W209", what, "region.crs", "take a local or an equal-area grid")
