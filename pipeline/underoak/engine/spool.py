"""Finished tiles on disk while a run goes on: encoded blocks in one file, and a journal that says where they lie.

A tile counts as done when its journal line is whole and its bytes have the checksum the line gives; whatever is
killed in between loses only the tiles in flight.
"""

from __future__ import annotations

import json
import os
import time
import zlib
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from underoak.engine.cog import Piece
from underoak.engine.recipe import Notes
from underoak.errors import Fault, UnderoakError
from underoak.grid import Window

_SYNC_SECONDS = 5.0

Key = tuple[int, int, int, int]  # level, band, block row, block column


@dataclass
class TileResult:
    """What a worker hands over for one tile: encoded blocks and reducers' parts, as bytes."""

    window: Window
    blocks: dict[str, list[tuple[Key, bytes]]]  # output name -> blocks
    parts: dict[str, list[tuple[tuple[int, int], bytes]]]  # reducer name -> (block row, block column), bytes
    notes: Notes = field(default_factory=Notes)


class Spool:
    """One run's unfinished business, in a folder of its own."""

    def __init__(self, folder: Path, identity: str) -> None:
        self.folder = folder
        self.identity = identity
        self.pieces: dict[str, dict[Key, Piece]] = {}
        self.parts: dict[str, dict[tuple[int, int], Piece]] = {}
        self.done: set[Window] = set()
        self.notes = Notes()
        self._at = 0
        self._synced = time.monotonic()
        folder.mkdir(parents=True, exist_ok=True)
        self._data = open(folder / "blocks.bin", "w+b")  # noqa: SIM115 - closed by close()
        self._journal = open(folder / "journal.jsonl", "w", encoding="utf-8")  # noqa: SIM115
        self._journal.write(json.dumps({"format": 1, "identity": identity}) + "\n")

    def add(self, result: TileResult) -> None:
        """Keep a tile's results.

        Raises:
            UnderoakError: E501 when the disk is full.
        """
        start, pieces, checksum = self._at, [], 0
        chunks: list[bytes] = []
        line: dict[str, Any] = {"tile": asdict(result.window), "blocks": {}, "parts": {}}
        tables: Any = (("blocks", result.blocks), ("parts", result.parts))
        for kind, table in tables:
            for name, items in table.items():
                places = line[kind][name] = []
                for key, data in items:
                    places.append([*key, self._at, len(data)])
                    pieces.append((kind, name, key, Piece(self._at, len(data))))
                    chunks.append(data)
                    checksum = zlib.crc32(data, checksum)
                    self._at += len(data)
        line |= {"at": start, "size": self._at - start, "crc32": checksum, "notes": asdict(result.notes)}
        try:
            self._data.seek(start)
            self._data.write(b"".join(chunks))
            self._data.flush()
            self._journal.write(json.dumps(line, separators=(",", ":")) + "\n")
            self._journal.flush()
            if time.monotonic() - self._synced > _SYNC_SECONDS:
                os.fsync(self._data.fileno())
                os.fsync(self._journal.fileno())
                self._synced = time.monotonic()
        except OSError as error:
            raise disk_error(error, self.folder) from error
        for kind, name, key, piece in pieces:
            into: dict[str, dict[Any, Piece]] = self.pieces if kind == "blocks" else self.parts
            into.setdefault(name, {})[key] = piece
        self.done.add(result.window)
        self.notes.add(result.notes)

    def add_block(self, name: str, key: Key, data: bytes) -> None:
        """Keep one block made after the tiles, such as an overview's."""
        try:
            self._data.seek(self._at)
            self._data.write(data)
        except OSError as error:
            raise disk_error(error, self.folder) from error
        self.pieces.setdefault(name, {})[key] = Piece(self._at, len(data))
        self._at += len(data)

    def read(self, piece: Piece) -> bytes:
        """The bytes of a kept block or part."""
        self._data.seek(piece.offset)
        return self._data.read(piece.size)

    def close(self) -> None:
        """Let go of the files; they stay."""
        self._data.close()
        self._journal.close()

    def remove(self) -> None:
        """Delete the spool: its run is finished or given up."""
        self.close()
        for name in ("blocks.bin", "journal.jsonl"):
            (self.folder / name).unlink(missing_ok=True)
        self.folder.rmdir()


def disk_error(error: OSError, folder: Path) -> UnderoakError:
    """The fault that a failed write means."""
    import errno

    if error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG):
        return UnderoakError(Fault("E501", "the disk is full", str(folder), "free some space and run again"))
    what = f"cannot be written ({error.strerror or error})"
    return UnderoakError(Fault("E502", what, str(folder), "choose a folder you may write to with --out"))
