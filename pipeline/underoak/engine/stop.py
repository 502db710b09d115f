"""Ending early in good order: the first signal asks for it, the second ends the process at once."""

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

from underoak.engine.system import stop_signals

_GRACE_SECONDS = 4.5  # from the first signal until the process ends in any case
_SHOW_CURSOR = "\x1b[?25h"


class Stopped(KeyboardInterrupt):
    """The process was asked to end, and may do so now."""

    def __init__(self, signum: int) -> None:
        super().__init__(signum)
        self.exit_code = 128 + signum


class Stop:
    """Whether the run is to end early. As a `with` block in the main thread it listens to signals.

    A signal inside `patient()` is only noted, elsewhere it raises `Stopped` where it comes. Whatever is killed leaves
    nothing half-written under a final name, so that the second signal, or one that nobody heeds in time, may end the
    process on the spot.
    """

    def __init__(self, is_quiet: bool = False) -> None:
        self._is_quiet = is_quiet  # stderr is not for people
        self._signum = 0
        self._since = 0.0
        self._patient = 0
        self._before: dict[int, Any] = {}
        self._timer: threading.Timer | None = None

    @property
    def is_asked(self) -> bool:
        """True once a signal has come."""
        return self._signum != 0

    @property
    def seconds(self) -> float:
        """Time since the signal came [s]; 0 before."""
        return time.monotonic() - self._since if self.is_asked else 0.0

    def __enter__(self) -> Stop:
        for signum in stop_signals():
            if signal.getsignal(signum) is not signal.SIG_IGN:  # nohup and the like mean it
                self._before[signum] = signal.signal(signum, self._heed)
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        for signum, handler in self._before.items():
            signal.signal(signum, handler)
        if self._timer is not None:
            self._timer.cancel()

    @contextlib.contextmanager
    def patient(self) -> Iterator[None]:
        """What is done inside is not broken off by the first signal."""
        self._patient += 1
        try:
            yield
        finally:
            self._patient -= 1

    def check(self) -> None:
        """End here if a signal has come.

        Raises:
            Stopped: if so.
        """
        if self.is_asked:
            raise Stopped(self._signum)

    def _heed(self, signum: int, frame: FrameType | None) -> None:
        if self.is_asked:
            self._end()
        self._signum, self._since = signum, time.monotonic()
        self._timer = threading.Timer(_GRACE_SECONDS, self._end)
        self._timer.daemon = True
        self._timer.start()
        self._say("Stopping after saving finished tiles. Press Ctrl-C again to stop at once.")
        if not self._patient:
            self.check()

    def _end(self) -> None:
        self._say("Stopped. Finished tiles are kept." + (_SHOW_CURSOR if sys.stderr.isatty() else ""))
        os._exit(128 + self._signum)

    def _say(self, text: str) -> None:
        """A line on stderr from wherever a signal struck: straight to the system, as nothing else is safe there."""
        if not self._is_quiet:
            with contextlib.suppress(OSError, ValueError):
                os.write(sys.stderr.fileno(), f"{text}\n".encode())
