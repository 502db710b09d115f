"""The second overview, made while tiles come in: nothing of the first has to be decoded for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from underoak.engine.cog import BLOCK, encode, levels
from underoak.engine.outputs import Cells, Output
from underoak.engine.spool import TILE, Key, TileResult
from underoak.grid import Grid
from underoak.layers.gdal import env

_HALF = BLOCK // 2  # cells of the second overview along the side of a tile of TILE cells

Square = tuple[int, int]  # row and column of a square of TILE cells


class Second:
    """Holds each tile's part of the second overview until the block it lies in is whole.

    With tiles in the engine's order a few blocks are begun at a time. A block of which a tile was done by an earlier
    run is never whole here; `runner.build_overviews` makes the level then.
    """

    def __init__(self, grid: Grid, outputs: Sequence[Output]) -> None:
        self._outputs = {output.layout.name: output for output in outputs} if levels(grid) > 1 else {}
        self._down, self._across = -(-grid.rows // TILE), -(-grid.cols // TILE)
        self._begun: dict[tuple[str, Square], dict[Square, Cells]] = {}

    def take(self, result: TileResult) -> Iterator[tuple[str, Key, bytes]]:
        """Take in a tile; the blocks that it makes whole: output name, key, encoded."""
        for name, output in self._outputs.items():
            for square, cells in _squares(result, result.halves[name]):
                block = square[0] // 2, square[1] // 2
                parts = self._begun.setdefault((name, block), {})
                parts[square] = cells
                if len(parts) == min(2, self._down - 2 * block[0]) * min(2, self._across - 2 * block[1]):
                    with env():
                        encoded = encode(_joined(self._begun.pop((name, block))), output.layout)
                    yield from ((name, (2, band, *block), data) for band, data in enumerate(encoded))


def _squares(result: TileResult, cells: Cells) -> Iterator[tuple[Square, Cells]]:
    """The cells of each square of TILE cells in a tile."""
    first = result.window.row // TILE, result.window.col // TILE
    for i, row in enumerate(range(0, cells.shape[1], _HALF)):
        for j, col in enumerate(range(0, cells.shape[2], _HALF)):
            yield (first[0] + i, first[1] + j), cells[:, row : row + _HALF, col : col + _HALF]


def _joined(parts: dict[Square, Cells]) -> Cells:
    """The cells of squares that touch, in one array."""
    rows, cols = sorted({row for row, _ in parts}), sorted({col for _, col in parts})
    return np.concatenate([np.concatenate([parts[row, col] for col in cols], axis=2) for row in rows], axis=1)
