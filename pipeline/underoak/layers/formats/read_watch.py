"""What is being read at the moment, so that a read that never comes back, or ends the process, has a name."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Read:
    """One read under way."""

    what: str  # "its header", "rows 0+64, columns 0+64"
    where: str  # how messages name the layer
    since: float  # on the monotonic clock [s]


_under_way: dict[int, Read] = {}  # by thread
_listeners: list[Callable[[str, str], None]] = []


@contextmanager
def watch_read(what: str, where: str) -> Iterator[None]:
    """Note that this thread reads, for as long as the block takes; one inside another is part of that."""
    me = threading.get_ident()
    if me in _under_way:
        yield
        return
    _under_way[me] = Read(what, where, time.monotonic())
    try:
        for listener in _listeners:
            listener(what, where)
        yield
        for listener in _listeners:
            listener("", "")
    finally:
        del _under_way[me]


def overdue_read(seconds: float) -> Read | None:
    """A read that has taken longer than that; None when there is none.

    >>> with watch_read("its header", "soil_ph (ph.tif)"):
    ...     overdue_read(60.0), overdue_read(-1.0).where
    (None, 'soil_ph (ph.tif)')
    """
    now = time.monotonic()
    return next((read for read in list(_under_way.values()) if now - read.since > seconds), None)


@contextmanager
def report_reads(listener: Callable[[str, str], None]) -> Iterator[None]:
    """Have every read inside the block told before it is begun, and nothing, twice "", when it has come back."""
    _listeners.append(listener)
    try:
        yield
    finally:
        _listeners.remove(listener)


def forget() -> None:
    """Forget reads of other threads: a forked process has only the one."""
    _under_way.clear()
