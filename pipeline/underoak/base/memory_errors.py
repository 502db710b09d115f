"""Errors that mean a lack of memory, whichever library raises them."""

from __future__ import annotations

import contextlib
import errno
import mmap
from collections.abc import Iterator

from underoak.base.errors import Fault, UnderoakError

_SIGNS = (
    "bad_alloc", "out of memory", "outofmemory", "cannot allocate memory", "can't start new thread",
    "failed to map segment",
)  # fmt: skip
_FIX = (
    "finished tiles are kept: free memory, or allow more, and run again; fewer --workers and a small --tile need less"
)


def is_shortage(error: BaseException | None) -> bool:
    """Return True if an error, or one that it comes from, means that memory ran out.

    >>> is_shortage(MemoryError()), is_shortage(RuntimeError("std::bad_alloc")), is_shortage(ValueError("a bug"))
    (True, True, False)
    """
    seen: set[int] = set()
    while error is not None and id(error) not in seen:
        seen.add(id(error))
        if isinstance(error, MemoryError) or (isinstance(error, OSError) and error.errno == errno.ENOMEM):
            return True
        text = f"{type(error).__name__} {error}".lower()
        if not isinstance(error, UnderoakError) and any(sign in text for sign in _SIGNS):
            return True
        error = error.__cause__ or error.__context__
    return False


def has_room(size: int) -> bool:
    """Return True if so many bytes can be had just now: a damaged file may claim more than any machine has.

    >>> has_room(4096), has_room(2**62)
    (True, False)
    """
    try:
        if hasattr(mmap, "MAP_PRIVATE"):  # a shared map does not count under all limits
            mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS).close()
        else:
            mmap.mmap(-1, size).close()
    except (OSError, OverflowError, MemoryError, ValueError):
        return False
    return True


LEAST_ROOM = 2**28  # bytes: with less, no run was ever finished


def refuse_without_room(doing: str, size: int = LEAST_ROOM) -> None:
    """Refuse to go on where so many bytes cannot be had: the linear algebra library stands still then.

    Raises:
        UnderoakError: E503.
    """
    if not has_room(size):
        raise shortage(doing, reason=f"less than {size / 1e6:.0f} MB are left")


def shortage(doing: str, where: str = "", reason: str = "") -> UnderoakError:
    """Return the error to raise when memory ran out."""
    detail = f" ({reason})" if reason else ""
    return UnderoakError(Fault("E503", f"memory ran out while {doing}{detail}", where, _FIX))


@contextlib.contextmanager
def report_shortage(doing: str, where: str = "") -> Iterator[None]:
    """Turn errors of the block that mean a lack of memory into E503; it also decorates functions.

    >>> with report_shortage("making tables"):
    ...     raise MemoryError
    Traceback (most recent call last):
    underoak.base.errors.UnderoakError: E503 memory ran out while making tables. Fix: ...
    """
    try:
        yield
    except UnderoakError:
        raise
    except Exception as error:
        if not is_shortage(error):
            raise
        raise shortage(doing, where, " ".join(str(error).split())[:200]) from error
