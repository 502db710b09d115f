"""Doubtful layers on their own grids: how far off each source cell may be, and its values in every draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.layers.resampling.source_layer import clip_to_source
from underoak.layers.stack import Stack
from underoak.uncertainty.draws.cell_draws import INDEPENDENT, Correlation, draw, hash_seed
from underoak.uncertainty.draws.quantiles import normal_at_least, probability_at_least

Limits = tuple[float, float]


@dataclass(frozen=True, slots=True)
class UncertainLayer:
    """One layer and how far off it may be; layers are named as the stack names them."""

    layer: str
    key: str  # what its draws follow from: the plan's name, the same in every scenario
    limits: Limits  # what its values can be
    sd: float = 0.0  # in its unit, or as a share of the value
    is_share: bool = False
    levels: tuple[float, ...] = ()  # of its quantiles, rising; empty where `sd` says it
    stacked: tuple[str, ...] = ()  # the layer of each level, its own among them
    correlation: Correlation = INDEPENDENT

    @property
    def layers(self) -> tuple[str, ...]:
        """The layers of the stack that tell of it."""
        return tuple(dict.fromkeys((self.layer, *self.stacked)))


class DrawnCells(NamedTuple):
    """Source cells and their draws."""

    values: FloatArray  # (rows, cols): the layer's own
    there: Window
    table: npt.NDArray[np.float32]  # (cells, draws), row by row
    crossing: int  # cells whose quantiles cross; they are not drawn


def draw_cells(stack: Stack, uncertain: UncertainLayer, window: Window, seed: int, draws: int) -> DrawnCells:
    """A layer's cells on a window of its source, as they are and in every draw; one window is as good as another.

    A cell that is missing, or lacks one of its quantiles, or whose quantiles cross, is its own value in every draw.

    Raises:
        UnderoakError: E230 when a file cannot be read there.
    """
    from scipy.special import ndtri

    from underoak.uncertainty.draws import draw_kernels as kernels

    values, there = stack.source_cells(uncertain.layer, window)
    table = np.empty((values.size, draws), np.float32)
    if not values.size:
        return DrawnCells(values, there, table, 0)
    values = np.ascontiguousarray(values)
    source = _source(stack, uncertain.layer)
    turn = source.grid.cols if source.is_periodic else 0
    normals = draw(hash_seed(seed, uncertain.key), there, draws, uncertain.correlation, turn)
    at, limits = (normals.z, normals.row_at, normals.col_at), uncertain.limits
    if not uncertain.levels:
        kernels.normal_draws(values, uncertain.sd, uncertain.is_share, *at, *limits, table)
        return DrawnCells(values, there, table, 0)
    quantiles = np.stack([stack.source_cells(name, there)[0] for name in uncertain.stacked])
    scores = ndtri(np.array(uncertain.levels)).astype(np.float32)
    crossing = kernels.quantile_draws(values, quantiles, scores, *at, *limits, table)
    return DrawnCells(values, there, table, int(crossing))


def draw_bytes(stack: Stack, uncertain: UncertainLayer, windows: list[Window], draws: int) -> int:
    """What the draws of these windows take, correlation's surroundings counted."""
    source = _source(stack, uncertain.layer)
    total = 0
    for window in windows:
        there = clip_to_source(source, window)
        if there.is_empty:
            continue
        sizes = zip((there.rows, there.cols), (uncertain.correlation.down, uncertain.correlation.across), strict=True)
        down, across = (size // axis.block + 2 * axis.reach for size, axis in sizes)
        total += 4 * draws * (there.rows * there.cols + down * across)
    return total


def limit_probability(
    uncertain: UncertainLayer, values: dict[str, FloatArray], limit: float, is_at_least: bool
) -> npt.NDArray[np.float32]:
    """Probability that cells meet a limit, in closed form, from the layers that `layers` names; NaN where not known.

    Quantiles that cross make a cell unknown. "At most" counts values on the limit, as "at least" does.
    """
    sign = 1.0 if is_at_least else -1.0
    low, high = sorted((sign * uncertain.limits[0], sign * uncertain.limits[1]))
    own = values[uncertain.layer]
    if uncertain.levels:
        levels, names = uncertain.levels, uncertain.stacked
        if not is_at_least:
            levels, names = tuple(1.0 - level for level in reversed(levels)), tuple(reversed(names))
        stack = np.stack([np.float32(sign) * values[name] for name in names])
        found = probability_at_least(levels, stack, sign * limit, (low, high))
        return np.where(np.isnan(own), np.float32(np.nan), found).astype(np.float32)
    sd = np.abs(own.astype(np.float64)) * uncertain.sd if uncertain.is_share else np.full(own.shape, uncertain.sd)
    sd[np.isnan(own)] = np.nan
    edge = float(np.float32(limit))  # stored values are met in single precision
    return normal_at_least(sign * own.astype(np.float64), sd, sign * edge, (low, high)).astype(np.float32)


def _source(stack: Stack, name: str):  # type: ignore[no-untyped-def]
    return next(layer.source_layer.source for layer in stack.layers if layer.name == name)
