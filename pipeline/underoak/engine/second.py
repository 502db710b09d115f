"""The second overview, made with the tiles: nothing of the first has to be decoded for it."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from underoak.engine.cog import BLOCK, encode, levels
from underoak.engine.outputs import Cells, Output, halve
from underoak.engine.spool import TILE, Key
from underoak.grid import Grid, Window

_HALF = BLOCK // 2  # cells of the second overview along the side of a square of TILE cells
_MOST_BYTES = 32_000_000  # held of blocks that are begun

Square = tuple[int, int]  # row and column of a square of TILE cells


class Second:
    """Each tile's part of the second overview, held until the block it lies in is whole. Threads may share one.

    With tiles in bands a few blocks are begun at a time; where they are many, all are given up. A block of which an
    earlier run did a tile, or another process, is never whole here. `runner.build_overviews` makes the level then.
    """

    def __init__(self, grid: Grid, outputs: Sequence[Output]) -> None:
        self._outputs = outputs if levels(grid) > 1 else ()
        self._down, self._across = -(-grid.rows // TILE), -(-grid.cols // TILE)
        self._begun: dict[tuple[str, Square], dict[Square, Cells]] = {}
        self._bytes = 0
        self._lock = threading.Lock()

    def take(self, tile: Window, first: Mapping[str, Cells]) -> Iterator[tuple[str, Key, bytes]]:
        """Take in a tile's cells of the first overview; the blocks it makes whole: output name, key, encoded."""
        for output in self._outputs:
            name = output.layout.name
            for square, cells in _squares(tile, halve(first[name], output)):
                block = square[0] // 2, square[1] // 2
                whole = self._add(name, block, square, cells)
                if whole:
                    for band, data in enumerate(encode(_joined(whole), output.layout)):
                        yield name, (2, band, *block), data

    def _add(self, name: str, block: Square, square: Square, cells: Cells) -> dict[Square, Cells] | None:
        """All parts of a block when this is the last of them."""
        with self._lock:
            if not self._outputs:  # given up by another thread
                return None
            parts = self._begun.setdefault((name, block), {})
            parts[square] = cells
            self._bytes += cells.nbytes
            if len(parts) == min(2, self._down - 2 * block[0]) * min(2, self._across - 2 * block[1]):
                self._bytes -= sum(part.nbytes for part in parts.values())
                return self._begun.pop((name, block))
            if self._bytes > _MOST_BYTES:
                self._outputs = ()
                self._begun.clear()
            return None


def _squares(tile: Window, cells: Cells) -> Iterator[tuple[Square, Cells]]:
    """The cells of each square of TILE cells in a tile."""
    first = tile.row // TILE, tile.col // TILE
    for i, row in enumerate(range(0, cells.shape[1], _HALF)):
        for j, col in enumerate(range(0, cells.shape[2], _HALF)):
            yield (first[0] + i, first[1] + j), cells[:, row : row + _HALF, col : col + _HALF]


def _joined(parts: Mapping[Square, Cells]) -> Cells:
    """The cells of squares that touch, in one array."""
    rows, cols = sorted({row for row, _ in parts}), sorted({col for _, col in parts})
    return np.concatenate([np.concatenate([parts[row, col] for col in cols], axis=2) for row in rows], axis=1)
