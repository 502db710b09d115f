"""Bytes of remote files on disk, by content, for all plans; a name appears only when its bytes are complete."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import uuid
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, UnderoakError

MOST_BYTES = 10_000_000_000


class BlobStore:
    """A folder with blobs by their SHA-256, and for each remote file which spans of it they are."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._used: set[str] = set()

    def put(self, data: bytes) -> str:
        """Store bytes, and return their SHA-256.

        Raises:
            UnderoakError: E501, E502 when they cannot be written.
        """
        name = hashlib.sha256(data).hexdigest()
        self._used.add(name)
        path = self._blob(name)
        if not path.exists():
            _write(path, data)
        return name

    def get(self, name: str) -> bytes | None:
        """Return the bytes with a SHA-256; None if they are not there, or are damaged."""
        path = self._blob(name)
        try:
            data = path.read_bytes()
            os.utime(path)  # the latest use, by which old blobs are removed
        except OSError:
            return None
        if hashlib.sha256(data).hexdigest() != name:
            with contextlib.suppress(OSError):
                path.unlink()
            return None
        self._used.add(name)
        return data

    def record(self, address: str) -> dict[str, Any]:
        """Return what is recorded of a remote file; empty if nothing is."""
        try:
            record = json.loads(self._index(address).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return record if isinstance(record, dict) and record.get("address") == address else {}

    def write_record(self, address: str, record: dict[str, Any]) -> None:
        """Replace what is recorded of a remote file."""
        text = json.dumps(record | {"address": address}, sort_keys=True, indent=1)
        _write(self._index(address), text.encode())

    def prune(self, most: int = MOST_BYTES) -> None:
        """Remove the blobs that were not used for longest, beyond `most` bytes; those of this process stay."""
        entries = []
        for path in self._folder.glob("blobs/*/*"):
            with contextlib.suppress(OSError):
                status = path.stat()
                entries.append((status.st_mtime_ns, status.st_size, path))
        size = sum(entry[1] for entry in entries)
        for _, n_bytes, path in sorted(entries):
            if size <= most:
                break
            if path.name not in self._used:
                with contextlib.suppress(OSError):
                    path.unlink()
                    size -= n_bytes

    def _blob(self, name: str) -> Path:
        return self._folder / "blobs" / name[:2] / name

    def _index(self, address: str) -> Path:
        return self._folder / "index" / f"{hashlib.sha256(address.encode()).hexdigest()}.json"


def _write(path: Path, data: bytes) -> None:
    """Write a file under another name, sync it, and give it its name."""
    temporary = path.with_name(f".{path.name}.{uuid.uuid4().hex}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with temporary.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            temporary.unlink()
        code = "E501" if error.errno == 28 else "E502"
        what = f"cannot be written ({error.strerror or error})"
        fix = "free space, or name another folder by UNDEROAK_CACHE"
        raise UnderoakError(Fault(code, what, str(path.parent), fix)) from error
