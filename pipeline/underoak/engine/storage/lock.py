"""One run at a time in a folder: a lock that the system releases when its process dies.

The lock itself is `filelock`'s. Beside it lies a record of its owner: for people, and for computers that share the
folder but not its locks. On a file system without locks, the library uses a lock file instead, and checks whether the
process named in it is alive.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import time
from pathlib import Path
from typing import Any

from filelock import BaseFileLock, FileLock, SoftFileLock, Timeout

from underoak.base.errors import Fault, UnderoakError
from underoak.engine.system import CAN_DELETE_OPEN_FILES, boot_id

_WAIT_SECONDS = 0.2  # for an owner that has just finished
_POLL_SECONDS = 0.01
_TRIES = 20
_FIX = "wait for it, or choose another folder with --out"


class Lock:
    """A lock on a folder: take it, do the work, release it."""

    def __init__(self, path: Path, folder: Path) -> None:
        """Set the paths of the lock's files; nothing is written yet.

        Args:
            path: the lock file. The owner's record and the lock file for file systems without locks lie beside it.
            folder: the folder it locks, for messages.
        """
        self.path = path
        self.owner_path = path.with_name(f"{path.name}.owner")
        self.soft_path = path.with_name(f"{path.name}.soft")
        self._folder = folder
        self._lock: BaseFileLock | None = None

    def take(self) -> None:
        """Take the lock, also if its last owner has died.

        Raises:
            UnderoakError: E605 when another run holds it.
            OSError: when its file cannot be made.
        """
        for i_try in range(_TRIES):
            try:
                self.path.parent.mkdir(exist_ok=True)
                self._lock = self._acquired()
                break
            except (FileNotFoundError, FileExistsError):  # the last owner has just removed the folder
                if i_try == _TRIES - 1:
                    raise
        try:
            if self._lock is not None and Path(self._lock.lock_file) == self.path:
                self._check_other_computers()
            _write(self.owner_path)
        except BaseException:
            self._let_go()
            raise

    def release(self) -> None:
        """Release the lock and remove its files."""
        if self._lock is not None:
            with contextlib.suppress(OSError):
                self.owner_path.unlink()
            self._let_go()

    def _acquired(self) -> BaseFileLock:
        try:
            try:
                lock: BaseFileLock = FileLock(self.path, thread_local=False, fallback_to_soft=False)
                lock.acquire(timeout=_WAIT_SECONDS, poll_interval=_POLL_SECONDS)
            except (FileNotFoundError, FileExistsError, PermissionError, Timeout):
                raise
            except OSError:  # this file system has no locks
                lock = SoftFileLock(self.soft_path, thread_local=False)
                lock.acquire(timeout=_WAIT_SECONDS, poll_interval=_POLL_SECONDS)
        except Timeout as error:
            raise self._refused(_read(self.owner_path), Path(error.lock_file)) from None
        return lock

    def _check_other_computers(self) -> None:
        """Refuse where the record names another computer: its locks may not reach here.

        Containers of one computer share its locks and its boot id. We have the lock, so any such owner is gone.
        """
        owner, boot = _read(self.owner_path), boot_id()
        is_elsewhere = owner.get("boot") != boot or not boot
        if owner and is_elsewhere and owner.get("host") != platform.node():
            raise self._refused(owner, self.owner_path)

    def _let_go(self) -> None:
        lock, self._lock = self._lock, None
        assert lock is not None
        path = Path(lock.lock_file)
        if CAN_DELETE_OPEN_FILES and path == self.path:
            with contextlib.suppress(OSError):
                path.unlink()  # while we hold it, so that a waiting process sees that the file is gone
        lock.release()
        if not CAN_DELETE_OPEN_FILES:
            with contextlib.suppress(OSError):  # the next owner has opened it
                path.unlink()

    def _refused(self, owner: dict[str, Any], path: Path) -> UnderoakError:
        what, fix = "another run is using this folder", _FIX
        if owner:
            what += f": process {owner.get('pid')} on {owner.get('host')} since {owner.get('since')}"
            if owner.get("host") != platform.node():
                fix += f"; if {owner.get('host')} is off or its run has ended, delete {path}"
        return UnderoakError(Fault("E605", what, str(self._folder), fix))


def _read(path: Path) -> dict[str, Any]:
    """Return the record of a lock's owner; empty if it is missing or unreadable."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


def _write(path: Path) -> None:
    """Record this process as the owner."""
    record = {
        "pid": os.getpid(),
        "host": platform.node(),
        "boot": boot_id(),
        "since": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }
    path.write_text(json.dumps(record), encoding="utf-8")
