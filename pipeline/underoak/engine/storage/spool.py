"""The spool: finished tiles on disk during a run, as encoded blocks in one file and a journal of their positions.

A tile is done when its journal line is complete and its bytes match the checksum in the line, so a killed run loses
only the tiles in flight. The bytes of a tile are written before its line. A thread syncs both to disk every few
seconds.

A line also names the state of the inputs when the tile began, and says whether it was the same when the tile was done:
the tile is then confirmed. A later line that names a state confirms the tiles of that state before it. Tiles that are
not confirmed are reused only if the inputs are still in that very state.
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

TILE = 2 * BLOCK  # side of the smallest tile: whole blocks of the first overview
_FORMAT = 4
_SYNC_SECONDS = 5.0
_DATA, _JOURNAL, _NEXT = "blocks.bin", "journal.txt", "journal.new"

Key = tuple[int, int, int, int]  # level, band, block row, block column
PartKey = tuple[Case, str]  # a reducer, by its case and its name


@dataclass
class TileResult:
    """The result of one tile: encoded blocks and reducers' parts, as bytes."""

    window: Window
    blocks: dict[str, list[tuple[Key, bytes]]]  # output name -> blocks
    parts: dict[PartKey, list[tuple[tuple[int, int], bytes]]]  # reducer -> (block row, block column), bytes
    notes: TileCounts = field(default_factory=TileCounts)


class Spool:
    """The finished tiles of one run, in one folder. Only one thread adds and reads."""

    def __init__(
        self, folder: Path, identity: str, facts: Mapping[str, Any] | None = None, *, keep: bool = False,
        state: str = "",
    ) -> None:  # fmt: skip
        """Open the spool in its folder.

        Args:
            folder: the folder of this spool alone.
            identity: the digest that a run must share to reuse the tiles.
            facts: the facts behind the identity, for people.
            keep: reuse the tiles that a run of the same identity saved there, except damaged ones; else start empty.
            state: the state of the inputs now; see `Inputs`.

        Raises:
            UnderoakError: E501, E502.
        """
        self.folder = folder
        self._header: dict[str, Any] = {"format": _FORMAT, "identity": identity, "facts": dict(facts or {})}
        self._start(keep, state)

    def _start(self, keep: bool, state: str) -> None:
        """Open the files, with the saved tiles or empty."""
        self.pieces: dict[str, dict[Key, Piece]] = {}
        self.parts: dict[PartKey, dict[tuple[int, int], Piece]] = {}
        self.notes = TileCounts()
        self.damaged = 0  # saved tiles that do not match their checksum
        self.unconfirmed = 0  # saved tiles that may come from other inputs, and are judged again
        self._state = state
        self._awaits_confirmation = False
        self._done: set[tuple[int, int]] = set()  # squares of TILE cells
        self._at = 0
        self._failed: OSError | None = None
        self._closing = threading.Event()
        try:
            lines = self._load() if keep else []
            if not lines:
                if self.folder.exists():
                    shutil.rmtree(self.folder)
                self.folder.mkdir(parents=True)
            self._open(lines or [line(self._header)])
        except OSError as error:
            raise disk_error(error, self.folder) from error

    def _load(self) -> list[bytes]:
        """Load the complete tiles; return their journal lines, the header first."""
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
            whole_lines, n_tiles = [line(lines[0])], 0
            for entry, is_confirmed in _confirmed(lines[1:]):
                n_tiles += 1
                if entry is None or not self._is_whole(entry, data):
                    continue
                if not is_confirmed and entry["state"] != self._state:
                    self.unconfirmed += 1
                    continue
                self._take(entry)
                self._awaits_confirmation |= not is_confirmed
                whole_lines.append(line({**entry, "is_confirmed": is_confirmed}))
            torn = int(not journal.endswith(b"\n"))  # a tile in flight, not a damaged one
            self.damaged = n_tiles + 1 - len(whole_lines) - self.unconfirmed - torn
        return whole_lines

    def _is_whole(self, entry: dict[str, Any], data: BinaryIO) -> bool:
        """Return True for a tile that is not loaded yet and whose bytes match their checksum."""
        if not self._done.isdisjoint(_squares(Window(*entry["tile"]))):
            return False
        data.seek(entry["at"])
        return bool(zlib.crc32(_get(data, entry["size"])) == entry["crc32"])

    def _take(self, entry: dict[str, Any]) -> None:
        """Register the tile of a journal line."""
        at = entry["at"]
        of_parts = (((Case(*case), reducer), places) for case, reducer, places in entry["parts"])
        tables: Any = ((self.pieces, entry["blocks"].items()), (self.parts, of_parts))
        for pieces, table in tables:
            for name, places in table:
                by_key = pieces.setdefault(name, {})
                for *key, size in places:
                    by_key[tuple(key)] = Piece(at, size)
                    at += size
        self._at = max(self._at, at)
        self._done |= _squares(Window(*entry["tile"]))
        self.notes.add(TileCounts.from_json(entry["notes"]))

    def _open(self, lines: list[bytes]) -> None:
        """Write a journal of these lines, and open both files to append to them."""
        with open(self.folder / _NEXT, "wb") as journal:
            journal.write(b"".join(lines))
        sync_file(self.folder / _NEXT)
        os.replace(self.folder / _NEXT, self.folder / _JOURNAL)
        handle = os.open(self.folder / _DATA, os.O_RDWR | os.O_CREAT | OPEN_BINARY, 0o644)
        self._data: BinaryIO = open(handle, "r+b", buffering=0)  # noqa: SIM115 - closed by close()
        self._data.truncate(self._at)
        self._journal: BinaryIO = open(self.folder / _JOURNAL, "ab", buffering=0)  # noqa: SIM115
        for folder in (self.folder, *self.folder.parents[:3]):  # the run folder and its parent, too
            sync_folder(folder)
        self._syncing = threading.Thread(target=self._sync, name="spool", daemon=True)
        self._syncing.start()

    def _sync(self) -> None:
        """Sync the files to disk every few seconds, blocks before their lines."""
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
        """The number of finished squares of the smallest tile size."""
        return len(self._done)

    @property
    def size(self) -> int:
        """The size of the saved blocks [bytes]."""
        return self._at

    def missing(self, grid: Grid, tile: int) -> list[Window]:
        """Return the tiles of this size that are not done; smaller tiles where one is done in part."""
        windows = []
        for window in grid.tiles(tile):
            squares = _squares(window)
            if squares.isdisjoint(self._done):
                windows.append(window)
            else:
                windows += [_window(square, grid) for square in sorted(squares - self._done)]
        return windows

    def reopen(self, state: str) -> None:
        """Drop the tiles that are not confirmed, because the inputs are in another state now.

        Raises:
            UnderoakError: E501, E502.
        """
        self._close_files()
        self._start(True, state)

    def confirm(self) -> None:
        """Confirm the tiles that are saved: the inputs are still in the state in which those tiles began.

        Raises:
            UnderoakError: E501.
        """
        if self._awaits_confirmation:
            self._write([], line({"state": self._state}))
            self._awaits_confirmation = False

    def add(self, result: TileResult, is_confirmed: bool = True) -> None:
        """Save the result of a tile. A tile that is done already, from a slow worker, is ignored.

        `is_confirmed`: the inputs were in the same state after the tile as before it.

        Raises:
            UnderoakError: E501 when the disk is full.
        """
        if not self._done.isdisjoint(_squares(result.window)):
            return
        tables: Any = {"blocks": result.blocks, "parts": result.parts}
        # written one by one: joining them would hold the interpreter lock, for which the workers wait
        chunks = [data for table in tables.values() for items in table.values() for _, data in items]
        crc32 = 0
        for data in chunks:
            crc32 = zlib.crc32(data, crc32)
        window = result.window
        entry = {
            "tile": [window.row, window.col, window.rows, window.cols], "at": self._at,
            "size": sum(map(len, chunks)), "crc32": crc32, "notes": result.notes.as_json(),
            "state": self._state, "is_confirmed": is_confirmed,
        }  # fmt: skip
        sizes = {
            kind: {name: [[*key, len(data)] for key, data in items] for name, items in table.items()}
            for kind, table in tables.items()
        }
        entry["blocks"] = sizes["blocks"]
        entry["parts"] = [[astuple(case), reducer, places] for (case, reducer), places in sizes["parts"].items()]
        self._write(chunks, line(entry))
        self._awaits_confirmation |= not is_confirmed
        self._take(entry)

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
        """Save a block made after the tiles, such as an overview block; a resumed run makes it again.

        Raises:
            UnderoakError: E501 when the disk is full.
        """
        self._write([data])
        self.pieces.setdefault(name, {})[key] = Piece(self._at, len(data))
        self._at += len(data)

    def add_part(self, key: PartKey, block: tuple[int, int], data: bytes) -> None:
        """Save a part made after the tiles; a resumed run makes it again.

        Raises:
            UnderoakError: E501 when the disk is full.
        """
        self._write([data])
        self.parts.setdefault(key, {})[block] = Piece(self._at, len(data))
        self._at += len(data)

    def parts_of(self, key: PartKey) -> Iterator[bytes]:
        """Yield the parts of a reducer, in block order."""
        for _, piece in sorted(self.parts.get(key, {}).items()):
            yield self.read(piece)

    def read(self, piece: Piece) -> bytes:
        """Return the bytes of a saved block or part."""
        self._data.seek(piece.offset)
        return _get(self._data, piece.size)

    def close(self) -> None:
        """Close the files; delete the folder if no tile is done."""
        self._close_files()
        if not self._done:
            shutil.rmtree(self.folder, ignore_errors=True)

    def _close_files(self) -> None:
        self._closing.set()
        self._syncing.join()
        for file in (self._data, self._journal):
            with contextlib.suppress(OSError):  # an incomplete write is recognised when the spool is opened again
                file.close()

    def remove(self) -> None:
        """Delete the spool: its run is finished or cannot be resumed."""
        self.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def _confirmed(lines: list[dict[str, Any] | None]) -> list[tuple[dict[str, Any] | None, bool]]:
    """Return the lines of tiles, each with whether it is confirmed; None for a damaged line."""
    states: set[str] = set()  # that a later line confirms
    tiles = []
    for entry in reversed(lines):
        if entry is not None and "tile" not in entry:
            states.add(entry["state"])
        else:
            tiles.append((entry, entry is not None and (entry["is_confirmed"] or entry["state"] in states)))
    return tiles[::-1]


def saved_facts(folder: Path) -> dict[str, Any] | None:
    """Return the facts behind the identity of the spool in a folder; None if it cannot be read."""
    try:
        with open(folder / _JOURNAL, "rb") as journal:
            header = next(read_lines(journal.readline()), None)
    except OSError:
        return None
    return header["facts"] if header is not None and header.get("format") == _FORMAT else None


def _put(file: BinaryIO, data: bytes) -> None:
    remaining = memoryview(data)
    while remaining:
        remaining = remaining[file.write(remaining) :]


def _get(file: BinaryIO, size: int) -> bytes:
    data = file.read(size)
    while len(data) < size and (more := file.read(size - len(data))):
        data += more
    return data


def _squares(window: Window) -> set[tuple[int, int]]:
    """Return the squares of TILE cells that make up a tile."""
    return set(_each(window))


def _each(window: Window) -> Iterator[tuple[int, int]]:
    for row in range(window.row // TILE, -(-(window.row + window.rows) // TILE)):
        for col in range(window.col // TILE, -(-(window.col + window.cols) // TILE)):
            yield row, col


def _window(square: tuple[int, int], grid: Grid) -> Window:
    return Window(square[0] * TILE, square[1] * TILE, TILE, TILE).clip(grid.rows, grid.cols)
