"""The topographic wetness index, which needs all of a height model at once."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.errors import Fault, UnderoakError
from underoak.indicators.cell_frame import Doubles, frame, gradient_matrix, heights
from underoak.indicators.cell_size import CellSizes

NOWHERE, STAYS = 247, 0  # codes of ways, besides the powers of two
LEAST_SLOPE = 0.1  # degree: level land counts as this steep, or its index would be infinite


def wetness_index(elevation: FloatArray, strips: Sequence[CellSizes]) -> FloatArray:
    """Return ln(a / tan slope), (rows, cols); a is the area that drains through a cell per metre of width [m].

    Hollows are filled to their lowest way out. Water goes to the one neighbour down the steepest fall (D8: one of eight
    directions), on filled cells the way they were filled from. A cell's width is the root of its area. The slope is
    Horn's, of the filled heights, 0.1 degree at least. Water from beyond the edge is unknown and does not count;
    the rim is missing. Figures depend on the size of the cells. `strips` are the sizes of the cells, from
    `cell_metres`.

    Source: Beven and Kirkby 1979, from memory; the least slope is common practice, no source.

    >>> from underoak.base.grid import Grid
    >>> from underoak.indicators import cell_metres
    >>> grid = Grid.north_up("EPSG:25831", 500_000.0, 4_600_000.0, 10.0, 5, 12)
    >>> falls_east = np.tile(np.float32(100) - np.arange(12, dtype="float32"), (5, 1))
    >>> result = wetness_index(falls_east, cell_metres(grid, grid.window))  # ten cells drain through the tenth
    >>> bool(abs(result[2, 9] - np.log(10 * 10 / 0.1)) < 1e-3)
    True

    Raises:
        UnderoakError: E521 when the package that fills hollows is not installed.
    """
    from underoak.indicators.terrain import wetness_kernels as kernels

    z = heights(elevation)
    filled, ways = _filled(z)
    areas = np.full(z.shape, np.nan)
    for strip in strips:
        steps = frame(z.shape[0], strip.dx, strip.dy, strip.corner)
        kernels.steepest(filled, steps, strip.start, strip.stop, ways)
        areas[:, strip.start : strip.stop] = np.abs(steps[:, 0] * steps[:, 2])[:, None]
    ways[~np.isfinite(areas) | np.isnan(filled)] = NOWHERE
    drained = _drained(ways, np.nan_to_num(areas))
    low = np.float64(np.tan(np.deg2rad(LEAST_SLOPE)))
    out = np.full(z.shape, np.nan, np.float32)
    for strip in strips:
        ground = gradient_matrix(z.shape[0], *strip.sides)
        kernels.index(filled, ground, drained, areas, low, strip.start, strip.stop, out)
    return out


def _filled(z: FloatArray) -> tuple[Doubles, Any]:
    """Return heights without hollows, and for each cell the direction it was filled from, one of eight."""
    try:
        fill_depressions = import_module("pyflwdir.dem").fill_depressions
    except ImportError as error:
        what = "the wetness index needs the package pyflwdir, which is not installed"
        raise UnderoakError(Fault("E521", what, fix='pip install "underoak[hydro]"')) from error
    # float32 heights as float64, so that filling adds and takes away without rounding
    filled, ways = fill_depressions(z.astype(np.float64), nodata=np.nan)
    return np.asarray(filled, np.float64), np.asarray(ways, np.uint8)


def _drained(ways: Any, areas: Doubles) -> Doubles:
    """Return the area that drains through each cell, itself included [m2]."""
    if np.isin(ways, (STAYS, NOWHERE)).all():
        return areas
    directions = import_module("pyflwdir").from_array(ways, ftype="d8", check_ftype=False)
    return np.asarray(directions.accuflux(areas, nodata=-1.0), np.float64)
