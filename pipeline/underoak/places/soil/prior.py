"""The standard deviation of a map's mean over a parcel, from the uncertainty of its cells and their correlation."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.grid import Grid, Window
from underoak.layers.derivation.source_layer import clip_to_source, read_window
from underoak.layers.uncertain_layers import cell_size_m, error_correlation
from underoak.plan.keys.uncertainty import deviation_at, deviation_in
from underoak.uncertainty.draws.error_model import ErrorModel, sd_of_mean

if TYPE_CHECKING:
    from underoak.engine.prepare.prepare import PreparedCase
    from underoak.layers.stack import StackedLayer
    from underoak.plan.keys.layer import LayerSpec
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
Longs = npt.NDArray[np.int64]
Prior = Callable[[str, Longs, Doubles, Doubles], float | None]  # layer, cells, weights, values -> sd
RANGE_M = 800.0  # e-folding length of a map's errors where the plan gives none; common practice, no source


def priors(plan: Plan, ready: PreparedCase, grid: Grid) -> Prior:
    """Return `prior_sd` for the layers of a case, by name."""
    range_m = plan.uncertainty.range_m if plan.uncertainty else RANGE_M
    opened = {layer.name: layer for layer in ready.layers}

    def prior(name: str, cells: Longs, weights: Doubles, values: Doubles) -> float | None:
        spec, quantiles = plan.layers[name], ready.quantiles.get(name, ())
        return prior_sd(opened[name], spec, ready.units[name], quantiles, grid, cells, weights, values, range_m)

    return prior


def prior_sd(
    layer: StackedLayer,
    spec: LayerSpec,
    unit: str,
    quantiles: Sequence[tuple[float, StackedLayer]],
    grid: Grid,
    cells: Longs,
    weights: Doubles,
    values: Doubles,
    range_m: float = RANGE_M,
) -> float | None:
    """Return the sd of a map's mean over cells of the analysis grid, in the layer's unit; None without uncertainty.

    All land in one source cell shares its error; those of different ones are correlated as in the draws, with the
    layer's grain and the share that the whole map has in common. Of quantiles, the lowest and the highest tell the
    spread, as of a normal distribution.

    Args:
        layer: the layer, on its own grid.
        spec: its part of the plan.
        unit: of its values.
        quantiles: levels and layers, when it has them.
        grid: the analysis grid.
        cells: numbers of cells of the grid, row by row.
        weights: of each cell.
        values: of the layer there, for an sd that is a share of them.
        range_m: e-folding length [m].

    Raises:
        UnderoakError: E230 when a file cannot be read there.
    """
    known = ~np.isnan(values)
    if not spec.has_uncertainty or not known.any():
        return None
    row, col = np.divmod(cells[known], grid.cols)
    source, to_source = layer.source_layer.grid, _crs.transformer(grid.crs, layer.source_layer.grid.crs)
    u, v = source.uv(*to_source.transform(*grid.xy(col + 0.5, row + 0.5)))
    source_cells = np.stack([np.floor(v), np.floor(u)], axis=1).astype(np.int64)
    places, of_cell = np.unique(source_cells, axis=0, return_inverse=True)
    of_cell = of_cell.reshape(-1)
    shares = np.bincount(of_cell, weights[known], len(places))
    if spec.sd is not None:
        sd, is_share = deviation_in(deviation_at(spec.sd, cell_size_m(source, spec.grain_m)), unit)
        means = np.bincount(of_cell, weights[known] * values[known], len(places)) / shares
        each = np.abs(means) * sd if is_share else np.full(len(places), sd)
    else:
        each = _from_quantiles(quantiles, places)
    has_sd = ~np.isnan(each)
    if not has_sd.any():
        return None
    errors = ErrorModel(layer.name, error_correlation(source, grid, range_m, spec.grain_m), spec.bias)
    return sd_of_mean(each[has_sd], places[has_sd, 0], places[has_sd, 1], errors, shares[has_sd])


def _from_quantiles(quantiles: Sequence[tuple[float, StackedLayer]], places: Longs) -> Doubles:
    """The spread of source cells (row, column), from the outermost of their quantiles; NaN where one is missing."""
    from scipy.special import ndtri

    (low, lower), (high, upper) = quantiles[0], quantiles[-1]
    first, last = places.min(axis=0), places.max(axis=0)
    window = Window(int(first[0]), int(first[1]), int(last[0] - first[0]) + 1, int(last[1] - first[1]) + 1)
    quantile_values = []
    for layer in (lower, upper):
        source = layer.source_layer.source
        inside_window = clip_to_source(source, window)
        read, clipped = read_window(source, inside_window)
        row, col = places[:, 0] - clipped.row, places[:, 1] - clipped.col
        inside = (row >= 0) & (row < clipped.rows) & (col >= 0) & (col < clipped.cols)
        values = np.full(len(places), np.nan)
        grid_of = read.values.reshape(-1, *read.values.shape[-2:])[0]
        values[inside] = grid_of[row[inside], col[inside]]
        quantile_values.append(values)
    spread: Doubles = (quantile_values[1] - quantile_values[0]) / (ndtri(high) - ndtri(low))
    return np.where(spread >= 0.0, spread, np.nan)
