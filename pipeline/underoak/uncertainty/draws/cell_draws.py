"""Draws of uncertain layers: every source cell has its own normals, in any window and any process.

A normal depends only on the seed, the layer's name, the source cell and the number of the draw, not on window, tile,
order or number of workers. A source cell is one draw, however fine the analysis grid. Where a source resolves less than
its cells (its grain), a square of one grain, anchored to the source grid's first row and column, is one draw.

Draws are stratified: the draws of a cell hold one normal from each of as many equal shares of the distribution, so that
64 of them already have the right mean and standard deviation. Correlated draws are sums over many cells, which are no
longer stratified; they are put back into equal shares cell by cell, in their order. So each cell has its exact standard
deviation; the correlation of a few draws is near what `realised` gives for many, and the mean of a parcel is only about
stratified.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Window

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_LENGTHS = (
    4.0  # a stretch of the sum is at least so many e-folding lengths: what is cut off is below e^-8 of the variance
)
_STEPS = 8  # cells shorter than a 16th of the length are drawn together, in blocks of up to an 8th


@dataclass(frozen=True, slots=True)
class Axis:
    """A correlation along rows or columns: exp(-distance / length)."""

    block: int = 1  # grains that share a normal
    weight: float = 0.0  # correlation of neighbouring blocks
    reach: int = 0  # blocks in a stretch; 0: independent
    grain: float = 1.0  # source cells that the source resolves as one, 1 or more

    @classmethod
    def of(cls, length: float, grain: float = 1.0) -> Axis:
        """Return the axis of an e-folding length and a grain [source cells]; length 0 is independent.

        A grain below one cell is one cell.

        >>> Axis.of(3.2)
        Axis(block=1, weight=0.7316156289466418, reach=13, grain=1.0)
        """
        grain = max(float(grain), 1.0)
        if length <= 0.0:
            return cls(grain=grain)
        grains = length / grain
        block = max(1, math.floor(grains / _STEPS))
        return cls(block, math.exp(-block / grains), math.ceil(_LENGTHS * grains / block), grain)

    def blocks_of(self, cells: npt.ArrayLike) -> Places:
        """Return the block of each cell: the one that holds its centre.

        >>> Axis.of(0.0, 2.5).blocks_of([-1, 0, 1, 2, 3, 4, 5, 6, 7]).tolist()
        [-1, 0, 0, 1, 1, 1, 2, 2, 3]
        """
        grains = np.floor((np.asarray(cells, np.float64) + 0.5) / self.grain).astype(np.int64)
        blocks: Places = grains // self.block
        return blocks

    def correlations(self, a: npt.ArrayLike, b: npt.ArrayLike) -> Doubles:
        """Return the exact correlation of cells a and b along a line, with the cut-off; the arrays broadcast."""
        blocks = self.blocks_of(a), self.blocks_of(b)
        first, second = np.minimum(*blocks), np.maximum(*blocks)
        if not self.reach:
            equal: Doubles = (first == second).astype(np.float64)
            return equal
        first_start, second_start = ((block // self.reach - 1) * self.reach for block in (first, second))
        r = self.weight

        def total(count: Places) -> Doubles:
            result: Doubles = (1.0 - np.power(r, 2.0 * count)) / (1.0 - r * r)
            return result

        powers: Doubles = np.power(r, (second - first).astype(np.float64))
        shared = powers * total(np.maximum(first - second_start + 1, 0))
        sizes = total(first - first_start + 1) * total(second - second_start + 1)
        result: Doubles = shared / np.sqrt(sizes)
        return result

    def realised(self, a: int, b: int) -> float:
        """Return the exact correlation of cells a and b of one line, with the cut-off.

        >>> round(Axis.of(3.2).realised(100, 101), 4), round(math.exp(-1 / 3.2), 4)
        (0.7316, 0.7316)
        """
        return float(self.correlations(a, b))


@dataclass(frozen=True, slots=True)
class Correlation:
    """A correlation over a source grid: the product of those along its rows and along its columns.

    It falls to 1/e over the range along either axis, and over less diagonally; at three times the range 0.05 are left
    (the practical range).
    """

    down: Axis = Axis()
    across: Axis = Axis()

    @classmethod
    def of(cls, range_m: float, dy: float, dx: float, grain_m: float = 0.0) -> Correlation:
        """Return the correlation of an e-folding length [m] and source cells of a size [m]; range 0 is independent.

        `grain_m` is the true resolution of the source [m], where it is coarser than the cells.

        >>> Correlation.of(800.0, 250.0, 250.0).across.block, Correlation.of(800.0, 10.0, 10.0).across.block
        (1, 10)
        >>> Correlation.of(800.0, 25.0, 25.0, 250.0).across.blocks_of([9, 10]).tolist()
        [0, 1]
        """
        return cls(Axis.of(range_m / dy, grain_m / dy), Axis.of(range_m / dx, grain_m / dx))

    def realised(self, a: tuple[int, int], b: tuple[int, int]) -> float:
        """Return the exact correlation of two source cells (row, col)."""
        return self.down.realised(a[0], b[0]) * self.across.realised(a[1], b[1])

    @property
    def is_independent(self) -> bool:
        """True if no two blocks are correlated."""
        return not (self.down.reach or self.across.reach)


INDEPENDENT = Correlation()


@dataclass(frozen=True, slots=True, eq=False)
class Normals:
    """A window's draws: those of the blocks under it, and the block of each row and column of source cells."""

    z: Singles  # (blocks down, blocks across, draws)
    row_at: Places
    col_at: Places

    def cells(self) -> Singles:
        """Return the draws cell by cell, (rows, cols, draws)."""
        values: Singles = self.z[self.row_at[:, None], self.col_at[None, :]]
        return values


def hash_seed(seed: int, layer: str) -> np.uint64:
    """Return the number that the hashes of a layer's cells start from."""
    text = f"{seed}/{layer}"
    return np.uint64(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "little"))


def draw(base: np.uint64, window: Window, draws: int, correlation: Correlation = INDEPENDENT, turn: int = 0) -> Normals:
    """Return standard normals for the source cells of a window, which may reach outside the source.

    Args:
        base: from `hash_seed`.
        window: rows and columns of the source.
        draws: how many for every cell.
        correlation: over the source's cells.
        turn: columns of a source that is periodic in longitude; 0 for any other.

    >>> one = draw(hash_seed(1, "soil_ph"), Window(10, 20, 1, 1), 64).cells()[0, 0]
    >>> bool(abs(one.mean()) < 0.01), round(float(one.std()), 1)
    (True, 1.0)
    """
    normals = independent_parts(base, window, draws, correlation, turn)
    if not correlation.is_independent:
        restore_shares(normals.z)
    return normals


def independent_parts(base: np.uint64, window: Window, draws: int, correlation: Correlation, turn: int = 0) -> Normals:
    """Return the normals of `draw` before they are put back into equal shares, so that they can be added up.

    Columns beyond the end of a source that is periodic are those from its start on.
    """
    if turn <= 0 or (window.col >= 0 and window.col + window.cols <= turn):
        return _correlated(base, window, draws, correlation, turn)
    parts, start, stop = [], window.col, window.col + window.cols
    while start < stop:
        end = min((start // turn + 1) * turn, stop)
        part = Window(window.row, start % turn, window.rows, end - start)
        parts.append(_correlated(base, part, draws, correlation, turn))
        start = end
    offsets = np.cumsum([0, *(part.z.shape[1] for part in parts)])
    col_at = np.concatenate([part.col_at + offset for part, offset in zip(parts, offsets, strict=False)])
    return Normals(np.concatenate([part.z for part in parts], axis=1), parts[0].row_at, col_at)


def restore_shares(z: Singles) -> None:
    """Put each block's draws, (..., draws), back into equal shares of the normal distribution, in their order."""
    from underoak.uncertainty.draws import draw_kernels as kernels

    draws = z.shape[-1]
    if draws > 1:
        kernels.restratified(z.reshape(-1, draws), kernels.even_shares(draws))


def _correlated(base: np.uint64, window: Window, draws: int, correlation: Correlation, turn: int) -> Normals:
    from underoak.uncertainty.draws import draw_kernels as kernels

    down, across = correlation.down, correlation.across
    rows, row_at = _blocks(window.row, window.rows, down)
    cols, col_at = _blocks(window.col, window.cols, across)
    first_row, last_row, first_col, last_col = *rows, *cols
    z = np.empty((last_row - first_row, last_col - first_col, draws), np.float32)
    turn_blocks = int(across.blocks_of(turn - 1)) + 1 if turn > 0 else 0
    kernels.stratified(base, first_row, first_col, turn_blocks, z)
    if across.reach:
        kernels.along_rows(z, *kernels.powers(across.weight, across.reach))
    if down.reach:
        kernels.along_columns(z.reshape(len(z), -1), *kernels.powers(down.weight, down.reach))
    if not correlation.is_independent:
        z = np.ascontiguousarray(z[row_at[0] :, col_at[0] :])
        row_at, col_at = row_at - row_at[0], col_at - col_at[0]
    return Normals(z, row_at, col_at)


def _blocks(first: int, count: int, axis: Axis) -> tuple[tuple[int, int], Places]:
    """Return the blocks to draw along an axis, from the stretch before the first on, and the block of each cell."""
    at = axis.blocks_of(np.arange(first, first + count))
    start, end = int(at[0]), int(at[-1]) + 1
    if axis.reach:
        start = (start // axis.reach - 1) * axis.reach
    return (start, end), at - start
