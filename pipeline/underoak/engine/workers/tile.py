"""The work on one tile: judge it, encode its blocks, keep what the reducers want. Any worker anywhere can do it."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from underoak.base.grid import Window
from underoak.engine.judge.block_draws import draw_block
from underoak.engine.judge.recipe import CaseRecipe, Recipe, TileCounts, judge_window
from underoak.engine.judge.reducer import DrawReducer, JudgedBlock, Reducer
from underoak.engine.storage.spool import TileResult
from underoak.engine.workers.overviews import Pyramid
from underoak.engine.write.cog import BLOCK, encode, levels
from underoak.engine.write.outputs import Cells, Output, halve
from underoak.layers.formats.gdal import gdal_settings
from underoak.uncertainty.draws.draw_overlay import GroupSums


class FinishedTiles(dict[Window, TileResult]):
    """What threads of this process share: tiles they have finished, for when one fails, and the overviews."""

    def __init__(self, pyramid: Pyramid) -> None:
        super().__init__()
        self.pyramid = pyramid

    def __reduce__(self) -> tuple[type[None], tuple[()]]:
        return type(None), ()  # it stays in its process


@dataclass(frozen=True)
class TileJob:
    """What every worker gets once. Picklable."""

    recipe: Recipe
    outputs: tuple[Output, ...]
    reducers: tuple[Reducer | DrawReducer, ...]
    tray: FinishedTiles | None = field(default=None, compare=False)

    @cached_property
    def with_values(self) -> frozenset[int]:
        """The variants of which a reducer wants to see raw values, not memberships alone."""
        return frozenset(r.case for r in self.reducers if getattr(r, "needs_values", False))


def judge_tile(work: TileJob, window: Window) -> TileResult:
    """Judge one tile, and encode its blocks and those of its first overview.

    Blocks are judged one after the other, so that a tile of any size takes the memory of one block.
    """
    result = TileResult(window, {}, {})
    halves: dict[str, Cells] = {}  # the cells of the first overview
    with gdal_settings():
        for block in block_windows(window):
            _judge_block(work, block, result, halves)
        for output in work.outputs if levels(work.recipe.grid) else ():
            name = output.layout.name
            result.blocks[name] += encoded_blocks(halves[name], output, 1, window)
        if work.tray is not None:
            for name, key, data in work.tray.pyramid.take(window, halves):
                result.blocks[name].append((key, data))
    if work.tray is not None:
        work.tray[window] = result
    return result


def _judge_block(work: TileJob, block: Window, result: TileResult, halves: dict[str, Cells]) -> None:
    notes, tile = TileCounts(), result.window
    for at, judged in enumerate(judge_window(work.recipe, block, notes, work.with_values)):
        case = work.recipe.cases[at]
        if case.uncertainty is not None and case.uncertainty.layers:
            judged = _drawn(work, at, case, judged, result, notes)
        for output in work.outputs:
            if output.case != at or output.cells is None:
                continue
            name, cells = output.layout.name, output.cells(judged)
            result.blocks.setdefault(name, []).extend(encoded_blocks(cells, output, 0, block))
            if levels(work.recipe.grid):
                half = tuple(-(-n // 2) for n in tile.shape)
                into = halves.setdefault(name, np.empty((len(cells), *half), cells.dtype))
                row, col = (block.row - tile.row) // 2, (block.col - tile.col) // 2
                into[:, row : row + BLOCK // 2, col : col + BLOCK // 2] = halve(cells, output)
        for reducer in work.reducers:
            if reducer.case == at and not isinstance(reducer, DrawReducer):
                result.parts.setdefault(reducer.name, []).extend(_parts(reducer, judged))
    result.notes.add(notes)


def _drawn(
    work: TileJob, at: int, case: CaseRecipe, judged: JudgedBlock, result: TileResult, notes: TileCounts
) -> JudgedBlock:
    """Every draw of a block; what a reducer keeps of it goes to the result."""
    assert case.uncertainty is not None
    uncertainty, stack = case.uncertainty, work.recipe.stack
    criteria = [(criterion.layer, criterion.curve) for criterion in case.criteria]
    reducer = next((r for r in work.reducers if r.case == at and isinstance(r, DrawReducer)), None)
    if reducer is None:
        found = draw_block(uncertainty, stack, criteria, case.rules, judged)
    else:
        which, groups = reducer.groups(judged)
        figures = uncertainty.figures(layer for layer, _ in criteria)
        sums = GroupSums.of(len(which), figures, len(uncertainty.layers), uncertainty.draws)
        found = draw_block(uncertainty, stack, criteria, case.rules, judged, groups, sums)
        if len(which):
            kept = _kept(judged.window, reducer.reduce_draws(judged, which, groups, sums))
            result.parts.setdefault(reducer.name, []).append(kept)
    notes.drawn |= {f"{at}:{name}": count for name, count in found.cells.items()}
    notes.crossing |= {f"{at}:{name}": count for name, count in found.crossing.items() if count}
    return replace(judged, spread=found.spread)


def _parts(reducer: Reducer, judged: JudgedBlock) -> Iterator[tuple[tuple[int, int], bytes]]:
    """What a reducer keeps of each block, as bytes."""
    whole = judged.window
    for window in block_windows(whole):
        part = reducer.reduce(judged.at(window))
        if part:
            yield _kept(window, part)


def _kept(block: Window, part: Mapping[str, Any]) -> tuple[tuple[int, int], bytes]:
    buffer = io.BytesIO()
    np.savez(buffer, **part)
    return (block.row // BLOCK, block.col // BLOCK), buffer.getvalue()


def block_windows(whole: Window) -> Iterator[Window]:
    """The blocks of a tile, row by row."""
    return whole.tiles(BLOCK)


def encoded_blocks(
    cells: Any, output: Output, level: int, window: Window
) -> Iterator[tuple[tuple[int, int, int, int], bytes]]:
    """A tile's cells of one overview level as encoded blocks, each with its level, band, block row and block column."""
    down, across = (-(-n // BLOCK) for n in cells.shape[1:])
    first_row, first_col = window.row // 2**level // BLOCK, window.col // 2**level // BLOCK
    for i, data in enumerate(encode(cells, output.layout)):
        band, rest = divmod(i, down * across)
        row, col = divmod(rest, across)
        yield (level, band, first_row + row, first_col + col), data
