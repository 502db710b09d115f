"""Draws of a block: every draw of the uncertain layers is judged as the layers' own values are.

Blocks are anchored to the grid and drawn independently, so results do not depend on tiles or workers. To bound memory,
a block with many source cells is drawn in parts, and each part in strips.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.grid import Window
from underoak.engine.judge.reducer import JudgedBlock
from underoak.layers.resampling.mesh import Coordinates, Mesh
from underoak.layers.resampling.source_weights import merge_weights, source_positions, source_weights, source_windows
from underoak.layers.stack import Stack
from underoak.layers.uncertain_layers import UncertainLayer, draw_bytes, draw_cells, limit_probability
from underoak.overlay import Curve, Rules, membership
from underoak.uncertainty.draws.draw_overlay import CellGroups, DrawnCriterion, GroupSums, SourceWeights, judge_draws

_MOST_BYTES = 48_000_000  # draws of source cells in memory at a time, for one worker
_LEAST_SIDE = 16  # cells along the smallest part of a block
_STRIP = 32  # rows of analysis cells whose source weights are computed at a time


@dataclass(frozen=True, slots=True)
class ProbabilityRule:
    """A limit on a layer, with the probability of meeting it wanted in every cell."""

    name: str
    uncertain: UncertainLayer
    limit: float  # in the layer's unit
    is_at_least: bool


@dataclass(frozen=True, slots=True)
class CaseUncertainty:
    """A description of the draws of one case: uncertain layers, probability rules, number and seed."""

    draws: int
    seed: int
    layers: tuple[UncertainLayer, ...]  # those of criteria
    probability_rules: tuple[ProbabilityRule, ...]
    levels: tuple[float, ...] = ()  # quantiles of suitability over draws
    rank_draws: int = 0  # joint draws of data and weights for the ranks of parcels; 0: the rule needs none

    @property
    def rule_layers(self) -> frozenset[str]:
        """The layers of the stack that `probability_rules` need on the analysis grid."""
        return frozenset(name for rule in self.probability_rules for name in rule.uncertain.layers)

    @property
    def drawn_layers(self) -> frozenset[str]:
        """The layers of the stack that draws need on their own grids."""
        return frozenset(name for uncertain in self.layers for name in uncertain.layers)

    def figures(self, criteria: Iterable[str]) -> int:
        """Return the number of figures of a cell in one draw: suitability and the uncertain criteria's memberships."""
        uncertain = {each.layer for each in self.layers}
        return 1 + sum(layer in uncertain for layer in criteria)


class DrawnBlock(NamedTuple):
    """A block's summary over draws."""

    spread: FloatArray  # (3 + levels, rows, cols): mean, standard deviation, share of class S2 or better, quantiles
    cells: dict[str, int]  # uncertain layer -> source cells that were drawn
    crossing: dict[str, int]  # uncertain layer -> those whose quantiles cross


def rule_probabilities(
    uncertainty: CaseUncertainty, values: dict[str, FloatArray], is_free: npt.NDArray[np.bool_]
) -> FloatArray:
    """Return the probability that each rule is met, (rules, rows, cols); NaN where `is_free` is False."""
    probabilities = np.full((len(uncertainty.probability_rules), *is_free.shape), np.nan, np.float32)
    for rule, into in zip(uncertainty.probability_rules, probabilities, strict=True):
        np.copyto(into, limit_probability(rule.uncertain, values, rule.limit, rule.is_at_least), where=is_free)
    return probabilities


def draw_block(
    uncertainty: CaseUncertainty, stack: Stack, criteria: Sequence[tuple[str, Curve]], rules: Rules,
    judged: JudgedBlock, groups: CellGroups | None = None, sums: GroupSums | None = None,
) -> DrawnBlock:  # fmt: skip
    """Judge a block in every draw, and return the summary.

    Args:
        uncertainty: what is drawn.
        stack: the layers.
        criteria: layer and curve of each criterion of the case.
        rules: how the case combines memberships.
        judged: the block, judged on the layers' own values.
        groups: shares of the block's cells by group, row by row.
        sums: sums over judged cells by group, to which this block is added.
    """
    spread = np.full((3 + len(uncertainty.levels), *judged.window.shape), np.nan, np.float32)
    block = DrawnBlock(spread, {}, {})
    is_judged = ~np.isnan(judged.suitability)
    if not is_judged.any():
        return block
    coordinates: dict[Mesh, Coordinates] = {}
    fields = []
    for uncertain in uncertainty.layers:
        mesh = stack.mesh_of(uncertain.layer)
        if mesh not in coordinates:
            coordinates[mesh] = mesh.coordinates(judged.window)
        fields.append(_Field(uncertain, stack, mesh, coordinates[mesh]))
    for part in _parts(uncertainty, fields, judged.window):
        if not is_judged[part.relative_to(judged.window).slices].any():
            continue
        tables = {field.uncertain.layer: field.draw(part, uncertainty) for field in fields}
        for name, table in tables.items():
            block.cells[name] = block.cells.get(name, 0) + len(table.draws)
            block.crossing[name] = block.crossing.get(name, 0) + table.crossing
        ready = [
            (k, name, *_judged(tables[name], curve, part)) for k, (name, curve) in enumerate(criteria) if name in tables
        ]
        for row in range(part.row, part.row + part.rows, _STRIP):
            strip = Window(row, part.col, min(_STRIP, part.row + part.rows - row), part.cols)
            rows, cols = strip.relative_to(judged.window).slices
            is_judged_cell = is_judged[rows, cols].reshape(-1)
            if not is_judged_cell.any():
                continue
            weights = _source_weights(fields, tables, strip)
            drawn = [DrawnCriterion(k, table, weights[name], curve) for k, name, table, curve in ready]
            memberships = np.ascontiguousarray(judged.memberships[:, rows, cols]).reshape(len(criteria), -1)
            strip_groups = None if groups is None else groups.at(_cell_numbers(strip, judged.window))
            summary = judge_draws(
                memberships, is_judged_cell, drawn, uncertainty.draws, rules, strip_groups, sums, uncertainty.levels
            )
            if strip_groups is not None and sums is not None and len(strip_groups.group):
                for layer, uncertain in enumerate(uncertainty.layers):
                    name = uncertain.layer
                    sums.add_values(layer, tables[name].draws, weights[name], is_judged_cell, strip_groups)
            for band, values in enumerate((summary.mean, summary.sd, summary.reached, *summary.quantiles)):
                spread[band, rows, cols] = values.reshape(strip.shape)
    return block


def _source_weights(fields: list[_Field], tables: dict[str, _Table], strip: Window) -> dict[str, SourceWeights]:
    """Return the source weights of a strip for each layer; layers without gaps on one grid share theirs."""
    by_layer, shared = {}, {}
    for field in fields:
        table = tables[field.uncertain.layer]
        key = (field.mesh, table.method, tuple(table.windows)) if table.is_complete else None
        if key is None or key not in shared:
            weights = field.source_weights(table, strip)
            if key is not None:
                shared[key] = weights
        by_layer[field.uncertain.layer] = weights if key is None else shared[key]
    return by_layer


class _Table(NamedTuple):
    """A table of the draws of a layer's source cells under a part of a block; several windows if it is split there."""

    values: list[FloatArray]
    windows: list[Window]
    draws: FloatArray  # (cells of all windows, draws)
    crossing: int
    method: str
    is_complete: bool  # no cell is missing


@dataclass(frozen=True, slots=True)
class _Field:
    """An uncertain layer under a block."""

    uncertain: UncertainLayer
    stack: Stack
    mesh: Mesh
    coordinates: Coordinates

    @property
    def method(self) -> str:
        return next(layer.method for layer in self.stack.layers if layer.name == self.uncertain.layer)

    def windows(self, part: Window) -> list[Window]:
        return source_windows(self.mesh, self.method, *source_positions(self.mesh, self.coordinates, part))

    def draw(self, part: Window, uncertainty: CaseUncertainty) -> _Table:
        drawn = [
            draw_cells(self.stack, self.uncertain, window, uncertainty.seed, uncertainty.draws)
            for window in self.windows(part)
        ]
        tables = [each.table for each in drawn] or [np.empty((0, uncertainty.draws), np.float32)]
        table = tables[0] if len(tables) == 1 else np.concatenate(tables)
        crossing = sum(each.crossing for each in drawn)
        values, windows = [each.values for each in drawn], [each.window for each in drawn]
        is_complete = not any(np.isnan(each).any() for each in values)
        return _Table(values, windows, table, crossing, self.method, is_complete)

    def source_weights(self, table: _Table, strip: Window) -> SourceWeights:
        parts, offset = [], 0
        for values, window in zip(table.values, table.windows, strict=True):
            parts.append(source_weights(values, window, self.mesh, self.coordinates, strip, table.method, offset))
            offset += values.size
        if not parts:
            parts.append(
                source_weights(np.empty((0, 0), np.float32), strip, self.mesh, self.coordinates, strip, table.method)
            )
        return merge_weights(parts)


def _judged(table: _Table, curve: Curve, part: Window) -> tuple[FloatArray, Curve | None]:
    """Return memberships if analysis cells copy fewer source cells (method nearest), else the draws and the curve."""
    if table.method == "nearest" and len(table.draws) < part.rows * part.cols:
        return membership(table.draws, curve), None
    return table.draws, curve


def _parts(uncertainty: CaseUncertainty, fields: list[_Field], window: Window) -> Iterator[Window]:
    """Yield parts of a block, halved until the draws of their source cells fit into `_MOST_BYTES`."""
    size = sum(draw_bytes(field.stack, field.uncertain, field.windows(window), uncertainty.draws) for field in fields)
    if size <= _MOST_BYTES or max(window.shape) <= _LEAST_SIDE:
        yield window
        return
    row, col, rows, cols = window.row, window.col, window.rows, window.cols
    if rows >= cols:
        half = rows // 2
        yield from _parts(uncertainty, fields, Window(row, col, half, cols))
        yield from _parts(uncertainty, fields, Window(row + half, col, rows - half, cols))
    else:
        half = cols // 2
        yield from _parts(uncertainty, fields, Window(row, col, rows, half))
        yield from _parts(uncertainty, fields, Window(row, col + half, rows, cols - half))


def _cell_numbers(strip: Window, block: Window) -> npt.NDArray[np.int64]:
    """Return the numbers of a strip's cells in their block, (cells,), row by row."""
    rows, cols = strip.relative_to(block).slices
    numbers = np.arange(block.rows)[rows, None] * block.cols + np.arange(block.cols)[None, cols]
    return numbers.reshape(-1)
