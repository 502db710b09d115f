"""What the disk did not let us do, told as a fault; and making what was written last."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

from underoak.base.errors import Fault, UnderoakError

_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_HOPELESS = 0.1  # of the estimate: no map was seen to shrink that much
_NO_ROOM = 1 << 16  # bytes: with less than this left, a write that failed for no said reason failed for want of room


def is_full(error: BaseException) -> bool:
    """True when an error says that the disk, a quota or a limit on file size left no room."""
    return isinstance(error, OSError) and error.errno in _FULL


def disk_error(error: OSError, folder: Path) -> UnderoakError:
    """The fault that a failed write means."""
    if is_full(error) or (error.errno is None and free_bytes(folder) < _NO_ROOM):
        fix = "free some space and run again: tiles that are done are kept"
        return UnderoakError(Fault("E501", "the disk is full", str(folder), fix))
    where = next((name for name in (error.filename2, error.filename) if isinstance(name, str)), str(folder))
    what = f"cannot be written ({error.strerror or error})"
    return UnderoakError(Fault("E502", what, where, "choose a folder you may write to with --out"))


def free_bytes(folder: Path) -> float:
    """Room left for us on a folder's disk [bytes]; infinite where nobody can tell."""
    try:
        return float(shutil.disk_usage(folder if folder.is_dir() else folder.parent).free)
    except OSError:
        return float("inf")


def check_room(folder: Path, needed: float, held: float = 0.0) -> Fault | None:
    """A warning when a run may not fit on a folder's disk. Both are in bytes; `held` is there already.

    Raises:
        UnderoakError: E501 when it is clear that it will not.
    """
    free, needed = free_bytes(folder), max(needed - held, 0.0)
    if free >= needed:
        return None
    figures = f"about {needed / 1e6:,.0f} MB are needed and {free / 1e6:,.0f} MB are free"
    fix = "free some space, choose another disk with --out, or throw the tiles of stopped runs away with --fresh"
    if free < needed * _HOPELESS:
        raise UnderoakError(Fault("E501", f"the disk is too full: {figures}", str(folder), fix))
    return Fault("W501", f"the disk may be too full: {figures}", str(folder), fix)


def sync_file(path: Path) -> None:
    """Make a file's content last through a power cut."""
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make a folder's names last through a power cut, where the system lets folders be synced."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folder
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if is_full(error) or error.errno == errno.EIO:
            raise
    finally:
        os.close(handle)
