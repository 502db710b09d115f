"""Whether indicators can look as far around as a plan asks, and hold at the latitudes of its region."""

from __future__ import annotations

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Grid, Window
from underoak.indicators import Indicator, cell_metres, halo_cells, latitudes
from underoak.layers.stack import Stack, StackedLayer

MOST_CELLS = 2000  # to every side: what is read of a file for one tile has to fit in memory


def check_range(stack: Stack, layer: StackedLayer, problems: Problems) -> None:
    """Tell of a reach of less than a cell or of too many (E355), and of latitudes that are too high (E356, W356)."""
    indicator = layer.source_layer.indicator
    if indicator is None:
        return
    where = f"layers.{layer.name}"
    if indicator.reach:
        _check_reach(stack, layer, indicator, where, problems)
    if indicator.most_latitude < 90.0:
        _check_latitude(stack.grid, indicator, where, problems)


def _check_reach(stack: Stack, layer: StackedLayer, indicator: Indicator, where: str, problems: Problems) -> None:
    settings, grid = dict(layer.source_layer.settings), layer.source_layer.grid
    region = stack.region_window(layer).clip(*grid.shape)
    if region.is_empty:
        return  # which is told
    metres = float(settings[indicator.reach])  # type: ignore[arg-type]
    most = max(halo_cells(indicator, grid, region, settings))
    middle = cell_metres(grid, Window(region.row + region.rows // 2, region.col + region.cols // 2, 1, 1))[0]
    side = float(max(abs(middle.dx[0]), abs(middle.dy[0])))
    asked = f"`{indicator.reach}: {metres:g} m`"
    if most > MOST_CELLS:
        what = f"{asked} reaches over {most} cells of the file, more than {MOST_CELLS}"
        problems.add("E355", what, where, "take a smaller one, or a coarser file")
    elif metres < side:
        what = f"{asked} does not reach from one cell of the file to the next, which is {side:.3g} m"
        problems.add("E355", what, where, "take a larger one, or a finer file")


def _check_latitude(grid: Grid, indicator: Indicator, where: str, problems: Problems) -> None:
    corners = [(row, col) for row in (0, grid.rows - 1) for col in (0, grid.cols - 1)]
    found = np.abs([latitudes(grid, Window(row, col, 1, 1)).ravel()[0] for row, col in corners])
    what = f"{indicator.id} holds up to {indicator.most_latitude:g} degrees of latitude, and the region "
    if not found.min() <= indicator.most_latitude:
        fix = "leave the layer out, or judge by slope and aspect"
        problems.add("E356", f"{what}lies beyond, at {found.min():.1f} degrees and more", where, fix)
    elif found.max() > indicator.most_latitude:
        problems.add("W356", f"{what}reaches to {found.max():.1f}: it is missing there", where)
