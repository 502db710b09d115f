"""One run at a time in a folder: a lock that the system lets go of when its process dies, however it dies.

The lock is the system's own on an open file, so that a dead owner, or another process that has got its number since,
never counts as alive. What the file says is for people, and for folders that several computers share.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import sys
import time
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, UnderoakError

_TRIES = 20
_SETTLE_SECONDS = 0.3


class Lock:
    """A lock file; take it, do the work, release it. `what` is the folder it stands for."""

    def __init__(self, path: Path, what: Path) -> None:
        self.path = path
        self.what = what
        self._handle = -1

    def take(self) -> None:
        """Take the lock; one whose owner is gone is taken over.

        Raises:
            UnderoakError: E605 when another run has it.
            OSError: when the file cannot be made.
        """
        missed: OSError | None = None
        for _ in range(_TRIES):
            try:
                self.path.parent.mkdir(exist_ok=True)
                handle = os.open(self.path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
            except (FileNotFoundError, FileExistsError) as error:  # the last owner tidied up just now, or for ever so
                missed = error
                continue
            missed = None
            try:
                if self._took(handle):
                    self._handle = handle
                    return
            finally:
                if self._handle != handle:
                    os.close(handle)
        raise missed or self._refused({})

    def release(self) -> None:
        """Let go of the lock, and remove its file."""
        if self._handle < 0:
            return
        with contextlib.suppress(OSError):  # Windows removes no open file
            self.path.unlink()
        os.close(self._handle)
        self._handle = -1
        if sys.platform == "win32":
            with contextlib.suppress(OSError):  # the next owner has opened it already
                self.path.unlink()

    def _took(self, handle: int) -> bool:
        """True when the lock is ours; False when its file was removed meanwhile, and it must be tried again."""
        try:
            _lock(handle)
            is_sure = True
        except BlockingIOError:
            if not self._is(handle):
                return False
            raise self._refused(_owner(handle)) from None
        except OSError:  # this file system knows no locks
            is_sure = False
        if not self._is(handle):
            return False
        owner, own = _owner(handle), _ourselves()
        if owner and _may_live(owner, own, is_sure):
            raise self._refused(owner)
        _write(handle, own)
        if not is_sure:  # who wrote last has it
            time.sleep(_SETTLE_SECONDS)
            return _owner(handle) == own
        return True

    def _is(self, handle: int) -> bool:
        """True when the file that was opened is still the one with the lock's name."""
        try:
            return os.path.samestat(os.fstat(handle), os.stat(self.path))
        except FileNotFoundError:
            return False

    def _refused(self, owner: dict[str, Any]) -> UnderoakError:
        who = "another run is at work here"
        if owner:
            who += f": process {owner.get('pid')} on {owner.get('host')} since {owner.get('since')}"
        fix = _MEND
        if owner and owner.get("host") != platform.node():
            fix += f"; if {owner.get('host')} is off or has given up, delete {self.path}"
        return UnderoakError(Fault("E605", who, str(self.what), fix))


_MEND = "wait for it, or choose another folder with --out"


def _lock(handle: int) -> None:
    """Lock an open file for this process.

    Raises:
        BlockingIOError: when another has it.
        OSError: when the file system knows no locks.
    """
    if sys.platform == "win32":
        import msvcrt

        os.lseek(handle, 1 << 30, os.SEEK_SET)  # far behind what others read
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except PermissionError as error:
            raise BlockingIOError from error
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _owner(handle: int) -> dict[str, Any]:
    """What a lock file says of its owner; empty when it says nothing."""
    os.lseek(handle, 0, os.SEEK_SET)
    try:
        told = json.loads(os.read(handle, 4096))
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _write(handle: int, owner: dict[str, Any]) -> None:
    os.ftruncate(handle, 0)
    os.lseek(handle, 0, os.SEEK_SET)
    os.write(handle, json.dumps(owner).encode())


def _ourselves() -> dict[str, Any]:
    return {
        "pid": os.getpid(),
        "began": _began(os.getpid()),
        "host": platform.node(),
        "boot": _boot(),
        "since": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }


def _may_live(owner: dict[str, Any], own: dict[str, Any], is_sure: bool) -> bool:
    """False when the owner is certainly gone. `is_sure`: the system would not have given us the lock of a live one."""
    same_host = owner.get("host") == own["host"]
    if owner.get("boot") != own["boot"]:
        return not same_host  # another computer's, whose locks may not reach here; or ours from before its last start
    if not (same_host or own["boot"]):
        return True
    if is_sure:
        return False
    if not same_host or sys.platform == "win32":  # numbers of processes mean nothing across containers
        return True
    try:
        os.kill(int(owner["pid"]), 0)
    except ProcessLookupError:
        return False
    except (OSError, KeyError, TypeError, ValueError):
        return True
    return _began(int(owner["pid"])) == owner.get("began")  # else its number was given to another process


def _began(pid: int) -> str:
    """When a process began, in a form of the system's own; empty where it does not say."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def _boot() -> str:
    """Which start of which computer this is; empty where the system does not say."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
