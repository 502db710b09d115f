"""One pass over the tiles: a pool judges and encodes them, one writer keeps and assembles them."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from underoak.engine.cog import BLOCK, assemble, encode, levels, shape_at
from underoak.engine.outputs import Output, halve
from underoak.engine.pool import Pool
from underoak.engine.progress import Progress
from underoak.engine.reducer import Reducer
from underoak.engine.spool import Spool, disk_error
from underoak.engine.tile import Work
from underoak.grid import Grid
from underoak.layers.gdal import env, open_raster

TILE = 2 * BLOCK  # a tile holds whole blocks of the first overview


def whole_tiles(size: int) -> int:
    """A tile size rounded up to whole blocks of the first overview.

    >>> whole_tiles(1), whole_tiles(1500)
    (1024, 2048)
    """
    return max(TILE, -(-size // TILE) * TILE)


def run_tiles(work: Work, spool: Spool, tile: int, pool: Pool, progress: Progress) -> None:
    """Judge every tile that the spool does not hold yet, and keep each as soon as it is done."""
    todo = [w for w in work.recipe.grid.tiles(whole_tiles(tile)) if w not in spool.done]
    progress.start("judging", len(todo))
    for result in pool.results(work, todo):
        spool.add(result)
        progress.advance()
    progress.finish()


def build_overviews(spool: Spool, outputs: Sequence[Output], grid: Grid) -> None:
    """The overview levels above the first, each from the one below, block row by block row."""
    for output in outputs:
        for level in range(2, levels(grid) + 1):
            below = spool.folder / "level.tif"
            with open(below, "wb") as out:
                assemble(
                    out, output.layout, grid, range(level - 1, level), spool.pieces[output.layout.name], spool.read
                )
            with env(), open_raster(str(below), "GTiff") as source:
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
            path.parent.mkdir(parents=True, exist_ok=True)
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
