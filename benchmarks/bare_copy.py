"""The least that any tool could do: the same reads and the same writes as underoak, and no computing between.

Before the clock: the files `ours.py` left are read into memory, cells and overview cells as they are. Underoak's own
stack is run, tile by tile, to record the windows of each source that it reads (the sources return nothing, so that
nothing is resampled). One cell of each source is read, so that the compiled decoder is loaded.

On the clock: two threads take the tiles in the engine's order. A tile reads the same windows block by block through the
engine's own readers (decompressed, decoded to float32, units applied, missing values made NaN) and drops them, and
encodes its true cells and those of its first overview with the engine's own encoder and settings. Then the blocks of
the upper overviews are encoded in the same way, and every file is assembled, written and synced once.

What it leaves out, and underoak's time therefore holds on top: loading compiled kernels, checks of the values when
files are opened, coordinates, slope, resampling, curves, overlay, averaging of overviews, statistics, and the spool,
which writes every block to disk once more so that memory stays small. With `--all` the four rasters of a whole run are
copied; tables, map and report are not.

The files must come out byte for byte as underoak wrote them, or the script fails.
"""

from __future__ import annotations

import filecmp
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio

import underoak as uo
from measure import Clock, arguments, report
from model import THREADS, Ground, plan
from underoak.base.grid import Grid, Window
from underoak.engine import allocator
from underoak.engine.prepare.prepare import prepare
from underoak.engine.workers.runner import TILE, tile_order
from underoak.engine.workers.tile import block_windows
from underoak.engine.write.cog import BLOCK, Piece, RasterLayout, assemble, encode, levels
from underoak.engine.write.outputs import standard_outputs
from underoak.engine.write.statistics import BandStatistics
from underoak.layers.derivation.source_layer import SourceLayer
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.source import Reading, Source
from underoak.layers.stack import Stack, StackedLayer
from way import at_level

Key = tuple[int, int, int, int]  # level, band, block row, block column
Reads = list[tuple[Source, Window]]


@dataclass(frozen=True)
class RecordedSource:
    """Stands for a source: records what is read, and returns nothing."""

    source: Source
    reads: Reads = field(compare=False)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.source, name)

    def read(self, window: Window) -> Reading:
        """As `Source.read`."""
        self.reads.append((self.source, window))
        return Reading(np.empty((0, 0), np.float32))


@dataclass(frozen=True)
class RecordedLayer:
    """Stands for a layer on its source grid: reads the same cells, and derives nothing."""

    source_layer: SourceLayer
    reads: Reads = field(compare=False)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.source_layer, name)

    @property
    def source(self) -> RecordedSource:
        """As `SourceLayer.source`."""
        return RecordedSource(self.source_layer.source, self.reads)

    @property
    def sources(self) -> tuple[RecordedSource, ...]:
        """As `SourceLayer.sources`."""
        return tuple(RecordedSource(source, self.reads) for source in self.source_layer.sources)

    def derive(self, values: Any, source_window: Window, window: Window, *more: Any) -> npt.NDArray[np.float32]:
        """As `SourceLayer.derive`."""
        return np.empty((0, 0), np.float32)


def reads_of(stack: Stack, tiles: list[Window]) -> list[list[tuple[Window, Reads]]]:
    """What the engine reads for each block of each tile, in order."""
    record: Reads = []
    layers = tuple(
        StackedLayer(layer.name, RecordedLayer(layer.source_layer, record), layer.method)  # type: ignore[arg-type]
        for layer in stack.layers
    )
    recorder, reads = Stack(stack.grid, layers), []
    for tile in tiles:
        reads.append([])
        for block in block_windows(tile):
            recorder.read(block)
            reads[-1].append((block, record.copy()))
            record.clear()
    return reads


@dataclass(frozen=True)
class Truth:
    """A finished raster in memory: its cells level by level, (bands, rows, cols)."""

    layout: RasterLayout
    cells: list[npt.NDArray[Any]]

    @classmethod
    def of(cls, layout: RasterLayout, folder: Path, grid: Grid) -> Truth:
        """Read from the file that underoak wrote; its statistics are copied, not computed."""
        cells = []
        with rasterio.open(folder / layout.name) as source:
            tags = [source.tags(i + 1) for i in range(source.count)]
        bands = (
            replace(band, statistics=_statistics(of_band)) for band, of_band in zip(layout.bands, tags, strict=True)
        )
        layout = replace(layout, bands=tuple(bands))
        for level in range(levels(grid) + 1):
            with rasterio.open(folder / layout.name, **({"overview_level": level - 1} if level else {})) as source:
                cells.append(source.read())
        return cls(layout, cells)

    def blocks(self, level: int, window: Window) -> Iterator[tuple[Key, bytes]]:
        """The encoded blocks of a window of a level that begins at a block's corner."""
        part = np.ascontiguousarray(self.cells[level][:, *window.slices])
        across = -(-part.shape[2] // BLOCK)
        down = -(-part.shape[1] // BLOCK)
        for i, data in enumerate(encode(part, self.layout)):
            band, rest = divmod(i, down * across)
            row, col = divmod(rest, across)
            yield (level, band, window.row // BLOCK + row, window.col // BLOCK + col), data


def _statistics(tags: dict[str, str]) -> BandStatistics | None:
    if "STATISTICS_MEAN" not in tags:
        return None
    names = ("MINIMUM", "MAXIMUM", "MEAN", "STDDEV")
    return BandStatistics(
        *(float(tags[f"STATISTICS_{name}"]) for name in names),
        valid_share=float(tags["STATISTICS_VALID_PERCENT"]) / 100.0,
    )


def halved(window: Window) -> Window:
    """The window's cells one overview up."""
    return Window(window.row // 2, window.col // 2, -(-window.rows // 2), -(-window.cols // 2))


def upper(truth: Truth) -> Iterator[tuple[int, Window]]:
    """Block by block, the overview levels that the tiles do not make."""
    for level in range(2, len(truth.cells)):
        rows, cols = truth.cells[level].shape[1:]
        for row in range(0, rows, BLOCK):
            for col in range(0, cols, BLOCK):
                yield level, Window(row, col, BLOCK, BLOCK)


def write(truth: Truth, blocks: dict[Key, bytes], grid: Grid, path: Path) -> None:
    """Assemble a file from blocks in memory."""
    keys = list(blocks)
    pieces = {key: Piece(i, len(blocks[key])) for i, key in enumerate(keys)}
    with open(path, "wb") as out:
        assemble(out, truth.layout, grid, range(levels(grid) + 1), pieces, lambda piece: blocks[keys[piece.offset]])
        out.flush()
        os.fsync(out.fileno())


def copy(inputs: Path, finished: Path, out: Path, whole: bool) -> Clock:
    """Copy what is in `finished` to `out`."""
    loaded_plan = uo.load_plan(plan(inputs), base=inputs)
    recipe = prepare(loaded_plan).recipe
    grid = recipe.grid
    outputs = standard_outputs(loaded_plan.title, [c.name for c in loaded_plan.criteria], "float32", False)
    outputs = outputs if whole else at_level(outputs[:1])
    truths = [Truth.of(output.layout, finished, grid) for output in outputs]
    tiles = tile_order(grid.tiles(TILE), recipe.stack)
    reads = reads_of(recipe.stack, tiles)
    blocks: list[dict[Key, bytes]] = [{} for _ in truths]
    for layer in recipe.stack.layers:
        layer.source_layer.source.read(Window(0, 0, 1, 1))

    def tile(at: int) -> None:
        with gdal_settings():
            for window, readings in reads[at]:
                for source, part in readings:
                    source.read(part)
                for truth, kept in zip(truths, blocks, strict=True):
                    kept.update(truth.blocks(0, window))
            for truth, kept in zip(truths, blocks, strict=True):
                if levels(grid):
                    kept.update(truth.blocks(1, halved(tiles[at])))

    def block(which: int, level: int, window: Window) -> None:
        with gdal_settings():
            blocks[which].update(truths[which].blocks(level, window))

    allocator.retain_freed()
    clock = Clock()
    with ThreadPoolExecutor(THREADS) as pool:
        for future in [pool.submit(tile, at) for at in range(len(tiles))]:
            future.result()
        clock.lap("tiles")
        rest = [pool.submit(block, i, *place) for i, truth in enumerate(truths) for place in upper(truth)]
        for future in rest:
            future.result()
        clock.lap("overviews")
    for truth, kept in zip(truths, blocks, strict=True):
        write(truth, kept, grid, out / truth.layout.name)
    clock.lap("write")
    for truth in truths:
        if not filecmp.cmp(finished / truth.layout.name, out / truth.layout.name, shallow=False):
            raise SystemExit(f"{truth.layout.name} is not the file underoak wrote: the copy does other work")
    return clock


if __name__ == "__main__":
    parser = arguments(__doc__)
    parser.add_argument("--finished", type=Path, required=True, help="folder that ours.py wrote, with the same --all")
    parser.add_argument("--all", action="store_true", help="all four rasters of a whole run")
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    done = copy(given.inputs, given.finished, given.out, given.all)
    report("copy", Ground.of(given.inputs), done)
