"""A published run as a reader sees it: all its files are of one run, although another may be published meanwhile.

The manifest of a run leaves the folder before any of its files changes, and the next one comes after all files. So
what was read is of the run that was opened if that run's manifest is still in the folder afterwards.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from underoak.base.errors import Fault, UnderoakError
from underoak.engine.storage.manifest import MANIFEST, Manifest, read_manifest
from underoak.engine.storage.run_folder import finish_publishing, is_publishing

_PATIENCE_SECONDS = 5.0  # for a run that publishes
_POLL_SECONDS = 0.02

_Stamp = tuple[int, int, int, int] | None


@dataclass(frozen=True, slots=True)
class Published:
    """A run folder, as it was when its manifest was read."""

    folder: Path
    manifest: Manifest
    _stamp: _Stamp

    @classmethod
    def open(cls, folder: Path) -> Published:
        """Open the run in a folder; publish its files first if an earlier process was killed while doing so.

        Raises:
            UnderoakError: E603 if the folder holds no finished run, E605 if a run that publishes does not end.
        """
        until = time.monotonic() + _PATIENCE_SECONDS
        while True:
            finish_publishing(folder)
            stamp = _stamp(folder)
            try:
                published = cls(folder, read_manifest(folder), stamp)
            except UnderoakError:
                is_moving = is_publishing(folder) or _stamp(folder) != stamp
                if not is_moving or time.monotonic() > until:
                    raise
            else:
                if stamp is not None and _stamp(folder) == stamp:
                    return published
            time.sleep(_POLL_SECONDS)

    @contextlib.contextmanager
    def reading(self) -> Iterator[None]:
        """Check after the block that all it has read is of this run. An error inside may come from a change, too.

        Raises:
            UnderoakError: E610 when another run was published meanwhile.
        """
        try:
            yield
        except Exception as error:
            if _stamp(self.folder) != self._stamp:
                raise self._replaced() from error
            raise
        if _stamp(self.folder) != self._stamp:
            raise self._replaced()

    def _replaced(self) -> UnderoakError:
        what = "another run was published here since this one was opened"
        return UnderoakError(Fault("E610", what, str(self.folder), "open the run again"))


def _stamp(folder: Path) -> _Stamp:
    """Return what tells one manifest from the next; None while there is none."""
    try:
        status = os.stat(folder / MANIFEST)
    except OSError:
        return None
    return status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns
