"""One remote file of a map: its part of the window, surveyed first and read later."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Bounds, Window
from underoak.sources.catalogue.addresses import Map
from underoak.sources.catalogue.tile_rules import Tile
from underoak.sources.cells.blocks import Block, WindowBlocks, is_proved, small_tiff, window_blocks
from underoak.sources.cells.decoder import Decoder
from underoak.sources.cells.header_check import check_header, expected_cell, header_facts
from underoak.sources.cells.tiff_index import STARTS, TiffIndex, damaged, read_index
from underoak.sources.fetch.remote_file import RemoteFile

Frame = tuple[float, float, float, float]  # left, top, width and height of a cell
_MOST_CELLS = 1 << 26  # of a file that is fetched in one piece
_EDGE = 1e-6  # cells: a bound that lies on an edge opens no further cell


@dataclass(frozen=True)
class PartCells:
    """Cells of one file inside the window, as stored, with their frame and what its header says."""

    cells: npt.NDArray[np.generic]
    frame: Frame
    header: dict[str, Any]
    nodata: float | None
    scale: float | None
    offset: float | None


@dataclass
class Part:
    """One remote file of a map, for a window (left, bottom, right, top) in the set's coordinate system."""

    chosen: Map
    tile: Tile
    month: int | None
    remote: RemoteFile
    bounds: Bounds
    _index: TiffIndex | None = None
    _window: Window | None = None
    _blocks: WindowBlocks | None = None

    @property
    def is_in_pieces(self) -> bool:
        """True if blocks of the file are read, not all of it."""
        layout = self.chosen.data_set.layout
        return layout is not None and layout.value == "tiled"

    def survey(self) -> int:
        """Read and check the header of a file that is read in pieces; return how many bytes are still to come.

        Raises:
            UnderoakError: E71x.
        """
        if not self.is_in_pieces:
            return 0 if self.remote.requests is None else self._whole_bytes()
        self.remote.open_spans()
        self._index = read_index(lambda start, end: self._span(start, end), self.remote.address)
        check_header(self._index, self.chosen, self.tile)
        self._window = window_in(self._index, self.bounds)
        if self._window.is_empty:
            return 0
        most = self.chosen.data_set.most_tile_bytes
        self._blocks = window_blocks(self._index, self._window, self.chosen.band.number, most)
        self.remote.save()
        missing = [b for b in self._blocks.blocks if f"{b.start}-{b.end}" not in self.remote.spans]
        times = 1 if self._index.compression == "deflate" else 2
        return times * sum(block.end - block.start for block in missing)

    def read(self, decoder: Decoder) -> PartCells | None:
        """Return the cells of the file inside the window; None if it has none there.

        Raises:
            UnderoakError: E230, E232, E71x.
        """
        band = self.chosen.band.number
        if not self.is_in_pieces:
            data = self.remote.whole(self.chosen.data_set.most_tile_bytes, STARTS)
            index = read_index(lambda start, end: _slice(data, start, end), self.remote.address)
            check_header(index, self.chosen, self.tile)
            self.remote.save()
            window, first = window_in(index, self.bounds), (0, 0)
            shape = index.shape
            if shape[0] * shape[1] > _MOST_CELLS:
                raise damaged(index.name, f"it claims {shape[0]} x {shape[1]} cells")
        else:
            if self._index is None or self._blocks is None or self._window is None:
                return None
            index, window = self._index, self._window
            data = small_tiff(index, self._blocks, self._read_block)
            self.remote.save()
            first, shape = (self._blocks.cells.row, self._blocks.cells.col), self._blocks.cells.shape
            band = 1 if len(self._blocks.blocks) and index.whole_number(284, 1) == 2 else band
        if window.is_empty:
            return None
        cells = decoder.cells(data, band, shape, index.dtype, self.remote.address)
        inside = Window(window.row - first[0], window.col - first[1], window.rows, window.cols)
        left, top, width, height = index.frame
        number = self.chosen.band.number
        return PartCells(
            cells=cells[inside.slices],
            frame=(left + window.col * width, top - window.row * height, width, height),
            header=header_facts(index, number),
            nodata=index.nodata,
            scale=index.stated("scale", number),
            offset=index.stated("offset", number),
        )

    def _span(self, start: int, end: int) -> bytes:
        """Return bytes of the header or a table: from the first span, or read twice."""
        assert self.remote.stamp is not None
        head = next(key for key in self.remote.spans if key.startswith("0-"))
        if end <= int(head[2:]):
            return self.remote.span(0, int(head[2:]))[start:end]
        return self.remote.span(start, end, twice=True)

    def _read_block(self, block: Block) -> bytes:
        """Return the stored bytes of a block; read again where neither compression nor checksum can vouch for them."""
        assert self._index is not None
        compression = self._index.compression
        if compression != "deflate":
            return self.remote.span(block.start, block.end, twice=True)
        data = self.remote.span(block.start, block.end)
        high, wide = self._index.block
        if not is_proved(self._index, data, high * wide * 64):
            del self.remote.spans[f"{block.start}-{block.end}"]
            data = self.remote.span(block.start, block.end, twice=True)
        return data

    def _whole_bytes(self) -> int:
        """Return how many bytes a file takes that is fetched in one piece, twice."""
        if self.remote.store.record(self.remote.address):
            return 0
        width, height = expected_cell(self.chosen, self.tile)
        left, bottom, right, top = self.tile.bounds
        item = np.dtype(self.chosen.data_set.header_of(self.chosen.band).dtype.value).itemsize
        return 2 * round((right - left) / width) * round((top - bottom) / height) * item


def window_in(index: TiffIndex, bounds: Bounds) -> Window:
    """Return the cells of a file that share ground with a box; empty if none do."""
    left, top, width, height = index.frame
    rows, cols = index.shape
    first_col, last_col = _cells((bounds[0] - left) / width, (bounds[2] - left) / width, cols)
    first_row, last_row = _cells((top - bounds[3]) / height, (top - bounds[1]) / height, rows)
    return Window(first_row, first_col, last_row - first_row, last_col - first_col).clip(rows, cols)


def _cells(low: float, high: float, count: int) -> tuple[int, int]:
    low, high = min(max(low, -1.0), count + 1.0), min(max(high, -1.0), count + 1.0)
    return math.floor(low + _EDGE), math.ceil(high - _EDGE)


def _slice(data: bytes, start: int, end: int) -> bytes:
    if not 0 <= start <= end <= len(data):
        raise damaged("a tile", f"its header points at bytes {start} to {end}, and it has {len(data)}")
    return data[start:end]
