"""The stored blocks of a TIFF: where their bytes lie in the file, and which cells they hold."""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Window
from underoak.layers.formats.tiff_tags import Page, read_pages

_SUBFILE, _WIDTH, _ROWS, _BITS, _COMPRESSION, _BANDS = 254, 256, 257, 258, 259, 277
_STRIP_OFFSETS, _STRIP_ROWS, _STRIP_SIZES, _PLANES = 273, 278, 279, 284
_TILE_WIDTH, _TILE_ROWS, _TILE_OFFSETS, _TILE_SIZES = 322, 323, 324, 325
_IS_REDUCED, _IS_MASK = 1, 4
_MOST_BLOCKS = 100_000_000


@dataclass(frozen=True, slots=True)
class BlockPage:
    """The blocks of one page. They are numbered plane by plane, and row by row in each."""

    shape: tuple[int, int]
    block: tuple[int, int]
    planes: int  # 1 if a block holds all bands
    block_bytes: int  # of one unpacked block
    compression: int
    offsets: npt.NDArray[np.uint64]
    sizes: npt.NDArray[np.uint64]  # 0 for a block that is not stored

    @property
    def across(self) -> int:
        """The number of blocks side by side."""
        return -(-self.shape[1] // self.block[1])

    @property
    def per_plane(self) -> int:
        """The number of blocks of one plane."""
        return -(-self.shape[0] // self.block[0]) * self.across

    def window(self, number: int) -> Window:
        """Return the cells of a block."""
        row, col = divmod(number % self.per_plane, self.across)
        return Window(row * self.block[0], col * self.block[1], *self.block).clip(*self.shape)

    def stored(self, window: Window | None, bands: tuple[int, ...]) -> npt.NDArray[np.int64]:
        """Return the numbers of the stored blocks that hold cells of a window (None: all) of some bands."""
        part = Window(0, 0, *self.shape) if window is None else window.clip(*self.shape)
        if part.is_empty:
            return np.zeros(0, np.int64)
        first_row, first_col = part.row // self.block[0], part.col // self.block[1]
        rows = np.arange(first_row, (part.row + part.rows - 1) // self.block[0] + 1)
        cols = np.arange(first_col, (part.col + part.cols - 1) // self.block[1] + 1)
        in_plane = (rows[:, None] * self.across + cols).ravel()
        planes = sorted({min(band, self.planes) - 1 for band in bands})
        numbers = np.concatenate([plane * self.per_plane + in_plane for plane in planes]).astype(np.int64)
        numbers = numbers[numbers < min(len(self.offsets), len(self.sizes))]
        return numbers[(self.offsets[numbers] > 0) & (self.sizes[numbers] > 0)]


def read_block_pages(path: Path | str) -> tuple[BlockPage, ...]:
    """Return the blocks of a file's first page and of its mask; overviews are left out, as no run reads them.

    Raises:
        OSError, struct.error, OverflowError, ValueError: if they cannot be read.
    """
    with open(path, "rb") as stream:
        pages: list[BlockPage] = []
        for page in read_pages(stream):
            kind = _number(page, _SUBFILE, 0)
            if not pages or kind & (_IS_REDUCED | _IS_MASK) == _IS_MASK:
                pages.append(_block_page(page, os.fstat(stream.fileno()).st_size))
        return tuple(pages)


def read_block(stream: BinaryIO, page: BlockPage, number: int) -> bytes:
    """Return the stored bytes of a block, or the first of them if they are far more than a block can need."""
    stream.seek(int(page.offsets[number]))
    most = page.block_bytes + page.block_bytes // 64 + 65536
    return stream.read(min(int(page.sizes[number]), most))


def _block_page(page: Page, file_bytes: int) -> BlockPage:
    rows, cols = _number(page, _ROWS, 0), _number(page, _WIDTH, 0)
    is_tiled = _TILE_WIDTH in page.fields
    if is_tiled:
        block = _number(page, _TILE_ROWS, 0), _number(page, _TILE_WIDTH, 0)
    else:
        block = min(_number(page, _STRIP_ROWS, rows), rows), cols
    bands, bits = _number(page, _BANDS, 1), page.numbers(_BITS) if _BITS in page.fields else np.ones(1, np.uint64)
    is_planar = _number(page, _PLANES, 1) == 2
    if min(rows, cols, bands, *block) <= 0 or not bits.size:
        raise ValueError("a page without cells")
    cell_bits = int(bits[0]) if is_planar else int(bits.sum()) if len(bits) == bands else int(bits[0]) * bands
    planes = bands if is_planar else 1
    blocks = -(-rows // block[0]) * -(-cols // block[1]) * planes
    if blocks > min(_MOST_BLOCKS, file_bytes):
        raise ValueError("more blocks than the file can hold")
    tags = (_TILE_OFFSETS, _TILE_SIZES) if is_tiled else (_STRIP_OFFSETS, _STRIP_SIZES)
    offsets, sizes = (page.numbers(tag) for tag in tags)
    block_bytes = block[0] * -(-block[1] * cell_bits // 8)
    return BlockPage((rows, cols), block, planes, block_bytes, _number(page, _COMPRESSION, 1), offsets, sizes)


def _number(page: Page, tag: int, default: int) -> int:
    value = page.first(tag) if tag in page.fields else default
    if not isinstance(value, int):
        raise struct.error(f"tag {tag} is no number")
    return value
