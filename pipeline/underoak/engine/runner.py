"""One pass over the tiles: workers judge and encode, one writer keeps and assembles."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from underoak.engine.cog import BLOCK, assemble, encode, levels, shape_at
from underoak.engine.outputs import Output, halve
from underoak.engine.progress import Progress
from underoak.engine.recipe import Recipe, judge_window
from underoak.engine.reducer import Reducer
from underoak.engine.spool import Spool, TileResult, disk_error
from underoak.grid import Grid, Window
from underoak.layers.gdal import env as raster_env
from underoak.layers.gdal import open_raster

TILE = 2 * BLOCK  # a tile holds whole blocks of the first overview


@dataclass(frozen=True)
class Work:
    """What every worker gets once."""

    recipe: Recipe
    outputs: tuple[Output, ...]
    reducers: tuple[Reducer, ...]


def whole_tiles(size: int) -> int:
    """A tile size rounded up to whole blocks of the first overview.

    >>> whole_tiles(1), whole_tiles(1500)
    (1024, 2048)
    """
    return max(TILE, -(-size // TILE) * TILE)


def do_tile(work: Work, window: Window) -> TileResult:
    """Judge one tile, and encode its blocks and those of its first overview."""
    with raster_env():
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


def run_tiles(work: Work, spool: Spool, tile: int, workers: int, progress: Progress) -> None:
    """Judge every tile that the spool does not hold yet, with a bounded number in flight."""
    todo = [w for w in work.recipe.grid.tiles(whole_tiles(tile)) if w not in spool.done]
    progress.start("judging", len(todo))
    with ThreadPoolExecutor(workers, thread_name_prefix="tile") as pool:
        waiting: set[Future[TileResult]] = set()
        rest = iter(todo)
        try:
            for window in rest:
                waiting.add(pool.submit(do_tile, work, window))
                if len(waiting) >= workers + 1:
                    waiting = _keep(waiting, spool, progress)
            while waiting:
                waiting = _keep(waiting, spool, progress)
        except BaseException:
            for future in waiting:
                future.cancel()
            raise
    progress.finish()


def _keep(waiting: set[Future[TileResult]], spool: Spool, progress: Progress) -> set[Future[TileResult]]:
    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
    for future in done:
        spool.add(future.result())
        progress.advance()
    return waiting


def build_overviews(spool: Spool, outputs: Sequence[Output], grid: Grid) -> None:
    """The overview levels above the first, each from the one below, block row by block row."""
    for output in outputs:
        for level in range(2, levels(grid) + 1):
            below = spool.folder / "level.tif"
            with open(below, "wb") as out:
                assemble(
                    out, output.layout, grid, range(level - 1, level), spool.pieces[output.layout.name], spool.read
                )
            with raster_env(), open_raster(str(below), "GTiff") as source:
                rows, cols = shape_at(grid, level)
                for row in range(0, rows, BLOCK):
                    for col in range(0, cols, BLOCK):
                        window = ((2 * row, min(2 * row + 2 * BLOCK, source.height)),
                                  (2 * col, min(2 * col + 2 * BLOCK, source.width)))  # fmt: skip
                        cells = halve(source.read(window=window), output)
                        for band, data in enumerate(encode(cells, output.layout)):
                            spool.add_block(output.layout.name, (level, band, row // BLOCK, col // BLOCK), data)
            below.unlink()


def write_rasters(spool: Spool, outputs: Sequence[Output], grid: Grid, folder: Path) -> list[Path]:
    """Assemble every raster under a temporary name in `folder`; returns those paths.

    Raises:
        UnderoakError: E501, E502.
    """
    made = []
    for output in outputs:
        path = folder / output.layout.name
        try:
            with open(path, "wb") as out:
                pieces = spool.pieces[output.layout.name]
                assemble(out, output.layout, grid, range(levels(grid) + 1), pieces, spool.read)
                out.flush()
                os.fsync(out.fileno())
        except OSError as error:
            raise disk_error(error, path) from error
        made.append(path)
    return made


def reduced(spool: Spool, reducers: Sequence[Reducer]) -> dict[str, Any]:
    """Every reducer's result, from its parts in block order."""

    def parts(name: str) -> Iterator[dict[str, Any]]:
        for _, piece in sorted(spool.parts.get(name, {}).items()):
            with np.load(io.BytesIO(spool.read(piece))) as kept:
                yield dict(kept)

    return {reducer.name: reducer.finish(parts(reducer.name)) for reducer in reducers}
