"""Finished tiles on disk while a run goes on: encoded blocks in one file, and a journal that says where they lie.

A tile counts as done when its journal line is whole and its bytes have the checksum the line gives; whatever is
killed in between loses only the tiles in flight. Bytes go to the system before the line that tells of them, and both
go to the disk every few seconds, beside the work.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import astuple, dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from underoak.base.grid import Grid, Window
from underoak.engine.judge.counts import TileCounts
from underoak.engine.storage.disk import disk_error, sync_file, sync_folder
from underoak.engine.storage.journal import line, read_lines
from underoak.engine.system import OPEN_BINARY
from underoak.engine.write.cog import BLOCK, Piece
from underoak.plan.case import Case

TILE = 2 * BLOCK  # the smallest tile's side: whole blocks of the first overview
_FORMAT = 3
_SYNC_SECONDS = 5.0
_DATA, _JOURNAL, _NEXT = "blocks.bin", "journal.txt", "journal.new"

Key = tuple[int, int, int, int]  # level, band, block row, block column
PartKey = tuple[Case, str]  # a reducer, by its case and its name


@dataclass
class TileResult:
    """What a worker hands over for one tile: encoded blocks and reducers' parts, as bytes."""

    window: Window
    blocks: dict[str, list[tuple[Key, bytes]]]  # output name -> blocks
    parts: dict[PartKey, list[tuple[tuple[int, int], bytes]]]  # reducer -> (block row, block column), bytes
    notes: TileCounts = field(default_factory=TileCounts)


class Spool:
    """One run's unfinished business, in a folder of its own. One thread adds and reads."""

    def __init__(
        self, folder: Path, identity: str, facts: Mapping[str, Any] | None = None, *, keep: bool = False
    ) -> None:
        """Open the spool in its folder.

        Args:
            folder: its own.
            identity: what a run must have in common with this one to go on with its tiles.
            facts: what the identity stands for, for people.
            keep: go on with what a run of the same identity left there, less what is torn or damaged; else begin anew.

        Raises:
            UnderoakError: E501, E502.
        """
        self.folder = folder
        self.pieces: dict[str, dict[Key, Piece]] = {}
        self.parts: dict[PartKey, dict[tuple[int, int], Piece]] = {}
        self.notes = TileCounts()
        self.damaged = 0  # tiles that were kept, but are not as they were written
        self._header: dict[str, Any] = {"format": _FORMAT, "identity": identity, "facts": dict(facts or {})}
        self._done: set[tuple[int, int]] = set()  # squares of TILE cells
        self._at = 0
        self._failed: OSError | None = None
        self._closing = threading.Event()
        try:
            kept = self._load() if keep else []
            if not kept:
                if folder.exists():
                    shutil.rmtree(folder)
                folder.mkdir(parents=True)
            self._open(kept or [line(self._header)])
        except OSError as error:
            raise disk_error(error, folder) from error

    def _load(self) -> list[bytes]:
        """Take in the tiles that are whole; returns the journal lines that tell of them, the header first."""
        try:
            journal = (self.folder / _JOURNAL).read_bytes()
            data = open(self.folder / _DATA, "rb", buffering=0)  # noqa: SIM115 - two files, one fault
        except FileNotFoundError:
            return []
        with data:
            lines = list(read_lines(journal))
            if not lines or lines[0] is None or any(lines[0].get(k) != self._header[k] for k in ("format", "identity")):
                self.damaged = max(len(lines) - 1, 0)
                return []
            kept = [line(lines[0])]
            for told in lines[1:]:
                if told is not None and self._is_whole(told, data):
                    self._take(told)
                    kept.append(line(told))
            torn = int(not journal.endswith(b"\n"))  # a tile in flight, not a damaged one
            self.damaged = len(lines) - len(kept) - torn
        return kept

    def _is_whole(self, told: dict[str, Any], data: BinaryIO) -> bool:
        """True for a tile that is not known yet and whose bytes are as they were written."""
        if not self._done.isdisjoint(_squares(Window(*told["tile"]))):
            return False
        data.seek(told["at"])
        return bool(zlib.crc32(_get(data, told["size"])) == told["crc32"])

    def _take(self, told: dict[str, Any]) -> None:
        """Know of a tile that its journal line tells of."""
        at = told["at"]
        of_parts = (((Case(*case), reducer), places) for case, reducer, places in told["parts"])
        tables: Any = ((self.pieces, told["blocks"].items()), (self.parts, of_parts))
        for pieces, table in tables:
            for name, places in table:
                known = pieces.setdefault(name, {})
                for *key, size in places:
                    known[tuple(key)] = Piece(at, size)
                    at += size
        self._at = max(self._at, at)
        self._done |= _squares(Window(*told["tile"]))
        self.notes.add(TileCounts.from_json(told["notes"]))

    def _open(self, lines: list[bytes]) -> None:
        """Write a journal of these lines, and stand ready to go on behind it and behind the blocks."""
        with open(self.folder / _NEXT, "wb") as made:
            made.write(b"".join(lines))
        sync_file(self.folder / _NEXT)
        os.replace(self.folder / _NEXT, self.folder / _JOURNAL)
        handle = os.open(self.folder / _DATA, os.O_RDWR | os.O_CREAT | OPEN_BINARY, 0o644)
        self._data: BinaryIO = open(handle, "r+b", buffering=0)  # noqa: SIM115 - closed by close()
        self._data.truncate(self._at)
        self._journal: BinaryIO = open(self.folder / _JOURNAL, "ab", buffering=0)  # noqa: SIM115
        for folder in (self.folder, *self.folder.parents[:3]):  # the run folder and what it lies in, too
            sync_folder(folder)
        self._syncing = threading.Thread(target=self._sync, name="spool", daemon=True)
        self._syncing.start()

    def _sync(self) -> None:
        """Bring to disk what the system holds, now and then; blocks before the lines that tell of them."""
        synced = self._at
        while not self._closing.wait(_SYNC_SECONDS):
            if self._at == synced:
                continue
            synced = self._at
            try:
                os.fsync(self._data.fileno())
                os.fsync(self._journal.fileno())
            except OSError as error:
                self._failed = error
                return

    @property
    def tiles(self) -> int:
        """How many squares of the smallest tile's size are done."""
        return len(self._done)

    @property
    def size(self) -> int:
        """Bytes of the blocks that are kept."""
        return self._at

    def missing(self, grid: Grid, tile: int) -> list[Window]:
        """The tiles of this size that are not done; of one that is done in part, smaller ones that are not."""
        found = []
        for window in grid.tiles(tile):
            squares = _squares(window)
            if squares.isdisjoint(self._done):
                found.append(window)
            else:
                found += [_window(square, grid) for square in sorted(squares - self._done)]
        return found

    def add(self, result: TileResult) -> None:
        """Keep a tile's results; a tile that is done already, by a slow worker once more, changes nothing.

        Raises:
            UnderoakError: E501 when the disk is full.
        """
        if not self._done.isdisjoint(_squares(result.window)):
            return
        tables: Any = {"blocks": result.blocks, "parts": result.parts}
        # one by one and not as one: putting them together would hold the interpreter, for which the workers wait
        chunks = [data for table in tables.values() for items in table.values() for _, data in items]
        crc32 = 0
        for data in chunks:
            crc32 = zlib.crc32(data, crc32)
        window = result.window
        told = {
            "tile": [window.row, window.col, window.rows, window.cols], "at": self._at,
            "size": sum(map(len, chunks)), "crc32": crc32, "notes": result.notes.as_json(),
        }  # fmt: skip
        sizes = {
            kind: {name: [[*key, len(data)] for key, data in items] for name, items in table.items()}
            for kind, table in tables.items()
        }
        told["blocks"] = sizes["blocks"]
        told["parts"] = [[astuple(case), reducer, places] for (case, reducer), places in sizes["parts"].items()]
        self._write(chunks, line(told))
        self._take(told)

    def _write(self, chunks: list[bytes], journal: bytes = b"") -> None:
        try:
            if self._failed is not None:
                raise self._failed
            self._data.seek(self._at)
            for data in chunks:
                _put(self._data, data)
            _put(self._journal, journal)
        except OSError as error:
            raise disk_error(error, self.folder) from error

    def add_block(self, name: str, key: Key, data: bytes) -> None:
        """Keep one block made after the tiles, such as an overview's; a run that goes on makes it again.

        Raises:
            UnderoakError: E501 when the disk is full.
        """
        self._write([data])
        self.pieces.setdefault(name, {})[key] = Piece(self._at, len(data))
        self._at += len(data)

    def read(self, piece: Piece) -> bytes:
        """The bytes of a kept block or part."""
        self._data.seek(piece.offset)
        return _get(self._data, piece.size)

    def close(self) -> None:
        """Let go of the files; they stay, unless there is nothing in them."""
        self._closing.set()
        self._syncing.join()
        for file in (self._data, self._journal):
            with contextlib.suppress(OSError):  # what could not be written is torn, and found to be so
                file.close()
        if not self._done:
            shutil.rmtree(self.folder, ignore_errors=True)

    def remove(self) -> None:
        """Delete the spool: its run is finished or given up."""
        self.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def kept_facts(folder: Path) -> dict[str, Any] | None:
    """What the spool in a folder says its identity stands for; None when it cannot be read."""
    try:
        with open(folder / _JOURNAL, "rb") as journal:
            header = next(read_lines(journal.readline()), None)
    except OSError:
        return None
    return header["facts"] if header is not None and header.get("format") == _FORMAT else None


def _put(file: BinaryIO, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[file.write(left) :]


def _get(file: BinaryIO, size: int) -> bytes:
    data = file.read(size)
    while len(data) < size and (more := file.read(size - len(data))):
        data += more
    return data


def _squares(window: Window) -> set[tuple[int, int]]:
    """The squares of TILE cells that a tile is made of."""
    return set(_each(window))


def _each(window: Window) -> Iterator[tuple[int, int]]:
    for row in range(window.row // TILE, -(-(window.row + window.rows) // TILE)):
        for col in range(window.col // TILE, -(-(window.col + window.cols) // TILE)):
            yield row, col


def _window(square: tuple[int, int], grid: Grid) -> Window:
    return Window(square[0] * TILE, square[1] * TILE, TILE, TILE).clip(grid.rows, grid.cols)
