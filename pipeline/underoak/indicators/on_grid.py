"""Indicators over a window of a grid: true sizes of cells, latitudes, and the halo."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window
from underoak.indicators.cell_size import CellSizes, Doubles, cell_metres, degrees_of_rows, is_plain, to_lonlat
from underoak.indicators.declaration import Indicator, Setting

_NODES_M = 2000.0  # a latitude bends by less than 1e-5 degree from the straight line over so many metres, up to 85 N
_WIDEST = 256  # cells between nodes


def on_grid(
    indicator: Indicator,
    values: FloatArray | Mapping[str, FloatArray],
    grid: Grid,
    window: Window,
    settings: Mapping[str, Setting] | None = None,
) -> FloatArray:
    """Return an indicator over a window, (rows, cols), with true sizes and latitudes where it needs them.

    `values` are its inputs by name (one alone needs no name) on the window, the halo included; cells that lack a
    neighbour inside the window do not count.

    >>> from underoak.indicators import get
    >>> grid = Grid.north_up("EPSG:3857", 0.0, 8399737.9, 20.0, 3, 3)  # at 60 N its 20 m are 10 m on the ground
    >>> ramp = np.tile(np.float32([0, 10, 20]), (3, 1))
    >>> round(float(on_grid(get("slope"), ramp, grid, grid.window)[1, 1]), 1)
    44.9

    Raises:
        UnderoakError: E353 for settings it does not take, or lacks.
    """
    inputs = dict(values) if isinstance(values, Mapping) else {next(iter(indicator.inputs)): values}
    wrong = [array.shape for array in inputs.values() if array.shape[-2:] != window.shape]
    if wrong:
        raise ValueError(f"values are {wrong[0]}, the window is {window.shape}")
    set_to = indicator.settings({}) if settings is None else settings
    if not (indicator.needs_cell_size or indicator.needs_latitude or indicator.is_whole):
        return indicator.compute(**inputs, **set_to)
    strips = cell_metres(grid, window)
    if indicator.is_whole:
        return indicator.compute(**inputs, **set_to, strips=strips)
    latitude = latitudes(grid, window) if indicator.needs_latitude else None
    if not indicator.needs_cell_size:
        return indicator.compute(**inputs, **set_to, latitude=latitude)
    _, across = _cells_around(strips, indicator, set_to)
    out = np.full(window.shape, np.nan, np.float32)
    for strip in strips:
        left, right = max(strip.start - across, 0), min(strip.stop + across, window.cols)
        strip_inputs = {name: array[..., left:right] for name, array in inputs.items()}
        strip_latitude = (
            {} if latitude is None else {"latitude": latitude[:, left:right] if latitude.ndim == 2 else latitude}
        )
        result = indicator.compute(**strip_inputs, **set_to, **strip_latitude, **strip.named)
        if len(strips) == 1:
            return result
        out[:, strip.start : strip.stop] = result[:, strip.start - left : strip.stop - left]
    return out


def halo_cells(
    indicator: Indicator, grid: Grid, window: Window, settings: Mapping[str, Setting] | None = None
) -> tuple[int, int]:
    """Return the cells beyond a window that its results need: above and below, and to either side.

    >>> from underoak.indicators import get
    >>> halo_cells(get("slope"), Grid.north_up("EPSG:3035", 4e6, 3e6, 30.0, 9, 9), Window(0, 0, 9, 9))
    (1, 1)
    """
    if not indicator.reach:
        return indicator.halo, indicator.halo
    inside = Window(window.row, window.col, window.rows, max(window.cols, 1)).clip(grid.rows, 2**62)
    if inside.is_empty:
        return 0, 0
    return _cells_around(cell_metres(grid, inside), indicator, settings or {})


def latitudes(grid: Grid, window: Window) -> Doubles:
    """Return the latitude of the centres of cells [degree]: (rows,) on a grid in degrees that is not rotated.

    Else (rows, cols), exact at nodes anchored to the grid, some 2 km apart, and straight between them.

    >>> latitudes(Grid.north_up("EPSG:4326", 5.0, 60.0, 0.5, 2, 9), Window(0, 0, 2, 9)).tolist()
    [59.75, 59.25]
    """
    if is_plain(grid):
        return degrees_of_rows(grid, window)
    step = _WIDEST
    longest = max(abs(length) for strip in _middle(grid) for length in (*strip.dx, *strip.dy))
    while step > 1 and not longest * step <= _NODES_M:
        step //= 2
    if step == 1:
        return _exactly(grid, *np.mgrid[window.slices])
    rows, cols = np.arange(window.row, window.row + window.rows), np.arange(window.col, window.col + window.cols)
    node_rows, node_cols = (np.arange(at[0] // step, at[-1] // step + 2) * step for at in (rows, cols))
    nodes = _exactly(grid, *np.meshgrid(node_rows, node_cols, indexing="ij"))
    i, j = rows // step - rows[0] // step, cols // step - cols[0] // step
    down, right = ((rows % step) / step)[:, None], ((cols % step) / step)[None, :]
    with np.errstate(invalid="ignore"):
        left = nodes[i][:, j] + down * (nodes[i + 1][:, j] - nodes[i][:, j])
        out = left + right * (nodes[i][:, j + 1] + down * (nodes[i + 1][:, j + 1] - nodes[i][:, j + 1]) - left)
    lost = ~np.isfinite(out)
    if lost.any():  # beside cells where the projection is not defined
        at_rows, at_cols = np.nonzero(lost)
        out[lost] = _exactly(grid, at_rows + window.row, at_cols + window.col)
    return np.asarray(out, np.float64)


def _exactly(grid: Grid, rows: npt.NDArray[np.int64], cols: npt.NDArray[np.int64]) -> Doubles:
    _, lat = to_lonlat(grid.crs, *grid.xy(cols.ravel() + 0.5, rows.ravel() + 0.5))
    latitude: Doubles = np.where(np.abs(lat) <= 90.0, lat, np.nan).reshape(rows.shape)
    return latitude


def _middle(grid: Grid) -> list[CellSizes]:
    if _crs.is_geographic(grid.crs) or not grid.rows:
        metres = 111_000.0 * max(grid.cell_size)
        side = np.array([metres])
        return [CellSizes(0, 1, side, side, np.zeros(1), np.full(1, 90.0))]
    return cell_metres(grid, Window(grid.rows // 2, grid.cols // 2, 1, 1))


def _cells_around(strips: list[CellSizes], indicator: Indicator, settings: Mapping[str, Setting]) -> tuple[int, int]:
    if not indicator.reach:
        return indicator.halo, indicator.halo
    metres = float(settings[indicator.reach])  # type: ignore[arg-type]
    down = max(_reached(metres, strip.dy, strip.corner) for strip in strips)
    across = max(_reached(metres, strip.dx, strip.corner) for strip in strips)
    return down + indicator.halo, across + indicator.halo


def _reached(metres: float, sides: Doubles, corner: Doubles) -> int:
    """Return the most cells that a length spans, where the cells' sizes are known."""
    with np.errstate(all="ignore"):
        cells = metres / np.abs(sides * np.sin(np.deg2rad(corner)))
    return math.ceil(np.max(cells, where=np.isfinite(cells), initial=0.0))
