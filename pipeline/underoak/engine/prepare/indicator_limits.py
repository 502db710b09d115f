"""Checks of indicator limits: the radius in cells, and the latitudes of the region."""

from __future__ import annotations

import numpy as np

from underoak.base.errors import Problems
from underoak.base.grid import Grid, Window
from underoak.indicators import Indicator, cell_metres, halo_cells, latitudes
from underoak.layers.stack import Stack, StackedLayer

MOST_CELLS = 2000  # to every side: the part of a file under one tile must fit in memory


def check_range(stack: Stack, layer: StackedLayer, problems: Problems) -> None:
    """Check the reach of a layer's indicator in cells (E355), and the latitudes of the region (E356, W356)."""
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
        return  # reported as E220
    metres = float(settings[indicator.reach])  # type: ignore[arg-type]
    most = max(halo_cells(indicator, grid, region, settings))
    middle = cell_metres(grid, Window(region.row + region.rows // 2, region.col + region.cols // 2, 1, 1))[0]
    side = float(max(abs(middle.dx[0]), abs(middle.dy[0])))
    setting = f"`{indicator.reach}: {metres:g} m`"
    if most > MOST_CELLS:
        what = f"{setting} spans {most} cells of the file, more than {MOST_CELLS}"
        problems.add("E355", what, where, "use a smaller one, or a coarser file")
    elif metres < side:
        what = f"{setting} is less than the distance between cells of the file, {side:.3g} m"
        problems.add("E355", what, where, "use a larger one, or a finer file")


def _check_latitude(grid: Grid, indicator: Indicator, where: str, problems: Problems) -> None:
    corners = [(row, col) for row in (0, grid.rows - 1) for col in (0, grid.cols - 1)]
    corner_latitudes = np.abs([latitudes(grid, Window(row, col, 1, 1)).ravel()[0] for row, col in corners])
    what = f"{indicator.id} is valid up to {indicator.most_latitude:g} degrees of latitude, and the region "
    if not corner_latitudes.min() <= indicator.most_latitude:
        fix = "leave the layer out, or judge by slope and aspect"
        problems.add("E356", f"{what}lies beyond, at {corner_latitudes.min():.1f} degrees or more", where, fix)
    elif corner_latitudes.max() > indicator.most_latitude:
        problems.add("W356", f"{what}reaches to {corner_latitudes.max():.1f}: it is missing there", where)
