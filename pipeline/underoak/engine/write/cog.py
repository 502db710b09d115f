"""Cloud-optimised GeoTIFFs, assembled from encoded blocks without a whole raster in memory or a second encoding.

The raster library encodes every block and writes every tag (into small in-memory files); this module only arranges
them in the order of the OGC Cloud Optimized GeoTIFF standard: all directories first, then the blocks of the overviews
from the smallest to the largest, then the full-size blocks. Tag numbers: TIFF 6.0, BigTIFF and GDAL's documented
private tags.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.io import MemoryFile

from underoak.base.grid import Grid
from underoak.engine.write.statistics import BandStatistics

BLOCK = 512  # cells along a block's side
_SUBFILE, _TILE_OFFSETS, _TILE_SIZES = 254, 324, 325
_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_GEOGRAPHIC = {33550, 33922, 34264, 34735, 34736, 34737}
_ANYWHERE = rasterio.Affine(
    1.0, 0.0, 1.0, 0.0, -1.0, 1.0
)  # any georeference, so that the library does not warn that there is none
_CLASSIC_LIMIT = 2**32 - 2**26


@dataclass(frozen=True, slots=True)
class Band:
    """A band's description, unit, scale, offset and statistics."""

    description: str
    unit: str = ""
    scale: float = 1.0
    offset: float = 0.0
    statistics: BandStatistics | None = None


@dataclass(frozen=True, slots=True)
class RasterLayout:
    """The storage of one raster file: type, bands, tags and compression."""

    name: str  # path inside the run folder
    dtype: str
    nodata: float
    bands: tuple[Band, ...]
    tags: Mapping[str, str] = field(default_factory=dict)
    colours: Mapping[int, tuple[int, int, int, int]] | None = None
    categories: Mapping[int, str] | None = None  # names of codes; None for values
    compress: str = "deflate"

    @property
    def options(self) -> dict[str, Any]:
        """The creation options of every block and directory of the file."""
        predictor = 1 if self.compress == "none" else 3 if self.dtype.startswith("float") else 2
        # the lightest level: half the time of level 6 for files 3 % larger (docs/performance.md)
        level = {"zlevel": 1} if self.compress == "deflate" else {"zstd_level": 3} if self.compress == "zstd" else {}
        return {
            "driver": "GTiff",
            "dtype": self.dtype,
            "count": len(self.bands),
            "nodata": self.nodata,
            "tiled": True,
            "blockxsize": BLOCK,
            "blockysize": BLOCK,
            "compress": self.compress,
            "predictor": predictor if self.colours is None else 1,
            "interleave": "band",
            # else the library makes three bands of bytes a colour picture, and the fourth its opacity
            **({"photometric": "minisblack"} if self.colours is None else {}),
            **level,
        }


def levels(grid: Grid) -> int:
    """Return the number of halvings until the whole grid fits into one block.

    >>> levels(Grid.north_up("EPSG:25831", 0, 0, 30, 1025, 400)), levels(Grid.north_up("EPSG:25831", 0, 0, 30, 9, 9))
    (2, 0)
    """
    longest, count = max(grid.shape), 0
    while longest > BLOCK:
        longest, count = -(-longest // 2), count + 1
    return count


def shape_at(grid: Grid, level: int) -> tuple[int, int]:
    """Return the shape (rows, cols) of an overview level."""
    return -(-grid.rows // 2**level), -(-grid.cols // 2**level)


def encode(cells: npt.NDArray[Any], layout: RasterLayout) -> list[bytes]:
    """Return the encoded blocks of (bands, rows, cols) cells, by band, then row; fill ragged edges with nodata."""
    bands, rows, cols = cells.shape
    down, across = -(-rows // BLOCK), -(-cols // BLOCK)
    if (rows, cols) != (down * BLOCK, across * BLOCK):
        full = np.full((bands, down * BLOCK, across * BLOCK), layout.nodata, layout.dtype)
        full[:, :rows, :cols] = cells
        cells = full
    blocks = []
    with MemoryFile() as memory:
        place = {"height": cells.shape[1], "width": cells.shape[2], "transform": _ANYWHERE}
        with memory.open(**place, **layout.options) as dataset:
            dataset.write(cells)
        directory = _Directory(memory.getbuffer())
        buffer = memory.getbuffer()
        for offset, size in zip(directory.numbers(_TILE_OFFSETS), directory.numbers(_TILE_SIZES), strict=True):
            blocks.append(bytes(buffer[offset : offset + size]))
    return blocks


class _Directory:
    """The first image directory of a little-endian TIFF: tag -> (type, count, raw bytes)."""

    def __init__(self, data: Any) -> None:
        magic = struct.unpack_from("<H", data, 2)[0]
        self.big = magic == 43
        start = struct.unpack_from("<Q", data, 8)[0] if self.big else struct.unpack_from("<I", data, 4)[0]
        count_format, entry, inline = ("<Q", 20, 8) if self.big else ("<H", 12, 4)
        count = struct.unpack_from(count_format, data, start)[0]
        self.tags: dict[int, tuple[int, int, bytes]] = {}
        for i in range(count):
            offset = start + struct.calcsize(count_format) + i * entry
            tag, kind = struct.unpack_from("<HH", data, offset)
            number = struct.unpack_from("<Q" if self.big else "<I", data, offset + 4)[0]
            size = _BYTES[kind] * number
            value = offset + entry - inline
            if size > inline:
                value = struct.unpack_from("<Q" if self.big else "<I", data, value)[0]
            self.tags[tag] = (kind, number, bytes(data[value : value + size]))

    def numbers(self, tag: int) -> tuple[int, ...]:
        kind, number, raw = self.tags[tag]
        return struct.unpack(f"<{number}{ {3: 'H', 4: 'I', 16: 'Q'}[kind] }", raw)


def _template(layout: RasterLayout, grid: Grid, level: int, big: bool) -> _Directory:
    """Return the directory that the raster library writes for such a file, without blocks."""
    rows, cols = shape_at(grid, level)
    place = {"crs": grid.crs, "transform": rasterio.Affine(*grid.transform)} if level == 0 else {"transform": _ANYWHERE}
    with MemoryFile() as memory:
        sparse = {"sparse_ok": True, "bigtiff": "YES" if big else "NO"}
        with memory.open(height=rows, width=cols, **place, **sparse, **layout.options) as dataset:
            if layout.colours is not None:
                dataset.write_colormap(1, dict(layout.colours))
            if level == 0:
                dataset.update_tags(**layout.tags)
                dataset.descriptions = tuple(b.description for b in layout.bands)
                if any(b.unit for b in layout.bands):
                    dataset.units = tuple(b.unit for b in layout.bands)
                if any((b.scale, b.offset) != (1.0, 0.0) for b in layout.bands):
                    dataset.scales = tuple(b.scale for b in layout.bands)
                    dataset.offsets = tuple(b.offset for b in layout.bands)
                for i, b in enumerate(layout.bands):
                    if b.statistics is not None:
                        dataset.update_tags(i + 1, **b.statistics.tags)
        directory = _Directory(memory.getbuffer())
    if level > 0:  # only the full size is georeferenced
        directory.tags = {tag: value for tag, value in directory.tags.items() if tag not in _GEOGRAPHIC}
    return directory


@dataclass(frozen=True, slots=True)
class Piece:
    """The position of one encoded block [bytes]."""

    offset: int
    size: int


# (level, band, block row, block column) -> position of the block in the spool
Pieces = Mapping[tuple[int, int, int, int], Piece]


def keys_of(layout: RasterLayout, grid: Grid, level: int) -> Iterator[tuple[int, int, int, int]]:
    """Yield the blocks of a level in file order: level, band, block row, block column."""
    rows, cols = shape_at(grid, level)
    for band in range(len(layout.bands)):
        for row in range(-(-rows // BLOCK)):
            for col in range(-(-cols // BLOCK)):
                yield level, band, row, col


def assemble(
    out: BinaryIO, layout: RasterLayout, grid: Grid, level_range: range, pieces: Pieces, read: Callable[[Piece], bytes]
) -> None:
    """Write the file: the directories of the levels, full size first, then the blocks, smallest level first.

    Raises:
        KeyError: when a block is missing: the caller has lost a tile.
    """
    order = {level: list(keys_of(layout, grid, level)) for level in level_range}
    total = sum(pieces[key].size for keys in order.values() for key in keys)
    big = total > _CLASSIC_LIMIT
    directories = [_template(layout, grid, level, big) for level in level_range]
    word, count_format, entry, inline = ("<Q", "<Q", 20, 8) if big else ("<I", "<H", 12, 4)
    kind = 16 if big else 4

    for level, directory in zip(level_range, directories, strict=True):
        number = len(order[level])
        directory.tags[_TILE_OFFSETS] = (kind, number, b"\0" * (number * _BYTES[kind]))
        directory.tags[_TILE_SIZES] = (4, number, b"\0" * (number * 4))
        if level != level_range[0]:
            directory.tags[_SUBFILE] = (4, 1, struct.pack("<I", 1))

    def length(directory: _Directory) -> int:
        outside = sum(len(raw) + len(raw) % 2 for _, _, raw in directory.tags.values() if len(raw) > inline)
        return struct.calcsize(count_format) + len(directory.tags) * entry + struct.calcsize(word) + outside

    starts, position = [], 16 if big else 8
    for directory in directories:
        starts.append(position)
        position += length(directory) + length(directory) % 2
    for level, directory in reversed(list(zip(level_range, directories, strict=True))):
        offsets = []
        for key in order[level]:
            offsets.append(position)
            position += pieces[key].size
        number = len(offsets)
        directory.tags[_TILE_OFFSETS] = (kind, number, struct.pack(f"<{number}{word[1]}", *offsets))
        sizes = [pieces[key].size for key in order[level]]
        directory.tags[_TILE_SIZES] = (4, number, struct.pack(f"<{number}I", *sizes))

    out.write(struct.pack("<2sHHHQ", b"II", 43, 8, 0, 16) if big else struct.pack("<2sHI", b"II", 42, 8))
    for i, directory in enumerate(directories):
        after = starts[i + 1] if i + 1 < len(starts) else 0
        head = struct.pack(count_format, len(directory.tags))
        outside = starts[i] + len(head) + len(directory.tags) * entry + struct.calcsize(word)
        body, tail = b"", b""
        for tag, (tag_kind, number, raw) in sorted(directory.tags.items()):
            value = raw.ljust(inline, b"\0") if len(raw) <= inline else struct.pack(word, outside + len(tail))
            body += struct.pack("<HH", tag, tag_kind) + struct.pack(word, number) + value
            if len(raw) > inline:
                tail += raw + b"\0" * (len(raw) % 2)
        encoded = head + body + struct.pack(word, after) + tail
        out.write(encoded + b"\0" * (len(encoded) % 2))
    for level in reversed(level_range):
        for key in order[level]:
            out.write(read(pieces[key]))
