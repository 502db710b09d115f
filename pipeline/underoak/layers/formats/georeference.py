"""Coordinate system and grid of a raster, resolved and checked before a cell is read."""

from __future__ import annotations

import math
from functools import lru_cache

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.layers.layer_request import LayerRequest


def resolve_crs(in_file: str, request: LayerRequest, problems: Problems) -> str | None:
    """Return the CRS of a layer: the plan's, else the file's; None when a fault was added.

    E201 neither states one, E202 unknown or local, W203 the two differ (the plan is followed).
    """
    if request.crs:
        try:
            plan_crs = crs_text(request.crs)
        except UnderoakError as error:
            _add_faults(error, request, problems)
            return None
        if in_file and not _is_same_crs(in_file, plan_crs):
            what = f"the file is in {_crs_name(in_file)}, the plan has {_crs_name(request.crs)}: the plan is followed"
            problems.add("W203", what, request.where, f'remove "crs:" under {request.key} if the file is right')
        return plan_crs
    if not in_file:
        fix = f'find out which one it is and add "crs:" under {request.key}, such as "crs: EPSG:4326"'
        problems.add("E201", "no coordinate reference system", request.where, fix)
        return None
    try:
        return crs_text(in_file)
    except UnderoakError as error:
        _add_faults(error, request, problems)
        return None


@lru_cache(maxsize=64)
def crs_text(text: str) -> str:
    """Return the shortest text for the same horizontal CRS: an authority code where there is an exact one, else WKT.

    >>> crs_text('EPSG:4979'), crs_text("EPSG:25831+5782")
    ('EPSG:4326', 'EPSG:25831')
    """
    parsed = _crs.parse(text)
    authority = parsed.to_authority(min_confidence=100)
    if authority:
        code = ":".join(authority)
        if _crs.parse(code).equals(parsed, ignore_axis_order=True):
            return code
    return str(parsed.to_wkt())


def check_grid(grid: Grid, request: LayerRequest, problems: Problems) -> bool:
    """Return whether the grid's cells have an area and lie where its CRS is defined; add E222 or E206 if not."""
    a, b, c, d, e, f = grid.transform
    area = a * e - b * d
    if not all(map(math.isfinite, grid.transform)) or area == 0.0:
        what = f"its cells have no size (geotransform {c:g}, {a:g}, {b:g}, {f:g}, {d:g}, {e:g})"
        problems.add("E222", what, request.where, "correct the georeferencing in the file")
        return False
    if not _crs.is_geographic(grid.crs):
        return True
    west, south, east, north = grid.bounds
    margin = max(grid.cell_size)
    if max(abs(west), abs(east)) > 540.0 + margin or max(abs(south), abs(north)) > 90.0 + margin:
        what = f"{_crs_name(grid.crs)} is in degrees, but the cells lie at x {west:g}..{east:g}, y {south:g}..{north:g}"
        problems.add("E206", what, request.where, f'give the true one as "crs:" under {request.key}')
        return False
    return True


def is_global(grid: Grid) -> bool:
    """Return whether the columns go once round the Earth.

    >>> is_global(Grid("EPSG:4326", (0.25, 0.0, 0.0, 0.0, -0.25, 90.0), 720, 1440))
    True
    """
    a, b, _, d, _, _ = grid.transform
    return b == 0.0 and d == 0.0 and _crs.is_geographic(grid.crs) and abs(grid.cols * abs(a) - 360.0) <= 1e-6


def describe_grid(grid: Grid) -> str:
    """Return size, cell size and origin of a grid as text.

    >>> describe_grid(Grid.north_up("EPSG:25831", 400_000, 4_600_000, 30, 20, 10))
    '20 x 10 cells of 30 x 30 from 400000, 4.6e+06'
    """
    across, down = grid.cell_size
    left, _, _, top = grid.bounds
    return f"{grid.rows} x {grid.cols} cells of {across:g} x {down:g} from {left:g}, {top:g}"


def check_inside(window: Window, grid: Grid) -> None:
    """Raise ValueError unless a window has cells and lies inside a grid."""
    if window.is_empty or window != window.clip(*grid.shape):
        raise ValueError(f"{window} does not lie inside a grid of {grid.shape}")


def _is_same_crs(in_file: str, plan_crs: str) -> bool:
    try:
        return _crs.same(crs_text(in_file), plan_crs)
    except UnderoakError:
        return False


def _crs_name(text: str) -> str:
    try:
        parsed = _crs.parse(text)
    except UnderoakError:
        return f'"{text[:60]}"'
    authority = parsed.to_authority(min_confidence=100)
    return ":".join(authority) if authority else f'"{parsed.name}"'


def _add_faults(error: UnderoakError, request: LayerRequest, problems: Problems) -> None:
    for fault in error.faults:
        problems.add(fault.code, fault.what, request.where, fault.fix.replace("`crs:`", f'"crs:" under {request.key}'))
