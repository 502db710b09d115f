"""The files a run reads: their checksums, and whether they stay as they were while it reads them."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterable, Mapping
from pathlib import Path

from underoak.base.errors import Problems
from underoak.engine.write.checksums import InputRecord, input_records, sha256

_LOOK_SECONDS = 5.0
_LOOK_SHARE = 0.02  # of the time, at most, for looking

Stamp = tuple[tuple[str, int, int], ...]  # (name, size, time of change) of each file in it
Inodes = tuple[tuple[int, int], ...]


Look = tuple[Stamp, Inodes]


def file_states(paths: Iterable[Path]) -> dict[Path, Look]:
    """What plain files look like before anybody opens or trusts them, by their true paths; others are left out."""
    found = {}
    for path in paths:
        with contextlib.suppress(OSError):
            if path.is_file():
                found[path.resolve()] = _look(path)
    return found


class Inputs:
    """Files as they were when the run began."""

    def __init__(
        self,
        files: Mapping[Path, Iterable[str]],
        base: Path,
        unwatched: Path | None = None,
        seen: Mapping[Path, Look] | None = None,
    ) -> None:
        """Look at the files and work out their checksums.

        Args:
            files: each with the keys of the plan that name it.
            base: the folder their names are told from.
            unwatched: the plan's own file, which is in memory already.
            seen: from `glance`, before anything was read.
        """
        seen = seen or {}
        self._stamps = {path: seen.get(path.resolve()) or _look(path) for path in files if path != unwatched}
        self.records: list[InputRecord] = input_records(files, base)
        by_path = dict(zip(sorted({path.resolve() for path in files}), self.records, strict=True))
        self._sums = {path: by_path[path.resolve()].sha256 for path in self._stamps}
        self.sums = {by_path[path.resolve()].path: checksum for path, checksum in self._sums.items()}
        self._next = time.monotonic() + _LOOK_SECONDS

    def watch(self) -> None:
        """As `check`, but only every few seconds.

        Raises:
            UnderoakError: E601.
        """
        began = time.monotonic()
        if began >= self._next:
            self.check()
            now = time.monotonic()
            self._next = now + max(_LOOK_SECONDS, (now - began) / _LOOK_SHARE)

    def check(self) -> None:
        """Make sure that no file has changed since the run began.

        Raises:
            UnderoakError: E601 for every file that has.
        """
        problems = Problems()
        for path, (stamp, inodes) in self._stamps.items():
            try:
                what = "" if _stamp(path) == stamp else "was written while the run was reading it"
                if not what and _inodes(path) != inodes:  # replaced, or only moved or given other rights
                    what = "" if sha256(path) == self._sums[path] else "was replaced while the run was reading it"
                    self._stamps[path] = stamp, _inodes(path)
            except OSError as error:
                what = f"is gone while the run was reading it ({error.strerror or error})"
            if what:
                problems.add("E601", what, str(path), "run again when nobody writes to it; nothing was published")
        problems.stop_if_any()


def _look(path: Path) -> Look:
    return _stamp(path), _inodes(path)


def _stamp(path: Path) -> Stamp:
    """Sizes and times of change."""
    return tuple((name, made.st_size, made.st_mtime_ns) for name, made in _stats(path))


def _inodes(path: Path) -> Inodes:
    """What shows that a file of the same size and time may be another one."""
    return tuple((made.st_ino, made.st_ctime_ns) for _, made in _stats(path))


def _stats(path: Path) -> list[tuple[str, os.stat_result]]:
    if not path.is_dir():
        return [(path.name, path.stat())]
    return sorted((str(inner.relative_to(path)), inner.stat()) for inner in path.rglob("*") if inner.is_file())
