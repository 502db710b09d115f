"""The work on one tile: judge it, encode its blocks, keep what the reducers want. Any worker anywhere can do it."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from underoak.engine.cog import BLOCK, encode, levels
from underoak.engine.outputs import Output, halve
from underoak.engine.recipe import Recipe, judge_window
from underoak.engine.reducer import Reducer
from underoak.engine.spool import TileResult
from underoak.grid import Window
from underoak.layers.gdal import env


@dataclass(frozen=True)
class Work:
    """What every worker gets once. Picklable."""

    recipe: Recipe
    outputs: tuple[Output, ...]
    reducers: tuple[Reducer, ...]


def do_tile(work: Work, window: Window) -> TileResult:
    """Judge one tile, and encode its blocks and those of its first overview."""
    with env():
        judged, notes = judge_window(work.recipe, window)
        result = TileResult(window, {}, {}, notes)
        has_overview = levels(work.recipe.grid) > 0
        for output in work.outputs:
            cells = output.cells(judged)
            blocks = list(_blocks(cells, output, 0, window))
            if has_overview:
                blocks += _blocks(halve(cells, output), output, 1, window)
            result.blocks[output.layout.name] = blocks
    for reducer in work.reducers:
        kept = result.parts[reducer.name] = []
        for row in range(window.row, window.row + window.rows, BLOCK):
            for col in range(window.col, window.col + window.cols, BLOCK):
                rows, cols = (min(BLOCK, end - at) for end, at in zip(_ends(window), (row, col), strict=True))
                part = reducer.reduce(judged.at(Window(row, col, rows, cols)))
                if part:
                    buffer = io.BytesIO()
                    np.savez(buffer, **part)  # type: ignore[arg-type]
                    kept.append(((row // BLOCK, col // BLOCK), buffer.getvalue()))
    return result


def _ends(window: Window) -> tuple[int, int]:
    return window.row + window.rows, window.col + window.cols


def _blocks(
    cells: Any, output: Output, level: int, window: Window
) -> Iterator[tuple[tuple[int, int, int, int], bytes]]:
    down, across = (-(-n // BLOCK) for n in cells.shape[1:])
    first_row, first_col = window.row // 2**level // BLOCK, window.col // 2**level // BLOCK
    for i, data in enumerate(encode(cells, output.layout)):
        band, rest = divmod(i, down * across)
        row, col = divmod(rest, across)
        yield (level, band, first_row + row, first_col + col), data
