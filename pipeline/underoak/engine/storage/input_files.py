"""The input files of a run: their checksums, and a check that they do not change during the run."""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.engine.write.checksums import InputRecord, input_records, sha256

_FIX = "run again when no other program writes to it"
_LOOK_SHARE = 0.02  # of the time, at most, spent on looks

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


class InputsTouched(UnderoakError):
    """An error for inputs whose content is as before, but may have been another for a while (E601)."""


class Inputs:
    """The input files, with their state at the last look.

    A state is what the system says of every file: size, times, inode. No program can put back the time at which the
    system last changed a file's entry. So what was read between two looks at one state was read from one content.
    """

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
        self._looks = {path: _look(path) for path in files if path != unwatched}
        self._changed = [path for path, look in self._looks.items() if seen.get(path.resolve(), look) != look]
        self._touched: list[Path] = []
        self.records: list[InputRecord] = input_records(files, base)
        by_path = dict(zip(sorted({path.resolve() for path in files}), self.records, strict=True))
        self._sums = {path: by_path[path.resolve()].sha256 for path in self._looks}
        self.sums = {by_path[path.resolve()].path: checksum for path, checksum in self._sums.items()}
        self._sum_of = {os.path.realpath(path): record.sha256 for path, record in by_path.items()}
        self._names = {path: by_path[path.resolve()].path for path in self._looks}
        self._next = time.monotonic()
        self.state = self._digest()

    def sha256_of(self, path: str) -> str:
        """Return the checksum of an input file; empty for another file."""
        return self._sum_of.get(os.path.realpath(path), "")

    def watch(self) -> bool:
        """Run `check` unless it would take too much of the time; return True if it has run.

        Raises:
            UnderoakError: E601.
        """
        began = time.monotonic()
        if began < self._next:
            return False
        self.check()
        now = time.monotonic()
        self._next = now + (now - began) / _LOOK_SHARE
        return True

    def check(self) -> None:
        """Look at every file. `state` is then another one if a file was replaced by its like, moved or the like.

        Raises:
            UnderoakError: E601 for every file whose content has changed since the run began.
        """
        problems = Problems()
        for path, before in self._looks.items():
            what = "was replaced while it was being opened" if path in self._changed else ""
            try:
                look = _look(path)
                if not what and look[0] != before[0]:
                    what = "was written while the run was reading it"
                if not what and look != before:  # replaced, or only moved, or its permissions changed
                    what = "" if sha256(path) == self._sums[path] else "was replaced while the run was reading it"
                    self._looks[path] = look
                    self._touched.append(path)
            except OSError as error:
                what = f"is gone while the run was reading it ({error.strerror or error})"
            if what:
                problems.add("E601", what, str(path), f"{_FIX}; no result was published")
        problems.stop_if_any()
        if self._touched:
            self.state = self._digest()

    def take_touched(self) -> list[Path]:
        """Return the files that were touched since the last call, with the same content as before."""
        touched, self._touched = sorted(set(self._touched)), []
        return touched

    def touched_error(self) -> InputsTouched:
        """Return the error for files that were touched again and again, or after the last tile."""
        what = "was replaced, moved or otherwise touched; its content is as before, but may have been another meanwhile"
        return InputsTouched(
            *(Fault("E601", what, str(path), f"{_FIX}: tiles are kept") for path in self.take_touched())
        )

    def _digest(self) -> str:
        """Return a checksum of all states, by the files' names from the plan's folder."""
        states = sorted((self._names[path], look) for path, look in self._looks.items())
        return hashlib.sha256(repr(states).encode()).hexdigest()[:16]


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
