"""All stored blocks that a run reads, verified by their own checksums."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError, count_of
from underoak.base.grid import Grid, Window
from underoak.layers.formats.gdal import open_raster, report_read_errors
from underoak.layers.formats.read_watch import watch_read
from underoak.layers.integrity.block_checksums import VERIFIED, damage
from underoak.layers.integrity.file_parts import FilePart
from underoak.layers.integrity.tiff_blocks import BlockPage, read_block, read_block_pages

_BATCH_BYTES = 16 * 2**20  # stored, for one task
_LARGE_BLOCK = 32 * 2**20  # unpacked: one at a time
_FIX = "fetch the file again and compare its checksum, or write it again from its source"

Numbers = npt.NDArray[np.int64]


@dataclass
class Verification:
    """The outcome by path: faults, and the blocks of each file that are sound."""

    faults: dict[str, Fault] = field(default_factory=dict)
    sound: dict[str, Numbers] = field(default_factory=dict)  # only files of which blocks were verified now


@dataclass
class _File:
    """The blocks to verify of one file, numbered through its pages."""

    path: str
    where: str
    pages: tuple[BlockPage, ...]
    numbers: Numbers
    damaged: dict[int, str] = field(default_factory=dict)

    def locate(self, number: int) -> tuple[BlockPage, int]:
        """Return the page of a block, and its number there."""
        for page in self.pages:
            if number < page.per_plane * page.planes:
                return page, number
            number -= page.per_plane * page.planes
        raise IndexError(number)


def verify_blocks(parts: Sequence[FilePart], sound_before: Mapping[str, Numbers], threads: int = 1) -> Verification:
    """Verify the stored blocks of all parts by their checksums, each once.

    Args:
        parts: what is read of each file.
        sound_before: by path, the numbers of blocks that need no second look.
        threads: how many blocks are unpacked at the same time.
    """
    files = list(_files(parts, sound_before))
    largest = max((page.block_bytes for file in files for page in file.pages), default=0)
    with ThreadPoolExecutor(1 if largest > _LARGE_BLOCK else threads, thread_name_prefix="verify") as pool:
        tasks = [pool.submit(_verify_batch, file, batch) for file in files for batch in _batches(file)]
        try:
            for task in tasks:
                task.result()
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    outcome = Verification()
    for file in files:
        outcome.sound[file.path] = np.setdiff1d(file.numbers, list(file.damaged))
        if file.damaged:
            outcome.faults[file.path] = _fault(file)
    return outcome


def _files(parts: Sequence[FilePart], sound_before: Mapping[str, Numbers]) -> Iterator[_File]:
    """Yield each file of which blocks remain to be verified."""
    by_path: dict[str, list[FilePart]] = {}
    for part in dict.fromkeys(parts):
        by_path.setdefault(part.path, []).append(part)
    for path, of_file in by_path.items():
        try:
            pages = read_block_pages(path)
        except (OSError, struct.error, OverflowError, ValueError):
            continue  # the reader reports it, if it cannot read the file either
        numbers, first = [], 0
        for i, page in enumerate(pages):
            if page.compression in VERIFIED:
                mask_band = (1,) if i else None
                numbers += [first + page.stored(part.window, mask_band or part.bands) for part in of_file]
            first += page.per_plane * page.planes
        if not numbers:
            continue
        remaining = np.setdiff1d(np.concatenate(numbers), sound_before.get(path, np.zeros(0, np.int64)))
        if remaining.size:
            yield _File(path, of_file[0].where, pages, remaining)


def _batches(file: _File) -> Iterator[Numbers]:
    """Yield the blocks of a file in batches of about the same stored size."""
    stored = [int(page.sizes[number]) for page, number in map(file.locate, file.numbers.tolist())]
    ends = np.flatnonzero(np.diff(np.cumsum(stored) // _BATCH_BYTES)) + 1
    yield from np.split(file.numbers, ends)


def _verify_batch(file: _File, numbers: Numbers) -> None:
    try:
        with watch_read("its stored blocks", file.where), open(file.path, "rb") as stream:
            for number in numbers.tolist():
                page, in_page = file.locate(number)
                reason = damage(page.compression, read_block(stream, page, in_page), page.block_bytes)
                if reason:
                    file.damaged[number] = reason
    except OSError as error:
        what = f"its stored blocks cannot be read ({error.strerror or error})"
        raise UnderoakError(Fault("E230", what, file.where, _FIX)) from error


def _fault(file: _File) -> Fault:
    """Return the fault of a file with damaged blocks, which names the first of them and its place."""
    number = min(file.damaged)
    page, in_page = file.locate(number)
    window, (plane, in_plane) = page.window(in_page), divmod(in_page, page.per_plane)
    of_band = f" of band {plane + 1}" if page.planes > 1 else ""
    rows = f"rows {window.row} to {window.row + window.rows - 1}"
    cols = f"columns {window.col} to {window.col + window.cols - 1}"
    place = f"{rows}, {cols}{_extent(file, window)}"
    what = f"block {in_plane}{of_band} in {file.path} is damaged: {file.damaged[number]} ({place})"
    more = len(file.damaged) - 1
    if more:
        what += f"; {count_of(more, 'more block')} of it {'is' if more == 1 else 'are'} damaged"
    return Fault("E230", what, file.where, _FIX)


def _extent(file: _File, window: Window) -> str:
    """Return where the cells of a window lie, in the file's own coordinates; empty if the file does not say."""
    try:
        with report_read_errors("its header", file.where), open_raster(file.path, "GTiff") as raster:
            a, b, c, d, e, f = map(float, raster.transform[:6])
            rows, cols = raster.shape
    except UnderoakError:
        return ""
    columns, lines = (window.col, window.col + window.cols), (window.row, window.row + window.rows)
    grid = Grid("", (a, b, c, d, e, f), rows, cols)
    x, y = zip(*(grid.xy(u, v) for u in columns for v in lines), strict=True)
    return f"; x {min(x):.9g} to {max(x):.9g}, y {min(y):.9g} to {max(y):.9g}"
