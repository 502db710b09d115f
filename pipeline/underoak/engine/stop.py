"""Stopping a run early: the first signal stops it after finished tiles are saved, the second at once."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from types import FrameType, TracebackType
from typing import Any

from underoak.engine.system import HANGUP, stop_signals

_GRACE_SECONDS = 4.5  # from the first signal until the process ends in any case
_SHOW_CURSOR = "\x1b[?25h"


class Stopped(KeyboardInterrupt):
    """An error that ends the process after a signal."""

    def __init__(self, signum: int) -> None:
        super().__init__(signum)
        self.exit_code = 128 + signum


class Stop:
    """A request to stop the run. As a `with` block in the main thread it handles signals.

    Inside `patient()` a signal is only recorded; elsewhere it raises `Stopped` at once. A killed run leaves no
    incomplete file under a final name. So a second signal, or the first after some seconds, may end the process at
    once.
    """

    def __init__(self, is_quiet: bool = False) -> None:
        self._is_quiet = is_quiet  # stderr is not for people
        self._signum = 0
        self._since = 0.0
        self._patient = 0
        self._before: dict[int, Any] = {}
        self._timer: threading.Timer | None = None
        self._on_terminal: list[int] = []  # output descriptors, before a terminal closes

    @property
    def is_requested(self) -> bool:
        """True once a signal has come."""
        return self._signum != 0

    @property
    def seconds(self) -> float:
        """Time since the signal came [s]; 0 before."""
        return time.monotonic() - self._since if self.is_requested else 0.0

    def __enter__(self) -> Stop:
        self._on_terminal = [descriptor for descriptor in (1, 2) if os.isatty(descriptor)]
        for signum in stop_signals():
            if signal.getsignal(signum) is not signal.SIG_IGN:  # nohup and similar programs ignore it on purpose
                self._before[signum] = signal.signal(signum, self._heed)
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        for signum, handler in self._before.items():
            signal.signal(signum, handler)
        if self._timer is not None:
            self._timer.cancel()

    @contextlib.contextmanager
    def patient(self) -> Iterator[None]:
        """Let the work inside continue after the first signal."""
        self._patient += 1
        try:
            yield
        finally:
            self._patient -= 1

    def check(self) -> None:
        """Raise `Stopped` if a signal has come.

        Raises:
            Stopped: if a signal has come.
        """
        if self.is_requested:
            raise Stopped(self._signum)

    def _heed(self, signum: int, frame: FrameType | None) -> None:
        if self.is_requested:
            self._end()
        self._signum, self._since = signum, time.monotonic()
        if signum == HANGUP:
            self._leave_terminal()
        self._timer = threading.Timer(_GRACE_SECONDS, self._end)
        self._timer.daemon = True
        self._timer.start()
        self._say("Stopping after saving finished tiles. Press Ctrl-C again to stop at once.")
        if not self._patient:
            self.check()

    def _leave_terminal(self) -> None:
        """Send output nowhere: writing to a terminal that has closed is an error, and would end the run in disorder."""
        nowhere = os.open(os.devnull, os.O_WRONLY)
        for descriptor in self._on_terminal:
            os.dup2(nowhere, descriptor)
        os.close(nowhere)

    def _end(self) -> None:
        self._say("Stopped. Finished tiles are kept." + (_SHOW_CURSOR if sys.stderr.isatty() else ""))
        os._exit(128 + self._signum)

    def _say(self, text: str) -> None:
        """Write a line to stderr by a system call: in a signal handler nothing else is safe."""
        if not self._is_quiet:
            with contextlib.suppress(OSError, ValueError):
                os.write(sys.stderr.fileno(), f"{text}\n".encode())
