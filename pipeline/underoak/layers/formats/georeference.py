"""Where a raster lies: its coordinate system and its grid, checked before a cell is read."""

from __future__ import annotations

import math
from functools import lru_cache

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid
from underoak.layers.layer_request import LayerRequest


def resolve_crs(in_file: str, asked: LayerRequest, problems: Problems) -> str | None:
    """The CRS of a layer: the plan's word, else the file's; None when a fault was added.

    E201 nobody says, E202 unknown or local, W203 the two differ (the plan is followed).
    """
    if asked.crs:
        try:
            wanted = crs_text(asked.crs)
        except UnderoakError as error:
            _take(error, asked, problems)
            return None
        if in_file and not _agrees(in_file, wanted):
            what = f"the file says {_name(in_file)}, the plan says {_name(asked.crs)}: the plan is followed"
            problems.add("W203", what, asked.where, f'remove "crs:" under {asked.key} if the file is right')
        return wanted
    if not in_file:
        fix = f'find out which one it is and add "crs:" under {asked.key}, such as "crs: EPSG:4326"'
        problems.add("E201", "no coordinate reference system", asked.where, fix)
        return None
    try:
        return crs_text(in_file)
    except UnderoakError as error:
        _take(error, asked, problems)
        return None


@lru_cache(maxsize=64)
def crs_text(text: str) -> str:
    """The shortest text that names the same horizontal CRS: an authority code where there is an exact one, else WKT.

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


def check_grid(grid: Grid, asked: LayerRequest, problems: Problems) -> bool:
    """True when the grid's cells have an area and lie where its CRS has ground: E222, E206."""
    a, b, c, d, e, f = grid.transform
    area = a * e - b * d
    if not all(map(math.isfinite, grid.transform)) or area == 0.0:
        what = f"its cells have no size (geotransform {c:g}, {a:g}, {b:g}, {f:g}, {d:g}, {e:g})"
        problems.add("E222", what, asked.where, "correct the georeferencing in the file")
        return False
    if not _crs.is_geographic(grid.crs):
        return True
    left, bottom, right, top = grid.bounds
    rim = max(grid.cell_size)
    if max(abs(left), abs(right)) > 540.0 + rim or max(abs(bottom), abs(top)) > 90.0 + rim:
        what = f"{_name(grid.crs)} counts in degrees, but the cells lie at x {left:g}..{right:g}, y {bottom:g}..{top:g}"
        problems.add("E206", what, asked.where, f'give the true one as "crs:" under {asked.key}')
        return False
    return True


def is_global(grid: Grid) -> bool:
    """True when the columns go once round the Earth.

    >>> is_global(Grid("EPSG:4326", (0.25, 0.0, 0.0, 0.0, -0.25, 90.0), 720, 1440))
    True
    """
    a, b, _, d, _, _ = grid.transform
    return b == 0.0 and d == 0.0 and _crs.is_geographic(grid.crs) and abs(grid.cols * abs(a) - 360.0) <= 1e-6


def _agrees(in_file: str, wanted: str) -> bool:
    try:
        return _crs.same(crs_text(in_file), wanted)
    except UnderoakError:
        return False


def _name(text: str) -> str:
    try:
        parsed = _crs.parse(text)
    except UnderoakError:
        return f'"{text[:60]}"'
    authority = parsed.to_authority(min_confidence=100)
    return ":".join(authority) if authority else f'"{parsed.name}"'


def _take(error: UnderoakError, asked: LayerRequest, problems: Problems) -> None:
    for fault in error.faults:
        problems.add(fault.code, fault.what, asked.where, fault.fix.replace("`crs:`", f'"crs:" under {asked.key}'))
