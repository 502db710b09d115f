"""The draws of a tile: block by block, every draw of the doubtful layers is judged as the layers themselves were.

Blocks are anchored to the grid and drawn by themselves, so that tiles and workers change no bit. A block whose source
cells in all draws would take too much memory is drawn in parts, and those in strips.
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

_MOST_BYTES = 48_000_000  # of draws of source cells at a time, for one worker
_LEAST_SIDE = 16  # cells along the smallest part of a block
_STRIP = 32  # rows of analysis cells whose source cells are looked up at a time


@dataclass(frozen=True, slots=True)
class ProbabilityRule:
    """A rule whose probability is wanted in every cell."""

    name: str
    uncertain: UncertainLayer
    limit: float  # in the layer's unit
    is_at_least: bool


@dataclass(frozen=True, slots=True)
class CaseUncertainty:
    """What one variant is in doubt about."""

    draws: int
    seed: int
    layers: tuple[UncertainLayer, ...]  # those that criteria are judged by
    asks: tuple[ProbabilityRule, ...]
    levels: tuple[float, ...] = ()  # quantiles of suitability over draws

    @property
    def asked_layers(self) -> frozenset[str]:
        """The layers of the stack that `asks` need on the analysis grid."""
        return frozenset(name for ask in self.asks for name in ask.uncertain.layers)

    @property
    def drawn_layers(self) -> frozenset[str]:
        """The layers of the stack that draws need on their own grids."""
        return frozenset(name for uncertain in self.layers for name in uncertain.layers)

    def figures(self, criteria: Iterable[str]) -> int:
        """Figures of one cell in one draw: suitability, and a membership for each criterion whose layer is in doubt."""
        uncertain = {each.layer for each in self.layers}
        return 1 + sum(layer in uncertain for layer in criteria)


class DrawnBlock(NamedTuple):
    """What draws make of a block."""

    spread: FloatArray  # (3 + levels, rows, cols): mean, standard deviation, share that reaches S2, quantiles
    cells: dict[str, int]  # doubtful layer -> source cells looked at
    crossing: dict[str, int]  # doubtful layer -> those whose quantiles cross


def meets(uncertainty: CaseUncertainty, values: dict[str, FloatArray], asked: npt.NDArray[np.bool_]) -> FloatArray:
    """Probability that each rule is met where it is asked, (rules, rows, cols); NaN elsewhere."""
    found = np.full((len(uncertainty.asks), *asked.shape), np.nan, np.float32)
    for ask, into in zip(uncertainty.asks, found, strict=True):
        np.copyto(into, limit_probability(ask.uncertain, values, ask.limit, ask.is_at_least), where=asked)
    return found


def draw_block(
    uncertainty: CaseUncertainty, stack: Stack, criteria: Sequence[tuple[str, Curve]], rules: Rules,
    judged: JudgedBlock, groups: CellGroups | None = None, sums: GroupSums | None = None,
) -> DrawnBlock:  # fmt: skip
    """Every draw of one block.

    Args:
        doubt: what is drawn.
        stack: the layers.
        criteria: of the variant, the layer and the curve of each.
        rules: of the variant.
        judged: the block, as judged on the layers' own values.
        groups: shares of the block's cells by group, row by row.
        sums: to which judged ground is added, group by group.
    """
    found = np.full((3 + len(uncertainty.levels), *judged.window.shape), np.nan, np.float32)
    block = DrawnBlock(found, {}, {})
    known = ~np.isnan(judged.suitability)
    if not known.any():
        return block
    coordinates: dict[Mesh, Coordinates] = {}
    fields = []
    for uncertain in uncertainty.layers:
        mesh = stack.mesh_of(uncertain.layer)
        if mesh not in coordinates:
            coordinates[mesh] = mesh.coordinates(judged.window)
        fields.append(_Field(uncertain, stack, mesh, coordinates[mesh]))
    for part in _parts(uncertainty, fields, judged.window):
        if not known[part.relative_to(judged.window).slices].any():
            continue
        tables = {field.uncertain.layer: field.drawn(part, uncertainty) for field in fields}
        for name, table in tables.items():
            block.cells[name] = block.cells.get(name, 0) + len(table.draws)
            block.crossing[name] = block.crossing.get(name, 0) + table.crossing
        ready = [
            (k, name, *_judged(tables[name], curve, part)) for k, (name, curve) in enumerate(criteria) if name in tables
        ]
        for row in range(part.row, part.row + part.rows, _STRIP):
            strip = Window(row, part.col, min(_STRIP, part.row + part.rows - row), part.cols)
            rows, cols = strip.relative_to(judged.window).slices
            judge_here = known[rows, cols].reshape(-1)
            if not judge_here.any():
                continue
            at = _taps(fields, tables, strip)
            drawn = [DrawnCriterion(k, table, at[name], curve) for k, name, table, curve in ready]
            memberships = np.ascontiguousarray(judged.memberships[:, rows, cols]).reshape(len(criteria), -1)
            own = None if groups is None else groups.at(_numbers(strip, judged.window))
            figures = None if sums is None else sums.figures
            made = judge_draws(
                memberships, judge_here, drawn, uncertainty.draws, rules, own, figures, uncertainty.levels
            )
            if own is not None and sums is not None and len(own.group):
                for layer, uncertain in enumerate(uncertainty.layers):
                    name = uncertain.layer
                    sums.add_values(layer, tables[name].draws, at[name], judge_here, own)
            for band, values in enumerate((made.mean, made.sd, made.reached, *made.quantiles)):
                found[band, rows, cols] = values.reshape(strip.shape)
    return block


def _taps(fields: list[_Field], tables: dict[str, _Table], strip: Window) -> dict[str, SourceWeights]:
    """The source cells of a strip, layer by layer; layers without gaps on one grid share theirs."""
    found, shared = {}, {}
    for field in fields:
        table = tables[field.uncertain.layer]
        key = (field.mesh, table.method, tuple(table.there)) if table.is_whole else None
        if key is None or key not in shared:
            taken = field.taps(table, strip)
            if key is not None:
                shared[key] = taken
        found[field.uncertain.layer] = taken if key is None else shared[key]
    return found


class _Table(NamedTuple):
    """A doubtful layer's source cells under a part of a block; several windows where the ground is torn apart."""

    values: list[FloatArray]
    there: list[Window]
    draws: FloatArray  # (cells of all windows, draws)
    crossing: int
    method: str
    is_whole: bool  # no cell is missing


@dataclass(frozen=True, slots=True)
class _Field:
    """A doubtful layer under a block."""

    uncertain: UncertainLayer
    stack: Stack
    mesh: Mesh
    at: Coordinates

    @property
    def method(self) -> str:
        return next(layer.method for layer in self.stack.layers if layer.name == self.uncertain.layer)

    def windows(self, part: Window) -> list[Window]:
        return source_windows(self.mesh, self.method, *source_positions(self.mesh, self.at, part))

    def drawn(self, part: Window, uncertainty: CaseUncertainty) -> _Table:
        found = [
            draw_cells(self.stack, self.uncertain, window, uncertainty.seed, uncertainty.draws)
            for window in self.windows(part)
        ]
        tables = [each.table for each in found] or [np.empty((0, uncertainty.draws), np.float32)]
        table = tables[0] if len(tables) == 1 else np.concatenate(tables)
        crossing = sum(each.crossing for each in found)
        values, there = [each.values for each in found], [each.window for each in found]
        is_whole = not any(np.isnan(each).any() for each in values)
        return _Table(values, there, table, crossing, self.method, is_whole)

    def taps(self, table: _Table, strip: Window) -> SourceWeights:
        parts, offset = [], 0
        for values, there in zip(table.values, table.there, strict=True):
            parts.append(source_weights(values, there, self.mesh, self.at, strip, table.method, offset))
            offset += values.size
        if not parts:
            parts.append(source_weights(np.empty((0, 0), np.float32), strip, self.mesh, self.at, strip, table.method))
        return merge_weights(parts)


def _judged(table: _Table, curve: Curve, part: Window) -> tuple[FloatArray, Curve | None]:
    """Draws judged on the source's own cells where analysis cells take whole ones and there are more of them."""
    if table.method == "nearest" and len(table.draws) < part.rows * part.cols:
        return membership(table.draws, curve), None
    return table.draws, curve


def _parts(uncertainty: CaseUncertainty, fields: list[_Field], window: Window) -> Iterator[Window]:
    """Parts of a block whose source cells in all draws find room, halved until they do."""
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


def _numbers(strip: Window, block: Window) -> npt.NDArray[np.int64]:
    """The numbers that a strip's cells have in their block, row by row."""
    rows, cols = strip.relative_to(block).slices
    numbers = np.arange(block.rows)[rows, None] * block.cols + np.arange(block.cols)[None, cols]
    return numbers.reshape(-1)
