"""Reads under way, so that a read that never returns, or kills the process, can be named."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Read:
    """A read under way."""

    what: str  # "its header", "rows 0+64, columns 0+64"
    where: str  # how messages name the layer
    since: float  # on the monotonic clock [s]


_under_way: dict[int, Read] = {}  # by thread
_listeners: list[Callable[[str, str], None]] = []


@contextmanager
def watch_read(what: str, where: str) -> Iterator[None]:
    """Register a read of this thread for the length of the block; a read inside another is part of it."""
    thread = threading.get_ident()
    if thread in _under_way:
        yield
        return
    _under_way[thread] = Read(what, where, time.monotonic())
    try:
        for listener in _listeners:
            listener(what, where)
        yield
        for listener in _listeners:
            listener("", "")
    finally:
        del _under_way[thread]


def overdue_read(seconds: float) -> Read | None:
    """Return a read that has taken longer than so many seconds; None if there is none.

    >>> with watch_read("its header", "soil_ph (ph.tif)"):
    ...     overdue_read(60.0), overdue_read(-1.0).where
    (None, 'soil_ph (ph.tif)')
    """
    now = time.monotonic()
    return next((read for read in list(_under_way.values()) if now - read.since > seconds), None)


@contextmanager
def report_reads(listener: Callable[[str, str], None]) -> Iterator[None]:
    """Call `listener(what, where)` before every read inside the block, and `listener("", "")` when it has returned."""
    _listeners.append(listener)
    try:
        yield
    finally:
        _listeners.remove(listener)


def forget() -> None:
    """Remove the reads of other threads: a forked process has only one."""
    _under_way.clear()
