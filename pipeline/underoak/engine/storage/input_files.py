"""The input files of a run: their checksums, and a check that they do not change during the run."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from underoak.base.errors import Problems
from underoak.engine.write.checksums import InputRecord, input_records, sha256

_LOOK_SECONDS = 5.0
_LOOK_SHARE = 0.02  # of the time, at most, spent on checks

Stamp = tuple[tuple[str, int, int], ...]  # (name, size, time of change) of each file
Inodes = tuple[tuple[int, int], ...]


Look = tuple[Stamp, Inodes]


def file_states(paths: Iterable[Path]) -> dict[Path, Look]:
    """Return the state of each plain file, by its resolved path, before it is opened; skip all other paths."""
    states = {}
    for path in paths:
        with contextlib.suppress(OSError):
            if path.is_file():
                states[path.resolve()] = _look(path)
    return states


class Inputs:
    """The input files, with their state at the start of the run."""

    def __init__(
        self,
        files: Mapping[Path, Iterable[str]],
        base: Path,
        unwatched: Path | None = None,
        seen: Mapping[Path, Look] | None = None,
    ) -> None:
        """Record the state and the checksum of each file.

        Args:
            files: each with the keys of the plan that name it.
            base: the folder their names are relative to.
            unwatched: the plan file, which is in memory already.
            seen: from `file_states`, before anything was read.
        """
        seen = seen or {}
        self._stamps = {path: seen.get(path.resolve()) or _look(path) for path in files if path != unwatched}
        self.records: list[InputRecord] = input_records(files, base)
        by_path = dict(zip(sorted({path.resolve() for path in files}), self.records, strict=True))
        self._sums = {path: by_path[path.resolve()].sha256 for path in self._stamps}
        self.sums = {by_path[path.resolve()].path: checksum for path, checksum in self._sums.items()}
        self._next = time.monotonic() + _LOOK_SECONDS
        self._sum_of = {os.path.realpath(path): record.sha256 for path, record in by_path.items()}

    def sha256_of(self, path: str) -> str:
        """Return the checksum of an input file; empty for another file."""
        return self._sum_of.get(os.path.realpath(path), "")

    def watch(self) -> None:
        """Run `check`, but only every few seconds.

        Raises:
            UnderoakError: E601.
        """
        began = time.monotonic()
        if began >= self._next:
            self.check()
            now = time.monotonic()
            self._next = now + max(_LOOK_SECONDS, (now - began) / _LOOK_SHARE)

    def check(self) -> None:
        """Check that no file has changed since the run began.

        Raises:
            UnderoakError: E601 for every file that has.
        """
        problems = Problems()
        for path, (stamp, inodes) in self._stamps.items():
            try:
                what = "" if _stamp(path) == stamp else "was written while the run was reading it"
                if not what and _inodes(path) != inodes:  # replaced, or only moved, or its permissions changed
                    what = "" if sha256(path) == self._sums[path] else "was replaced while the run was reading it"
                    self._stamps[path] = stamp, _inodes(path)
            except OSError as error:
                what = f"is gone while the run was reading it ({error.strerror or error})"
            if what:
                problems.add(
                    "E601", what, str(path), "run again when no other program writes to it; no result was published"
                )
        problems.stop_if_any()


def _look(path: Path) -> Look:
    return _stamp(path), _inodes(path)


def _stamp(path: Path) -> Stamp:
    """Return names, sizes and times of change."""
    return tuple((name, status.st_size, status.st_mtime_ns) for name, status in _stats(path))


def _inodes(path: Path) -> Inodes:
    """Return inodes and times of status change: they reveal a replaced file of the same size and time."""
    return tuple((status.st_ino, status.st_ctime_ns) for _, status in _stats(path))


def _stats(path: Path) -> list[tuple[str, os.stat_result]]:
    if not path.is_dir():
        return [(path.name, path.stat())]
    return sorted((str(inner.relative_to(path)), inner.stat()) for inner in path.rglob("*") if inner.is_file())
