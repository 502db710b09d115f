"""One pass over the tiles: a pool judges and encodes them, one writer saves and assembles them."""

from __future__ import annotations

import io
import pickle
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Grid, Window
from underoak.engine import allocator
from underoak.engine.judge.counts import TileCounts
from underoak.engine.judge.reducer import Finisher
from underoak.engine.progress import Progress
from underoak.engine.stop import Stop
from underoak.engine.storage.disk import disk_error, sync_file
from underoak.engine.storage.input_files import Inputs
from underoak.engine.storage.spool import TILE, Spool, TileResult
from underoak.engine.workers.overviews import Pyramid
from underoak.engine.workers.pool import Pool
from underoak.engine.workers.tile import FinishedTiles, TileJob, figures_key
from underoak.engine.write.categories import SIDECAR, category_text
from underoak.engine.write.cog import BLOCK, assemble, encode, keys_of, levels, shape_at
from underoak.engine.write.outputs import Output, halve
from underoak.engine.write.statistics import band_statistics
from underoak.layers.formats.gdal import close_handles, gdal_settings, open_raster
from underoak.layers.stack import Stack
from underoak.plan.case import Case

R = TypeVar("R")

_IN_FLIGHT_SECONDS = 3.0  # after a request to stop, for tiles in flight to finish
_BAND, _SMALL = 2048, 3_000_000  # cells across a band; cells of a source that is read once anyway


def whole_tiles(size: int) -> int:
    """Return a tile size, rounded up to whole blocks of the first overview.

    >>> whole_tiles(1), whole_tiles(1500)
    (1024, 2048)
    """
    return max(TILE, -(-size // TILE) * TILE)


def tile_order(windows: Iterable[Window], stack: Stack) -> list[Window]:
    """Sort tiles into bands two tiles wide, each from top to bottom, so that shared source blocks are still cached.

    If a large source is stored in strips as wide as itself, tiles go row by row.
    """
    sources = [source for layer in stack.layers for source in layer.source_layer.sources]
    is_striped = any(
        source.facts.block[1] >= source.grid.cols and source.grid.rows * source.grid.cols > _SMALL for source in sources
    )
    across = stack.grid.cols if is_striped else _BAND
    return sorted(windows, key=lambda window: (window.col // across, window.row, window.col))


class _Queue(Sequence[Window]):
    """The tiles to judge; it yields no more after a request to stop."""

    def __init__(self, windows: Sequence[Window], stop: Stop) -> None:
        self._windows, self._stop = windows, stop

    def __getitem__(self, index: Any) -> Any:
        return self._windows[index]

    def __len__(self) -> int:
        return len(self._windows)

    def __iter__(self) -> Iterator[Window]:
        for window in self._windows:
            if self._stop.is_requested:
                return
            yield window


def run_tiles(
    work: TileJob, spool: Spool, tile: int, pool: Pool, progress: Progress, stop: Stop | None = None,
    inputs: Inputs | None = None,
) -> None:  # fmt: skip
    """Judge every tile that is not in the spool, and save each when it is done.

    The inputs are looked at after each tile, or less often if that takes long. The pass ends early when their state is
    another one: the caller compares it with that before.

    Raises:
        UnderoakError: a fault of a tile or the pool, or E501; finished tiles are kept.
        Stopped: after a request to stop and a short wait for the tiles in flight.
    """
    stop, state = stop or Stop(), inputs.state if inputs is not None else ""
    todo = _Queue(tile_order(spool.missing(work.recipe.grid, whole_tiles(tile)), work.recipe.stack), stop)
    close_handles()  # and drop the blocks that the check of the inputs left in the cache
    allocator.release_freed()
    progress.start("judging", len(todo))
    finished_tiles = FinishedTiles(Pyramid(work.recipe.grid, work.outputs))
    results = pool.results(replace(work, finished_tiles=finished_tiles), todo)
    done = 0

    def keep(result: TileResult, is_confirmed: bool) -> None:
        nonlocal done
        finished_tiles.pop(result.window, None)
        spool.add(result, is_confirmed)
        progress.advance()
        done += 1
        if allocator.is_release_due(done):
            allocator.release_freed()

    with stop.patient():
        try:
            for result in results:
                has_looked = inputs is None or inputs.watch()
                if inputs is not None and inputs.state != state:
                    break
                keep(result, has_looked)
                if has_looked:
                    spool.confirm()
                if stop.seconds > _IN_FLIGHT_SECONDS:
                    break
        finally:
            if isinstance(results, Generator):
                results.close()  # threads finish their tiles
            for result in list(finished_tiles.values()):
                keep(result, is_confirmed=False)
    allocator.release_freed()
    stop.check()
    progress.finish()


def correct_counts(work: TileJob, notes: TileCounts) -> None:
    """Correct the counts of layers that each process reads whole once: every process has counted them."""
    stack = pickle.loads(pickle.dumps(work.recipe.stack))  # a copy that has read nothing yet
    middle = Window(stack.grid.rows // 2, stack.grid.cols // 2, 1, 1)
    first, again = stack.read(middle), stack.read(middle)
    for name in notes.read.keys() & {name for name, count in first.read.items() if count != again.read[name]}:
        notes.read[name], notes.implausible[name] = first.read[name], first.implausible[name]


def build_overviews(spool: Spool, outputs: Sequence[Output], grid: Grid, workers: int = 1) -> None:
    """Add the missing overview levels above the first, each from the level below, one row of blocks per worker.

    Raises:
        UnderoakError: E501, E502.
    """
    with ThreadPoolExecutor(workers, thread_name_prefix="overview") as pool:
        for output in outputs:
            name = output.layout.name
            for level in range(2, levels(grid) + 1):
                if all(key in spool.pieces[name] for key in keys_of(output.layout, grid, level)):
                    continue  # made with the tiles
                below = spool.folder / "level.tif"
                _assemble(below, spool, output, grid, range(level - 1, level))
                rows = range(0, shape_at(grid, level)[0], BLOCK)
                for row, blocks in zip(rows, pool.map(partial(_overview_row, below, output), rows), strict=True):
                    for col, encoded in enumerate(blocks):
                        for band, data in enumerate(encoded):
                            spool.add_block(name, (level, band, row // BLOCK, col), data)
                below.unlink()
    allocator.release_freed()


def _overview_row(below: Path, output: Output, row: int) -> list[list[bytes]]:
    """Return the encoded blocks of one row of blocks at cell row `row`, by column and band, from the level below."""
    with gdal_settings(), open_raster(str(below), "GTiff") as source:
        row_blocks = []
        for col in range(0, -(-source.width // 2), BLOCK):
            window = ((2 * row, min(2 * row + 2 * BLOCK, source.height)),
                      (2 * col, min(2 * col + 2 * BLOCK, source.width)))  # fmt: skip
            row_blocks.append(encode(halve(source.read(window=window), output), output.layout))
        return row_blocks


def write_rasters(spool: Spool, outputs: Sequence[Output], grid: Grid, folder: Path) -> list[Path]:
    """Assemble every raster in `folder`, with statistics or names of codes; return the paths of the rasters.

    Raises:
        UnderoakError: E501, E502.
    """
    paths = []
    for output in outputs:
        path = folder / output.layout.name
        _assemble(path, spool, _with_statistics(output, spool, grid), grid, range(levels(grid) + 1), lasting=True)
        if output.layout.categories is not None:
            _write_categories(path, output)
        paths.append(path)
    return paths


def _with_statistics(output: Output, spool: Spool, grid: Grid) -> Output:
    """Return an output of values whose bands have the statistics of all blocks."""
    layout = output.layout
    if layout.categories is not None:
        return output
    statistics = band_statistics(spool.parts_of(figures_key(output)), len(layout.bands), grid.rows * grid.cols)
    bands = (replace(band, statistics=of_band) for band, of_band in zip(layout.bands, statistics, strict=True))
    return replace(output, layout=replace(layout, bands=tuple(bands)))


def _write_categories(path: Path, output: Output) -> None:
    categories = output.layout.categories
    assert categories is not None
    beside = path.with_name(path.name + SIDECAR)
    try:
        text = category_text(len(output.layout.bands), categories, output.layout.colours or {})
        beside.write_text(text, encoding="utf-8")
        sync_file(beside)
    except OSError as error:
        raise disk_error(error, beside) from error


def _assemble(path: Path, spool: Spool, output: Output, grid: Grid, level_range: range, lasting: bool = False) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "wb") as out:
            assemble(out, output.layout, grid, level_range, spool.pieces[output.layout.name], spool.read)
        if lasting:
            sync_file(path)
    except OSError as error:
        raise disk_error(error, path) from error


def reducer_result(spool: Spool, case: Case, reducer: Finisher[R]) -> R:
    """Return the result of one reducer of a case, from its parts in block order."""

    def parts() -> Iterator[dict[str, npt.NDArray[Any]]]:
        for part in spool.parts_of((case, reducer.name)):
            with np.load(io.BytesIO(part)) as arrays:
                yield dict(arrays)

    return reducer.finish(parts())
