"""Killing and failing at the nth call to the system, for tests that look at what is left."""

from __future__ import annotations

import builtins
import errno
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CALLS = ("replace", "unlink", "mkdir", "rmdir", "fsync", "open", "write", "ftruncate")


@contextmanager
def at_call(n: int, strike: Callable[[], None], inside: Path) -> Iterator[list[str]]:
    """Strike before the nth call of this process that changes something, and give the names of the calls so far.

    Files opened for writing under `inside` count, with each of their writes, and so do all of CALLS of `os`.
    """
    made: list[str] = []
    me = os.getpid()

    def counted(name: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(*args: Any, **kwargs: Any) -> Any:
            made.append(name)
            if len(made) == n and os.getpid() == me:
                strike()
            return call(*args, **kwargs)

        return wrapped

    plain = builtins.open

    def opened(file: Any, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
        if not set(mode) & set("wxa+") or not (isinstance(file, int) or inside in Path(file).parents):
            return plain(file, mode, *args, **kwargs)
        made.append("open")
        if len(made) == n and os.getpid() == me:
            strike()
        return _Written(plain(file, mode, *args, **kwargs), counted)

    with pytest.MonkeyPatch.context() as patch:
        for name in CALLS:
            if name != "open":
                patch.setattr(os, name, counted(name, getattr(os, name)))
        patch.setattr(builtins, "open", opened)
        patch.setattr("io.open", opened)  # pathlib's
        yield made


class _Written:
    """A file whose writes are counted."""

    def __init__(self, file: Any, counted: Callable[[str, Callable[..., Any]], Callable[..., Any]]) -> None:
        self._file = file
        self.write = counted("write", file.write)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> _Written:
        return self

    def __exit__(self, *details: Any) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Any]:
        return iter(self._file)


def die() -> None:
    """As kill -9 does."""
    os.kill(os.getpid(), signal.SIGKILL)


def disk_full() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def in_child(work: Callable[[], Any]) -> int:
    """Do something in a forked process; returns how it ended: 0 well, negative the signal that killed it."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException:  # the child must not go on as the test
            import traceback

            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
