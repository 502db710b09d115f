"""The overviews above the first, made during the tiles, so that no block has to be decoded again."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from underoak.base.grid import Grid, Window
from underoak.engine.storage.spool import TILE, Key
from underoak.engine.write.cog import BLOCK, encode, levels, shape_at
from underoak.engine.write.outputs import Cells, Output, halve

_MOST_BYTES = 32_000_000  # of unfinished blocks in memory

Square = tuple[int, int]  # row and column among the blocks of a level
Parts = dict[Square, Cells]


class Pyramid:
    """Overview blocks in the making: each waits until its four parts are there. Threads may share one.

    With tiles in bands, few blocks of the lower levels wait at a time. If too many wait, the highest levels are given
    up. A block is never completed here if an earlier run or another process judged one of its tiles.
    `runner.build_overviews` makes the levels that lack one.
    """

    def __init__(self, grid: Grid, outputs: Sequence[Output]) -> None:
        self._outputs = outputs
        self._top = levels(grid)
        sides = [shape_at(grid, level) for level in range(self._top + 1)]
        self._blocks = [(-(-rows // BLOCK), -(-cols // BLOCK)) for rows, cols in sides]
        self._begun: list[dict[tuple[str, Square], Parts]] = [{} for _ in sides]
        self._bytes = 0
        self._lock = threading.Lock()

    def take(self, tile: Window, first: Mapping[str, Cells]) -> Iterator[tuple[str, Key, bytes]]:
        """Add a tile's cells of the first overview; yield the blocks it completes: output name, key, encoded."""
        row, col = tile.row // TILE, tile.col // TILE
        for output in self._outputs if self._top > 1 else ():
            cells = first[output.layout.name]
            for i, down in enumerate(range(0, cells.shape[1], BLOCK)):
                for j, right in enumerate(range(0, cells.shape[2], BLOCK)):
                    block = cells[:, down : down + BLOCK, right : right + BLOCK]
                    yield from self._raised(output, 1, (row + i, col + j), block)

    def _raised(self, output: Output, level: int, square: Square, cells: Cells) -> Iterator[tuple[str, Key, bytes]]:
        """Yield the blocks above that a block of a level completes."""
        if level >= self._top:
            return
        name, above = output.layout.name, (square[0] // 2, square[1] // 2)
        parts = self._add((name, above), level + 1, square, halve(cells, output))
        if parts is not None:
            joined = _joined(parts)
            for band, data in enumerate(encode(joined, output.layout)):
                yield name, (level + 1, band, *above), data
            yield from self._raised(output, level + 1, above, joined)

    def _add(self, key: tuple[str, Square], level: int, square: Square, cells: Cells) -> Parts | None:
        """Add a part of a block; return all its parts if this is the last, else None."""
        with self._lock:
            if level > self._top:  # given up by another thread
                return None
            parts = self._begun[level].setdefault(key, {})
            parts[square] = cells
            self._bytes += cells.nbytes
            (down, across), (row, col) = self._blocks[level - 1], key[1]
            if len(parts) == min(2, down - 2 * row) * min(2, across - 2 * col):
                self._bytes -= _size(parts)
                return self._begun[level].pop(key)
            while self._bytes > _MOST_BYTES:
                self._bytes -= sum(map(_size, self._begun[self._top].values()))
                self._begun[self._top].clear()
                self._top -= 1
            return None


def _size(parts: Parts) -> int:
    return sum(cells.nbytes for cells in parts.values())


def _joined(parts: Parts) -> Cells:
    """Return the cells of adjacent blocks in one array."""
    rows, cols = sorted({row for row, _ in parts}), sorted({col for _, col in parts})
    return np.concatenate([np.concatenate([parts[row, col] for col in cols], axis=2) for row in rows], axis=1)
