"""Layers with an uncertainty on their source grid: the error of each source cell, and its values in every draw."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.arrays import FloatArray
from underoak.base.grid import Grid, Window
from underoak.layers.derivation.source_layer import clip_to_source
from underoak.layers.stack import Stack
from underoak.uncertainty.draws.cell_draws import Correlation
from underoak.uncertainty.draws.error_model import ErrorModel
from underoak.uncertainty.draws.quantiles import normal_at_least, probability_at_least

Limits = tuple[float, float]
_DEGREE = 111_195.0  # [m] of latitude, on the sphere


@dataclass(frozen=True, slots=True)
class UncertainLayer:
    """A layer with its uncertainty; layers are named as in the stack."""

    layer: str
    errors: ErrorModel  # by the plan's name of the layer, the same in every scenario
    limits: Limits  # the least and the greatest value it can have
    sd: float = 0.0  # standard deviation in its unit, or as a share of the value
    is_share: bool = False
    levels: tuple[float, ...] = ()  # of its quantiles, rising; empty where `sd` states the uncertainty
    level_layers: tuple[str, ...] = ()  # the layer of each level, its own among them

    @property
    def key(self) -> str:
        """The plan's name of the layer."""
        return self.errors.layer

    @property
    def layers(self) -> tuple[str, ...]:
        """The layers of the stack that it is computed from."""
        return tuple(dict.fromkeys((self.layer, *self.level_layers)))


class DrawnCells(NamedTuple):
    """A window of source cells with their draws."""

    values: FloatArray  # (rows, cols): the layer's own
    window: Window  # of the source grid
    table: npt.NDArray[np.float32]  # (cells, draws), row by row
    crossing: int  # cells whose quantiles cross; they are not drawn


def cell_size_m(grid: Grid, grain_m: float | None = None) -> float:
    """Return the size of a source's cells [m], or its grain where that is coarser; of degrees, the spacing of rows.

    >>> cell_size_m(Grid("EPSG:25831", (30.0, 0.0, 0.0, 0.0, -30.0, 0.0), 9, 9), 250.0)
    250.0
    """
    across, down = grid.cell_size
    side = down * _DEGREE if _crs.is_geographic(grid.crs) else math.sqrt(across * down) * _crs.unit_m(grid.crs)
    return max(side, grain_m or 0.0)


def draw_cells(stack: Stack, uncertain: UncertainLayer, window: Window, seed: int, draws: int) -> DrawnCells:
    """Read a layer's cells on a window of its source grid, and draw them; a cell's draws do not depend on the window.

    A cell that is missing, or lacks one of its quantiles, or whose quantiles cross, keeps its value in every draw.

    Raises:
        UnderoakError: E230 when a file cannot be read there.
    """
    from scipy.special import ndtri

    from underoak.uncertainty.draws import draw_kernels as kernels

    values, cells = stack.source_cells(uncertain.layer, window)
    table = np.empty((values.size, draws), np.float32)
    if not values.size:
        return DrawnCells(values, cells, table, 0)
    values = np.ascontiguousarray(values)
    source = stack.source_of(uncertain.layer)
    turn = source.grid.cols if source.is_periodic else 0
    normals = uncertain.errors.draw(seed, cells, draws, turn)
    places, limits = (normals.z, normals.row_at, normals.col_at), uncertain.limits
    if not uncertain.levels:
        kernels.normal_draws(values, uncertain.sd, uncertain.is_share, *places, *limits, table)
        return DrawnCells(values, cells, table, 0)
    quantiles = np.stack([stack.source_cells(name, cells)[0] for name in uncertain.level_layers])
    scores = ndtri(np.array(uncertain.levels)).astype(np.float32)
    crossing = kernels.quantile_draws(values, quantiles, scores, *places, *limits, table)
    return DrawnCells(values, cells, table, int(crossing))


def error_correlation(source: Grid, grid: Grid, range_m: float, grain_m: float | None) -> Correlation:
    """Return the correlation of a layer's local errors over its source grid.

    Cells in degrees are measured at the nearest five degrees of latitude to the middle of the analysis grid, so that
    neighbouring regions draw alike.

    Args:
        source: the grid of the layer's source.
        grid: the analysis grid.
        range_m: e-folding length [m]; 0 is independent.
        grain_m: true resolution of the source [m]; None: its cells.
    """
    across, down = source.cell_size
    if _crs.is_geographic(source.crs):
        to_source = _crs.transformer(grid.crs, source.crs)
        _, latitude = to_source.transform(*grid.xy(grid.cols / 2, grid.rows / 2))
        narrowing = math.cos(math.radians(min(5.0 * round(abs(latitude) / 5.0), 85.0)))
        down, across = down * _DEGREE, across * _DEGREE * narrowing
    else:
        metres = _crs.unit_m(source.crs)
        down, across = down * metres, across * metres
    return Correlation.of(range_m, down, across, grain_m or 0.0)


def draw_bytes(stack: Stack, uncertain: UncertainLayer, windows: list[Window], draws: int) -> int:
    """Return the memory [bytes] of the draws of these windows, with the cells around them that correlate."""
    source = stack.source_of(uncertain.layer)
    total = 0
    for window in windows:
        cells = clip_to_source(source, window)
        if cells.is_empty:
            continue
        correlation = uncertain.errors.correlation
        sizes = zip((cells.rows, cells.cols), (correlation.down, correlation.across), strict=True)
        down, across = (int(size / (axis.grain * axis.block)) + 2 * axis.reach for size, axis in sizes)
        total += 4 * draws * (cells.rows * cells.cols + down * across)
    return total


def limit_probability(
    uncertain: UncertainLayer, values: dict[str, FloatArray], limit: float, is_at_least: bool
) -> npt.NDArray[np.float32]:
    """Return the probability that cells meet a limit, in closed form; NaN where unknown, also where quantiles cross.

    `values` holds the layers that `uncertain.layers` names, (rows, cols) each. "At most" counts values on the limit,
    as "at least" does.
    """
    sign = 1.0 if is_at_least else -1.0
    low, high = sorted((sign * uncertain.limits[0], sign * uncertain.limits[1]))
    layer_values = values[uncertain.layer]
    if uncertain.levels:
        levels, names = uncertain.levels, uncertain.level_layers
        if not is_at_least:
            levels, names = tuple(1.0 - level for level in reversed(levels)), tuple(reversed(names))
        quantiles = np.stack([np.float32(sign) * values[name] for name in names])
        probability = probability_at_least(levels, quantiles, sign * limit, (low, high))
        return np.where(np.isnan(layer_values), np.float32(np.nan), probability).astype(np.float32)
    means = layer_values.astype(np.float64)
    sd = np.abs(means) * uncertain.sd if uncertain.is_share else np.full(means.shape, uncertain.sd)
    sd[np.isnan(means)] = np.nan
    edge = float(np.float32(limit))  # stored values are met in single precision
    return normal_at_least(sign * means, sd, sign * edge, (low, high)).astype(np.float32)
