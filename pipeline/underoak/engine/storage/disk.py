"""Faults of the disk, its free space, and syncing files to it."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path

from underoak.base.errors import Fault, UnderoakError

_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_HOPELESS = 0.1  # share of the estimate: no raster was ever compressed that much
_NO_ROOM = 1 << 16  # bytes: with less than this free, a failed write without an error number is taken for a full disk


def is_full(error: BaseException) -> bool:
    """Return True if an error means a full disk, a full quota or a limit on file size."""
    return isinstance(error, OSError) and error.errno in _FULL


def disk_error(error: OSError, folder: Path) -> UnderoakError:
    """Return the error to raise for a failed write."""
    if is_full(error) or (error.errno is None and free_bytes(folder) < _NO_ROOM):
        fix = "free some space and run again: finished tiles are kept"
        return UnderoakError(Fault("E501", "the disk is full", str(folder), fix))
    where = next((name for name in (error.filename2, error.filename) if isinstance(name, str)), str(folder))
    what = f"cannot be written ({error.strerror or error})"
    return UnderoakError(Fault("E502", what, where, "choose a folder you may write to with --out"))


def free_bytes(folder: Path) -> float:
    """Return the free space on a folder's disk [bytes]; infinite if unknown."""
    try:
        return float(shutil.disk_usage(folder if folder.is_dir() else folder.parent).free)
    except OSError:
        return float("inf")


def check_room(folder: Path, needed: float, existing: float = 0.0) -> Fault | None:
    """Return a warning if a run may not fit on a folder's disk, else None.

    Args:
        folder: where the run writes.
        needed: bytes that the run needs in total.
        existing: bytes of them that are on the disk already.

    Raises:
        UnderoakError: E501 when it clearly does not fit.
    """
    free, needed = free_bytes(folder), max(needed - existing, 0.0)
    if free >= needed:
        return None
    figures = f"about {needed / 1e6:,.0f} MB are needed and {free / 1e6:,.0f} MB are free"
    fix = "free some space, choose another disk with --out, or delete the tiles of stopped runs with --fresh"
    if free < needed * _HOPELESS:
        raise UnderoakError(Fault("E501", f"the disk is too full: {figures}", str(folder), fix))
    return Fault("W501", f"the disk may be too full: {figures}", str(folder), fix)


def sync_file(path: Path) -> None:
    """Sync a file's content to disk, so that it survives a power cut."""
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Sync a folder's names to disk, where the system can sync folders."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows cannot open a folder
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if is_full(error) or error.errno == errno.EIO:
            raise
    finally:
        os.close(handle)
