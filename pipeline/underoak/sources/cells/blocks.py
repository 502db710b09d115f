"""Stored blocks of a window, and a small TIFF of them: the same tags, other sizes."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Window
from underoak.sources.cells.tiff_index import (
    PLANES,
    ROWS,
    SAMPLES,
    TILE_BYTES,
    TILE_OFFSETS,
    WIDTH,
    TiffIndex,
    damaged,
)

_LONG, _LONG8 = 4, 16


@dataclass(frozen=True, slots=True)
class Block:
    """A stored block: its bytes in the file."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class WindowBlocks:
    """The blocks that hold a window, by rows, and the cells they cover."""

    blocks: tuple[Block, ...]
    cells: Window  # of the file
    grid: tuple[int, int]  # rows and columns of blocks


def window_blocks(index: TiffIndex, window: Window, band: int, most_bytes: int) -> WindowBlocks:
    """Return the blocks of a tiled file that hold a window of it.

    Raises:
        UnderoakError: E714 for blocks that are empty, or too large to be true.
    """
    rows, cols = index.shape
    high, wide = index.block
    if not (index.is_tiled and TILE_BYTES in index.entries and high and wide):
        raise damaged(index.name, "its tiles have no size or no table")
    across, down = -(-cols // wide), -(-rows // high)
    first_row, last_row = window.row // high, (window.row + window.rows - 1) // high
    first_col, last_col = window.col // wide, (window.col + window.cols - 1) // wide
    n_cols = last_col - first_col + 1
    planes = index.whole_number(SAMPLES, 1) if index.whole_number(PLANES, 1) == 2 else 1
    if any(index.entries[tag].count != across * down * planes for tag in (TILE_OFFSETS, TILE_BYTES)):
        raise damaged(index.name, "its tables have another number of blocks than its cells need")
    before = (band - 1) * across * down if planes > 1 else 0
    blocks = []
    for row in range(first_row, last_row + 1):
        first = before + row * across + first_col
        starts = index.numbers(TILE_OFFSETS, first, n_cols)
        sizes = index.numbers(TILE_BYTES, first, n_cols)
        for start, size in zip(starts, sizes, strict=True):
            if start == 0 or size == 0:
                what = f"it holds no bytes for a block near row {row * high} (it is sparse)"
                raise UnderoakError(
                    Fault("E714", what, index.name, "fetch the file by hand: an empty block proves nothing")
                )
            if size > most_bytes:
                raise damaged(index.name, f"a stored block claims {size:.0f} bytes")
            blocks.append(Block(int(start), int(start + size)))
    cells = Window(first_row * high, first_col * wide, (last_row - first_row + 1) * high, n_cols * wide)
    return WindowBlocks(tuple(blocks), cells, (last_row - first_row + 1, n_cols))


def is_proved(index: TiffIndex, data: bytes, most_cells_bytes: int) -> bool:
    """Return whether a deflated block is complete and fits its own checksum."""
    if index.compression != "deflate":
        return False
    stream = zlib.decompressobj()
    try:
        stream.decompress(data, most_cells_bytes)
        return stream.eof
    except zlib.error:
        return False


def small_tiff(index: TiffIndex, covered: WindowBlocks, read_block: Callable[[Block], bytes]) -> bytes:
    """Return a TIFF (BigTIFF) of some blocks of a file, with the file's own tags and stored bytes."""
    order = index.order
    planes = index.whole_number(SAMPLES, 1) if index.whole_number(PLANES, 1) == 2 else 1
    body, starts, sizes = bytearray(16), [], []
    for block in covered.blocks:
        data = read_block(block)
        starts.append(len(body))
        sizes.append(len(data))
        body += data
    tags: dict[int, tuple[int, int, bytes]] = {
        tag: (entry.kind, entry.count, index.data(tag))
        for tag, entry in index.entries.items()
        if tag not in (TILE_OFFSETS, TILE_BYTES)
    }
    for tag, value in ((ROWS, covered.cells.rows), (WIDTH, covered.cells.cols)):
        tags[tag] = (_LONG, 1, struct.pack(order + "I", value))
    if planes > 1:  # the blocks of one band only
        tags |= _one_band(index)
    for tag, values in ((TILE_OFFSETS, starts), (TILE_BYTES, sizes)):
        tags[tag] = (_LONG8, len(values), struct.pack(f"{order}{len(values)}Q", *values))
    entries = []
    for tag, (kind, count, data) in sorted(tags.items()):
        field = data
        if len(data) > 8:
            body += b"\0" * (-len(body) % 8)
            field = struct.pack(order + "Q", len(body))
            body += data
        entries.append(struct.pack(order + "HHQ", tag, kind, count) + field.ljust(8, b"\0"))
    body += b"\0" * (-len(body) % 8)
    place = len(body)
    body += struct.pack(order + "Q", len(entries)) + b"".join(entries) + struct.pack(order + "Q", 0)
    body[:16] = (b"II" if order == "<" else b"MM") + struct.pack(order + "HHHQ", 43, 8, 0, place)
    return bytes(body)


def _one_band(index: TiffIndex) -> dict[int, tuple[int, int, bytes]]:
    """Return the tags that count bands, for one of them."""
    tags = {SAMPLES: (3, 1, struct.pack(index.order + "H", 1))}
    for tag in (258, 339):
        if tag in index.entries:
            tags[tag] = (3, 1, struct.pack(index.order + "H", int(index.numbers(tag, 0, 1)[0])))
    return tags
