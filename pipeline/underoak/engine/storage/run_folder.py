"""The run folder: one run at a time, and results that are all old or all new, even if the process or the power dies.

Unfinished files lie in its folder `.underoak`. New files are written to `new` there. When all are complete and synced
to disk, `new` is renamed to `ready`: from then on the new results count. If the run is killed while they get their
final names, the next program that opens the folder finishes the renaming. A manifest is in the folder only while every
file it names belongs to it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from underoak.base.errors import Fault, UnderoakError
from underoak.engine.storage.disk import disk_error, is_full, sync_file, sync_folder
from underoak.engine.storage.lock import Lock
from underoak.engine.storage.manifest import MANIFEST, NamedFiles
from underoak.engine.write.checksums import sha256

_WORKSHOP, _OLD = ".underoak", ".old"
_DEEPEST = 4  # levels of folders inside a run folder, at most
_PATIENCE_SECONDS = 5.0


class RunFolder:
    """A run folder that is locked while it is written; use it in a `with` block."""

    def __init__(self, path: Path, names: Iterable[str] = ()) -> None:
        """Set the folder; `names` are the files to be written, as far as known; see `refuse_foreign`."""
        self.path = path
        self._names = tuple(names)
        self._lock = _lock_of(path)

    @property
    def spools(self) -> Path:
        """The folder of finished tiles, with a folder for each unfinished run."""
        return self.path / _WORKSHOP / "spool"

    @property
    def read_note(self) -> Path:
        """The note of the reads under way; see `read_note`."""
        return self.path / _WORKSHOP / "reading"

    @property
    def stage(self) -> Path:
        """The folder where files are written before they get their final names."""
        return self.path / _WORKSHOP / "new"

    def __enter__(self) -> RunFolder:
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            self._lock.take()
            _finish(self.path)
            refuse_foreign(self.path, map(Path, self._names))
            _remove(self.stage)
            self.stage.mkdir()
        except OSError as error:
            self._let_go()
            raise disk_error(error, self.path) from error
        except BaseException:
            self._let_go()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        try:
            _remove(self.stage)
        except OSError as error:
            if value is None:
                raise disk_error(error, self.path) from error
        finally:
            self._let_go()
        if isinstance(value, OSError) and (is_full(value) or self._is_ours(value)):
            raise disk_error(value, self.path) from value

    def _is_ours(self, error: OSError) -> bool:
        """Return True if an error is about a file in this folder."""
        return isinstance(error.filename, str) and self.path in Path(error.filename).parents

    def _let_go(self) -> None:
        self._lock.release()
        for path in (self.spools, self.spools.parent):
            with contextlib.suppress(OSError):  # not empty, or not there
                path.rmdir()

    def publish(self) -> None:
        """Publish the staged files, all at once, and delete older results that they do not replace.

        Raises:
            UnderoakError: E306, E501, E502; the old results still count then, or the next program that opens the folder
                finishes.
        """
        refuse_foreign(self.path, _files(self.stage))
        try:
            for name in _files(self.stage):
                sync_file(self.stage / name)
            for inner in (*_folders(self.stage), self.stage, self.stage.parent, self.path, self.path.parent):
                sync_folder(inner)
            os.replace(self.stage, _ready(self.path))
            sync_folder(self.stage.parent)
            _finish(self.path)
        except OSError as error:
            raise disk_error(error, self.path) from error


def refuse_foreign(folder: Path, names: Iterable[Path]) -> None:
    """Check that no file would be overwritten, except files that a manifest in the folder names.

    Raises:
        UnderoakError: E306 that names the files in the way.
    """
    manifests = _manifests(folder)
    replaceable = {*manifests, *_named(folder, manifests)}
    foreign = [str(name) for name in sorted(set(names)) if name not in replaceable and os.path.lexists(folder / name)]
    if foreign:
        more = f" and {len(foreign) - 5} more" if len(foreign) > 5 else ""
        what = f"holds {', '.join(foreign[:5])}{more}, which no run has made and which the results would overwrite"
        fix = "choose another folder with --out or `outputs.folder`, or move these files"
        raise UnderoakError(Fault("E306", what, str(folder), fix))


def finish_publishing(folder: Path) -> None:
    """Finish publishing if a run was killed while doing so; wait for a run that is publishing now.

    `folder` may be a folder inside a run folder. Without permission to write, nothing is done: the old manifest is
    still there then, or none.

    Raises:
        UnderoakError: E605 when a run that publishes does not end.
    """
    for top in (folder, *folder.absolute().parents[:_DEEPEST]):
        until = time.monotonic() + _PATIENCE_SECONDS
        while (_ready(top) / MANIFEST).is_file():
            lock = _lock_of(top)
            try:
                lock.take()
                _finish(top)
            except UnderoakError:
                if time.monotonic() > until:
                    raise
                time.sleep(0.05)
            except OSError:
                return
            finally:
                lock.release()


def is_publishing(folder: Path) -> bool:
    """Return True while a run gives its files their final names, also if `folder` is inside the run folder."""
    return any(_ready(top).is_dir() for top in (folder, *folder.absolute().parents[:_DEEPEST]))


def _lock_of(folder: Path) -> Lock:
    return Lock(folder / _WORKSHOP / "lock", folder)


def _ready(folder: Path) -> Path:
    return folder / _WORKSHOP / "ready"


def _finish(folder: Path) -> None:
    """Give every ready file its final name; safe to repeat after an interruption."""
    ready = _ready(folder)
    old = ready / _OLD
    if not ready.is_dir():
        return
    if (ready / MANIFEST).is_file():
        for name in _manifests(folder):
            _move(folder, old, name)
            sync_folder((folder / name).parent)
        new = [name for name in _files(ready) if name.parts[0] != _OLD]
        vouching = [name for name in new if name.name == MANIFEST]
        for name in new:
            if name not in vouching:
                _move(ready, folder, name)
        _drop(folder, old, keep={*new, *_named(ready, vouching)})
        for inner in {(folder / name).parent for name in new}:
            sync_folder(inner)
        for name in sorted(vouching, key=lambda name: -len(name.parts)):  # the manifest of all cases last
            _move(ready, folder, name)
            sync_folder((folder / name).parent)
    _remove(ready)


def _move(start: Path, end: Path, name: Path) -> None:
    """Move a file to another folder under the same name, and create inner folders with the same permissions."""
    for inner in reversed(name.parents):
        if not (end / inner).is_dir():
            (end / inner).mkdir()
            shutil.copymode(start / inner, end / inner)
    os.replace(start / name, end / name)


def _manifests(folder: Path) -> list[Path]:
    """Return the manifests in a run folder, that of all cases last; none without it."""
    top = Path(MANIFEST)
    if not (folder / top).is_file():
        return []
    named = NamedFiles.read(folder / top)
    if not named.is_run:
        return []
    inner = [Path(case) / MANIFEST for case in named.folders]
    return [*(name for name in inner if name != top and (folder / name).is_file()), top]


def _named(folder: Path, manifests: list[Path]) -> dict[Path, str]:
    """Return the files that manifests name, with their checksums."""
    return {
        manifest.parent / path: checksum
        for manifest in manifests
        for path, checksum in NamedFiles.read(folder / manifest).checksums.items()
    }


def _drop(folder: Path, old: Path, keep: set[Path]) -> None:
    """Delete the files that old manifests name, except those that were changed since: they belong to the user."""
    for name, checksum in _named(old, _files(old)).items():
        path = folder / name
        if name not in keep and path.is_file() and sha256(path) == checksum:
            path.unlink()
            for inner in list(name.parents)[:-1]:
                with contextlib.suppress(OSError):  # other files are in it
                    (folder / inner).rmdir()


def _files(folder: Path) -> list[Path]:
    return sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())


def _folders(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_dir()]


def _remove(folder: Path) -> None:
    if folder.is_dir():
        shutil.rmtree(folder)
