"""The region of a plan: the analysis grid, and the outline inside it that is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.base import crs as _crs
from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.indicators import cell_areas
from underoak.layers.formats.vector import read_features
from underoak.layers.shapes.coverage import Edges, polygon_edges

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely.geometry.base import BaseGeometry

    from underoak.plan.keys.region import RegionSpec

_ON_EQUATOR = 1e-6  # degrees
_MOST_POINTS, _MOST_PARTS = 1000, 500  # of an outline for catalogues
_MAX_AREA_DEVIATION = 0.02  # share by which a cell's true area may differ from its nominal one without a warning


@dataclass(frozen=True)
class Region:
    """A region: the analysis grid, and the outline inside it that is judged; without an outline all of it."""

    grid: Grid
    outline: Edges | None
    latitude: float  # of the middle of the grid [degree]
    latitudes: tuple[float, float]  # the southernmost and the northernmost of the region's bounds [degree]
    simple_outline: Any = None  # the outline for catalogues, one geometry in the grid's coordinate system

    @property
    def is_south(self) -> bool:
        """True south of the equator, where summer is December to February."""
        return self.latitude < 0

    @property
    def crosses_equator(self) -> bool:
        """True when it lies on both sides of the equator, so that no month has one season in all of it."""
        return self.latitudes[0] < -_ON_EQUATOR and self.latitudes[1] > _ON_EQUATOR


def read_region(spec: RegionSpec, base: Path, max_cells: float, problems: Problems) -> Region | None:
    """Return the region of a plan; None when a fault was added.

    The grid's lines run through `snap`, and the grid is the smallest that holds the area.
    """
    try:
        unit = _crs.unit_m(spec.crs)
        if unit == 0.0:
            what = f"{spec.crs} is in degrees, and the analysis grid needs cells of one size in metres"
            fix = "use a projected one, such as your country's grid or the UTM zone"
            raise UnderoakError(Fault("E205", what, "region.crs", fix))
        west, south, east, north, outline = _read_extent(spec, base, problems)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    cell = spec.cell_m / unit
    snap_x, snap_y = spec.snap
    first_col, last_col = _grid_lines(west, east, snap_x, cell)
    first_row, last_row = _grid_lines(south, north, snap_y, cell)
    rows, cols = last_row - first_row, last_col - first_col
    if rows * cols > max_cells:
        what = f"{rows:,} x {cols:,} cells are more than trust.max_cells allows ({max_cells:,.0f})".replace(",", " ")
        problems.add("E510", what, "region", "use larger cells or a smaller area, or raise trust.max_cells")
        return None
    grid = Grid.north_up(spec.crs, snap_x + first_col * cell, snap_y + last_row * cell, cell, rows, cols)
    to_degrees = _crs.transformer(spec.crs, "EPSG:4326")
    longitude, latitude = to_degrees.transform(*grid.xy(cols / 2, rows / 2))
    if not (math.isfinite(longitude) and math.isfinite(latitude)):
        problems.add("E206", f"{spec.crs} is not defined where the area lies", "region", "check region.crs")
        return None
    _warn_of_areas(grid, problems)
    edges = None if outline is None else polygon_edges(outline.geometry.to_numpy(), grid)
    _, south, _, north = to_degrees.transform_bounds(west, south, east, north, densify_pts=21)
    simple = None if outline is None else _simplified(outline.geometry.to_numpy(), grid)
    return Region(grid, edges, float(latitude), (float(south), float(north)), simple)


def _simplified(shapes: Any, grid: Grid) -> BaseGeometry:
    """Return polygons as one, simplified to half a cell, and further if it has many points."""
    import shapely

    tolerance = min(grid.cell_size) / 2
    parts = shapely.make_valid(shapely.simplify(shapes, tolerance))
    outline: BaseGeometry = shapely.union_all(parts if len(parts) <= _MOST_PARTS else shapely.envelope(parts))
    while shapely.get_num_coordinates(outline) > _MOST_POINTS:
        tolerance *= 2
        outline = shapely.make_valid(shapely.simplify(outline, tolerance))
        if tolerance > grid.rows * grid.cell_size[0]:
            outline = shapely.envelope(outline)
    return outline


def _read_extent(
    spec: RegionSpec, base: Path, problems: Problems
) -> tuple[float, float, float, float, gpd.GeoDataFrame | None]:
    if spec.area is None:
        assert spec.bounds is not None
        _refuse_degrees(spec)
        west, south, east, north = spec.bounds
        return west, south, east, north, None
    features = read_features(base / spec.area, spec.features, spec.crs, where="region.area", problems=problems)
    west, south, east, north = map(float, features.total_bounds)
    return west, south, east, north, features


def _refuse_degrees(spec: RegionSpec) -> None:
    """Refuse bounds that are degrees, and propose them in the units of the CRS.

    Raises:
        UnderoakError: E206 when all bounds could be longitudes and latitudes in the area of the CRS.
    """
    assert spec.bounds is not None
    west, south, east, north = spec.bounds
    if max(abs(west), abs(east)) > 180.0 or max(abs(south), abs(north)) > 90.0:
        return
    bounds = _crs.transformer("EPSG:4326", spec.crs).transform_bounds(west, south, east, north, densify_pts=21)
    if not (all(map(math.isfinite, bounds)) and _crs.is_in_use(spec.crs, west, south, east, north)):
        return
    cell = spec.cell_m / _crs.unit_m(spec.crs)
    rounded = ", ".join(f"{math.floor(bound / cell) * cell:.0f}" for bound in bounds)
    what = f"the bounds look like degrees, and {spec.crs} measures in units of {_crs.unit_m(spec.crs):g} m"
    raise UnderoakError(Fault("E206", what, "region.bounds", f"write about [{rounded}]"))


def _grid_lines(low: float, high: float, snap: float, cell: float) -> tuple[int, int]:
    """Return the first and last grid line around low..high, counted from the snap; at least one cell apart."""
    slack = 1e-6  # cells: an edge that lies on a line does not open another cell
    first, last = math.floor((low - snap) / cell + slack), math.ceil((high - snap) / cell - slack)
    return first, max(last, first + 1)


def _warn_of_areas(grid: Grid, problems: Problems) -> None:
    window = grid.window
    middle = type(window)(window.rows // 2, window.cols // 2, 1, 1)
    nominal = grid.cell_m**2
    deviation = float(cell_areas(grid, middle)[0, 0]) / nominal - 1.0
    if abs(deviation) > _MAX_AREA_DEVIATION:
        more = "larger" if deviation > 0 else "smaller"
        what = f"a cell of {grid.crs} is {abs(deviation):.0%} {more} on the ground than its side gives"
        problems.add("W209", what, "region.crs", "use a local or an equal-area grid")
