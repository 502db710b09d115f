"""The work on one tile: judge it, encode its blocks, save what the reducers sum. Any worker can do it."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from underoak.base.grid import Window
from underoak.base.memory_errors import report_shortage
from underoak.engine.judge.block_draws import CaseUncertainty, draw_block
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.recipe import CaseRecipe, Recipe, judge_window
from underoak.engine.judge.reducer import DrawReducer, JudgedBlock, Reducer
from underoak.engine.storage.spool import PartKey, TileResult
from underoak.engine.workers.overviews import Pyramid
from underoak.engine.write.cog import BLOCK, encode, levels
from underoak.engine.write.outputs import Cells, Output, halve
from underoak.engine.write.statistics import block_figures
from underoak.layers.formats.gdal import gdal_settings
from underoak.plan.case import SINGLE, Case
from underoak.uncertainty.draws.draw_overlay import GroupSums


class FinishedTiles(dict[Window, TileResult]):
    """The finished tiles that threads of this process share, for when one fails; and the overviews."""

    def __init__(self, pyramid: Pyramid) -> None:
        super().__init__()
        self.pyramid = pyramid

    def __reduce__(self) -> tuple[type[None], tuple[()]]:
        return type(None), ()  # it stays in its process


@dataclass(frozen=True)
class CaseJob:
    """The rasters to encode and the sums to keep of one case."""

    case: Case
    outputs: tuple[Output, ...]
    reducers: tuple[Reducer[Any], ...] = ()
    draw_reducer: DrawReducer[Any] | None = None

    @property
    def needs_values(self) -> bool:
        """True if a reducer looks at values, and not at memberships alone."""
        return any(reducer.needs_values for reducer in self.reducers)


@dataclass(frozen=True)
class TileJob:
    """The work on every tile: every worker gets it once. Picklable."""

    recipe: Recipe
    cases: tuple[CaseJob, ...]
    finished_tiles: FinishedTiles | None = field(default=None, compare=False)

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The rasters of all cases."""
        return tuple(output for case_job in self.cases for output in case_job.outputs)

    @cached_property
    def by_case(self) -> Mapping[Case, CaseJob]:
        """The job of each case."""
        return {case_job.case: case_job for case_job in self.cases}

    @cached_property
    def with_values(self) -> frozenset[Case]:
        """The cases whose blocks must hold values."""
        return frozenset(case_job.case for case_job in self.cases if case_job.needs_values)

    def without_reducers(self) -> TileJob:
        """Return the job on rasters alone."""
        return TileJob(self.recipe, tuple(CaseJob(case_job.case, case_job.outputs) for case_job in self.cases))


def judge_tile(work: TileJob, window: Window) -> TileResult:
    """Judge one tile, and encode its blocks and those of its first overview.

    Blocks are judged one after the other, so that a tile of any size takes the memory of one block.

    Raises:
        UnderoakError: faults of reading; E503 when memory runs out.
    """
    where = f"tile of rows {window.row}+{window.rows}, columns {window.col}+{window.cols}"
    with report_shortage("judging it", where):
        return _judge_tile(work, window)


def _judge_tile(work: TileJob, window: Window) -> TileResult:
    result = TileResult(window, {}, {})
    halves: dict[str, Cells] = {}  # the cells of the first overview
    with gdal_settings():
        for block in block_windows(window):
            _judge_block(work, block, result, halves)
        for output in work.outputs if levels(work.recipe.grid) else ():
            name = output.layout.name
            result.blocks[name] += encoded_blocks(halves[name], output, 1, window)
        if work.finished_tiles is not None:
            for name, key, data in work.finished_tiles.pyramid.take(window, halves):
                result.blocks[name].append((key, data))
    if work.finished_tiles is not None:
        work.finished_tiles[window] = result
    return result


def _judge_block(work: TileJob, block: Window, result: TileResult, halves: dict[str, Cells]) -> None:
    counts, tile = TileCounts(), result.window
    for judged in judge_window(work.recipe, block, counts, work.with_values):
        case_job, case_recipe = work.by_case[judged.case], work.recipe.by_case[judged.case]
        if case_recipe.uncertainty is not None and case_recipe.uncertainty.layers:
            judged = _draw(work.recipe, case_recipe, case_recipe.uncertainty, case_job, judged, result, counts)
        for output in case_job.outputs:
            if output.cells is None:
                continue
            name, cells = output.layout.name, output.cells(judged)
            result.blocks.setdefault(name, []).extend(encoded_blocks(cells, output, 0, block))
            if output.layout.categories is None:
                figures = (block.row // BLOCK, block.col // BLOCK), block_figures(cells, output.layout.nodata)
                result.parts.setdefault(figures_key(output), []).append(figures)
            if levels(work.recipe.grid):
                half = tuple(-(-n // 2) for n in tile.shape)
                into = halves.setdefault(name, np.empty((len(cells), *half), cells.dtype))
                row, col = (block.row - tile.row) // 2, (block.col - tile.col) // 2
                into[:, row : row + BLOCK // 2, col : col + BLOCK // 2] = halve(cells, output)
        for reducer in case_job.reducers:
            result.parts.setdefault((judged.case, reducer.name), []).extend(_parts(reducer, judged))
    result.notes.add(counts)


def _draw(
    recipe: Recipe, case_recipe: CaseRecipe, uncertainty: CaseUncertainty, case_job: CaseJob, judged: JudgedBlock,
    result: TileResult, counts: TileCounts,
) -> JudgedBlock:  # fmt: skip
    """Judge a block in every draw; what the draw reducer saves of it goes to the result."""
    criteria = [(criterion.layer, criterion.curve) for criterion in case_recipe.criteria]
    reducer = case_job.draw_reducer
    if reducer is None:
        drawn = draw_block(uncertainty, recipe.stack, criteria, case_recipe.rules, judged)
    else:
        selected, groups = reducer.groups(judged)
        figures = uncertainty.figures(layer for layer, _ in criteria)
        sums = GroupSums.of(len(selected), figures, len(uncertainty.layers), uncertainty.draws, reducer.rank_weights)
        drawn = draw_block(uncertainty, recipe.stack, criteria, case_recipe.rules, judged, groups, sums)
        if len(selected):
            part = _packed(judged.window, reducer.reduce_draws(judged, selected, groups, sums))
            result.parts.setdefault((judged.case, reducer.name), []).append(part)
    case_counts = counts.of(judged.case)
    case_counts.drawn |= drawn.cells
    case_counts.crossing |= {name: count for name, count in drawn.crossing.items() if count}
    return replace(judged, spread=drawn.spread)


def _parts(reducer: Reducer[Any], judged: JudgedBlock) -> Iterator[tuple[tuple[int, int], bytes]]:
    """Yield what a reducer saves of each block, as bytes."""
    for window in block_windows(judged.window):
        part = reducer.reduce(judged.at(window))
        if part:
            yield _packed(window, part)


def _packed(block: Window, part: Mapping[str, Any]) -> tuple[tuple[int, int], bytes]:
    buffer = io.BytesIO()
    np.savez(buffer, **part)
    return (block.row // BLOCK, block.col // BLOCK), buffer.getvalue()


def block_windows(window: Window) -> Iterator[Window]:
    """Yield the blocks of a tile, row by row."""
    return window.tiles(BLOCK)


def figures_key(output: Output) -> PartKey:
    """Return the key of the figures that a raster's statistics are made of."""
    return SINGLE, f"statistics of {output.layout.name}"


def encoded_blocks(
    cells: Any, output: Output, level: int, window: Window
) -> Iterator[tuple[tuple[int, int, int, int], bytes]]:
    """Yield a tile's cells of one overview level as encoded blocks, by level, band, block row and block column."""
    down, across = (-(-n // BLOCK) for n in cells.shape[1:])
    first_row, first_col = window.row // 2**level // BLOCK, window.col // 2**level // BLOCK
    for i, data in enumerate(encode(cells, output.layout)):
        band, rest = divmod(i, down * across)
        row, col = divmod(rest, across)
        yield (level, band, first_row + row, first_col + col), data
