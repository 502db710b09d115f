"""Draws of uncertain layers: every source cell has its own normals, in any window and any process.

A normal depends only on the seed, the layer's name, the source cell and the number of the draw, not on window, tile,
order or number of workers. A source cell is one draw, however fine the analysis grid.

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
Places = npt.NDArray[np.int64]

_LENGTHS = (
    4.0  # a stretch of the sum is at least so many e-folding lengths: what is cut off is below e^-8 of the variance
)
_STEPS = 8  # cells shorter than a 16th of the length are drawn together, in blocks of up to an 8th


@dataclass(frozen=True, slots=True)
class Axis:
    """A correlation along rows or columns: exp(-distance / length), in source cells."""

    block: int = 1  # source cells that share a normal
    weight: float = 0.0  # correlation of neighbouring blocks
    reach: int = 0  # blocks in a stretch; 0: independent

    @classmethod
    def of(cls, length: float) -> Axis:
        """Return the axis of an e-folding length [source cells]; 0 is independent.

        >>> Axis.of(3.2)
        Axis(block=1, weight=0.7316156289466418, reach=13)
        """
        if length <= 0.0:
            return cls()
        block = max(1, math.floor(length / _STEPS))
        return cls(block, math.exp(-block / length), math.ceil(_LENGTHS * length / block))

    def realised(self, a: int, b: int) -> float:
        """Return the exact correlation of cells a and b of one line, with the cut-off.

        >>> round(Axis.of(3.2).realised(100, 101), 4), round(math.exp(-1 / 3.2), 4)
        (0.7316, 0.7316)
        """
        a, b = sorted((a // self.block, b // self.block))
        if not self.reach:
            return float(a == b)
        starts = [(at // self.reach - 1) * self.reach for at in (a, b)]
        r = self.weight

        def total(count: int) -> float:
            return math.fsum(r ** (2 * i) for i in range(count))

        shared = r ** (b - a) * total(max(a - starts[1] + 1, 0))
        return shared / math.sqrt(total(a - starts[0] + 1) * total(b - starts[1] + 1))


@dataclass(frozen=True, slots=True)
class Correlation:
    """A correlation over a source grid: the product of those along its rows and along its columns.

    It falls to 1/e over the range along either axis, and over less diagonally.
    """

    down: Axis = Axis()
    across: Axis = Axis()

    @classmethod
    def of(cls, range_m: float, dy: float, dx: float) -> Correlation:
        """Return the correlation of an e-folding length [m] and source cells of a size [m]; range 0 is independent.

        >>> Correlation.of(800.0, 250.0, 250.0).across.block, Correlation.of(800.0, 10.0, 10.0).across.block
        (1, 10)
        """
        return cls(Axis.of(range_m / dy), Axis.of(range_m / dx))

    def realised(self, a: tuple[int, int], b: tuple[int, int]) -> float:
        """Return the exact correlation of two source cells (row, col)."""
        return self.down.realised(a[0], b[0]) * self.across.realised(a[1], b[1])


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
    from underoak.uncertainty.draws import draw_kernels as kernels

    down, across = correlation.down, correlation.across
    rows, row_at = _blocks(window.row, window.rows, down)
    cols, col_at = _blocks(window.col, window.cols, across)
    first_row, last_row, first_col, last_col = *rows, *cols
    z = np.empty((last_row - first_row, last_col - first_col, draws), np.float32)
    kernels.stratified(base, first_row, first_col, -(-turn // across.block), z)
    if across.reach:
        kernels.along_rows(z, *kernels.powers(across.weight, across.reach))
    if down.reach:
        kernels.along_columns(z.reshape(len(z), -1), *kernels.powers(down.weight, down.reach))
    if across.reach or down.reach:
        z = np.ascontiguousarray(z[row_at[0] :, col_at[0] :])
        row_at, col_at = row_at - row_at[0], col_at - col_at[0]
        if draws > 1:
            kernels.restratified(z.reshape(-1, draws), kernels.even_shares(draws))
    return Normals(z, row_at, col_at)


def _blocks(first: int, count: int, axis: Axis) -> tuple[tuple[int, int], Places]:
    """Return the blocks to draw along an axis, from the stretch before the first on, and the block of each cell."""
    at = np.arange(first, first + count) // axis.block
    start, end = int(at[0]), int(at[-1]) + 1
    if axis.reach:
        start = (start // axis.reach - 1) * axis.reach
    return (start, end), at - start
