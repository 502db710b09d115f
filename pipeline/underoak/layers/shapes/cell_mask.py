"""A mask of cells, one bit for each: it takes the same memory however many shapes it is made from."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Window
from underoak.layers.shapes.coverage import Edges, covers_centre, touches_cell

BITS = 8
_BLOCK = 512  # cells along the windows that are burned at once; whole bytes


@dataclass(frozen=True, slots=True, eq=False)
class CellMask:
    """A mask of the cells of a grid. Memory that no shape touches is not taken."""

    shape: tuple[int, int]  # rows, columns
    bits: npt.NDArray[np.uint8]  # eight cells of a row in each, (rows, columns / 8)

    @classmethod
    def empty(cls, rows: int, cols: int) -> CellMask:
        """Return a mask without a cell."""
        return cls((rows, cols), np.zeros((rows, -(-cols // BITS)), np.uint8))

    def burn(self, edges: Edges, touch: str) -> None:
        """Add the cells whose centre the polygons hold (`touch: centre`), or that they touch (`any`).

        >>> from shapely import box
        >>> from underoak.base.grid import Grid
        >>> from underoak.layers.shapes.coverage import polygon_edges
        >>> grid, mask = Grid.north_up("EPSG:25831", 0.0, 30.0, 10.0, 3, 3), CellMask.empty(3, 3)
        >>> mask.burn(polygon_edges([box(5, 5, 25, 25)], grid), "centre")
        >>> mask.at(grid.window).astype(int).tolist()
        [[1, 1, 0], [1, 1, 0], [0, 0, 0]]
        """
        cells_under = touches_cell if touch == "any" else covers_centre
        for window in _around(edges, self.shape).tiles(_BLOCK):
            cells = cells_under(edges, window)
            if cells.any():
                packed = np.packbits(cells, axis=1)
                first = window.col // BITS
                self.bits[window.row : window.row + window.rows, first : first + packed.shape[1]] |= packed

    def at(self, window: Window) -> npt.NDArray[np.bool_]:
        """Return the cells of a window, (rows, cols)."""
        first, end = window.col // BITS, -(-(window.col + window.cols) // BITS)
        packed = self.bits[window.row : window.row + window.rows, first:end]
        start = window.col - first * BITS
        return np.unpackbits(packed, axis=1)[:, start : start + window.cols].astype(np.bool_)

    def __reduce__(self) -> tuple[object, ...]:  # workers of a cluster get it with each run
        return _unpacked, (self.shape, zlib.compress(self.bits.tobytes(), 1))


def _unpacked(shape: tuple[int, int], packed: bytes) -> CellMask:
    bits = np.frombuffer(bytearray(zlib.decompress(packed)), np.uint8)
    return CellMask(shape, bits.reshape(shape[0], -1))


def _around(edges: Edges, shape: tuple[int, int]) -> Window:
    """Return a window around all polygons, from whole blocks of the grid on, clipped to it."""
    if not edges.count_of_edges:
        return Window(0, 0, 0, 0)
    left, top = np.nanmin(edges.box[:, :2], axis=0).tolist()
    right, bottom = np.nanmax(edges.box[:, 2:], axis=0).tolist()
    rows, cols = shape
    row, col = (int(min(max(side, 0), most) // _BLOCK * _BLOCK) for side, most in ((top, rows), (left, cols)))
    end_row, end_col = (int(min(max(-(-side // 1), 0), most)) for side, most in ((bottom, rows), (right, cols)))
    return Window(row, col, max(end_row - row, 0), max(end_col - col, 0))
