"""A timing trial: a few blocks judged in memory and discarded, to estimate what the whole region takes."""

from __future__ import annotations

import time
import zlib
from dataclasses import dataclass

import numpy as np

from underoak.base.grid import Window
from underoak.engine.workers.tile import TileJob, judge_tile
from underoak.engine.write.cog import BLOCK
from underoak.layers.shapes import coverage

_MOST = 8  # blocks
_LAYER_BLOCKS = 75  # blocks times layers and criteria: about half a second of one thread
_POINTS = 256  # of the grid that are tested for lying in the region
_MIDDLE = 64  # cells along the windows that are tested
_PLASTIC = 1.32471795724474602596  # its powers give points that cover a square evenly, however many (Roberts 2018,
# from memory)
_ALONE = 1 / 1.4  # cost of a block in a tile, relative to a block by itself (measured on 8192 x 8192 cells)


@dataclass(frozen=True, slots=True)
class Trial:
    """A measurement on blocks of the region. Times are those of one thread."""

    inside: float  # share of the grid's cells that lie in the region
    seconds: float  # to judge and encode one cell inside, with its first overview
    bytes_full: float  # encoded, for one cell inside: full size
    bytes_half: float  # encoded, for one cell inside: first overview


def trial(work: TileJob) -> Trial | None:
    """Judge a few blocks spread over the region, always the same, and return the trial; None if there are none."""
    grid = work.recipe.grid
    blocks, inside = _in_region(work)
    if not blocks:
        return None
    first = blocks[0]
    judge_tile(work, Window(first.row, first.col, 1, 1))  # opens the files, loads the kernels
    judged_by = len(work.recipe.stack.layers) + sum(len(case_recipe.criteria) for case_recipe in work.recipe.cases)
    cells = full = half = 0
    seconds = 0.0
    for window in blocks[: min(_MOST, max(1, _LAYER_BLOCKS // judged_by))]:
        start = time.thread_time()
        result = judge_tile(work, window)
        if not result.notes.inside:
            continue
        seconds += time.thread_time() - start
        cells += result.notes.inside
        for encoded in result.blocks.values():
            full += sum(len(data) for (level, *_), data in encoded if level == 0)
            half += sum(len(data) for (level, *_), data in encoded if level == 1)
    if not cells:
        return None
    if grid.rows * grid.cols > BLOCK * BLOCK:
        seconds *= _ALONE
    return Trial(inside, seconds / cells, full / cells, half / cells)


def _in_region(work: TileJob) -> tuple[list[Window], float]:
    """Return blocks that hold some of the region, and its share of the grid. Any start of the list is evenly spread."""
    grid, outline = work.recipe.grid, work.recipe.outline
    down, across = -(-grid.rows // BLOCK), -(-grid.cols // BLOCK)
    blocks: dict[Window, None] = {}
    n_inside = n_tested = 0
    for n in range(_POINTS):
        row, col = (int((0.5 + n / _PLASTIC**power) % 1 * size) for power, size in ((2, down), (1, across)))
        block = Window(row * BLOCK, col * BLOCK, BLOCK, BLOCK).clip(*grid.shape)
        rows, cols = min(_MIDDLE, block.rows), min(_MIDDLE, block.cols)
        middle = Window(block.row + (block.rows - rows) // 2, block.col + (block.cols - cols) // 2, rows, cols)
        count = rows * cols if outline is None else int(np.count_nonzero(coverage.covers_centre(outline, middle)))
        n_tested += rows * cols
        n_inside += count
        if count:
            blocks.setdefault(block)
    return list(blocks), n_inside / n_tested


def slowness() -> float:
    """Return how slow one core is, relative to the machine of `UnitCosts`: 2.0 is half as fast.

    It times the fastest deflate of a fixed text, as most of the costs outside the trial are of that kind.
    """
    text = bytes(np.arange(1 << 21, dtype=np.uint32) * np.uint32(2654435761) >> np.uint32(27))
    best = float("inf")
    for _ in range(2):
        start = time.thread_time()
        zlib.compress(text, 1)
        best = min(best, time.thread_time() - start)
    return best / _DEFLATE_SECONDS if best > 0 else 1.0


_DEFLATE_SECONDS = 0.0135  # on the machine the costs were measured on
