"""Signs of life of a scheduler: one that freezes keeps its connections open, and a call to it would wait for ever."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Any, TypeVar

LIMIT_SECONDS = 60.0  # without a sign of life; a busy scheduler answers within seconds
_MISSED = 4  # beats in a row that make the limit
_LATE = 1.5  # times the length of a beat: this process was held up itself, and the scheduler may have answered
_Result = TypeVar("_Result")


class Silent(OSError):
    """An error for a scheduler that has given no sign of life for too long."""


class Heartbeat:
    """A thread that asks a scheduler for a sign of life every few seconds, as long as the `with` block lasts."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self.limit = LIMIT_SECONDS
        self._missed = 0
        self._is_over = threading.Event()

    def __enter__(self) -> Heartbeat:
        threading.Thread(target=self._beat, name="heartbeat", daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._is_over.set()

    @property
    def is_silent(self) -> bool:
        """True if the scheduler has given no sign of life within the limit."""
        return self._missed >= _MISSED

    def check(self) -> None:
        """Raise `Silent` if the scheduler is silent.

        Raises:
            Silent: no sign of life within the limit.
        """
        if self.is_silent:
            raise Silent(f"its scheduler gave no sign of life for {self.limit:g} s")

    def call(self, ask: Callable[[], _Result]) -> _Result:
        """Return `ask()`, a call that waits for the scheduler.

        Raises:
            Silent: the scheduler has fallen silent; the call is abandoned.
        """
        return _answer(ask, self.check, self._beat_seconds / 2)

    @property
    def _beat_seconds(self) -> float:
        return self.limit / _MISSED

    def _beat(self) -> None:
        while not self._is_over.wait(self._beat_seconds / 4 if self._missed == 0 else 0.0):
            began = time.monotonic()
            try:
                self._client.sync(self._client.scheduler.ncores, callback_timeout=self._beat_seconds)
                self._missed = 0
            except TimeoutError:
                is_late = time.monotonic() - began > _LATE * self._beat_seconds
                self._missed += not is_late
            except Exception:  # a lost connection, which the calls themselves report
                self._is_over.wait(self._beat_seconds)


def answer_within(seconds: float, ask: Callable[[], _Result]) -> _Result:
    """Return `ask()`, a call that may wait for ever.

    Raises:
        Silent: it has not returned in time, and is abandoned.
    """
    end = time.monotonic() + seconds

    def check() -> None:
        if time.monotonic() > end:
            raise Silent(f"no answer within {seconds:g} s")

    return _answer(ask, check, seconds / 10)


def _answer(ask: Callable[[], _Result], check: Callable[[], None], every: float) -> _Result:
    """Return `ask()`, called in a thread of its own. `check` is called now and then, and raises to abandon it."""
    answers: queue.SimpleQueue[Callable[[], _Result]] = queue.SimpleQueue()

    def work() -> None:
        try:
            result = ask()
        except BaseException as error:
            caught = error

            def fail() -> _Result:
                raise caught

            answers.put(fail)
        else:
            answers.put(lambda: result)

    threading.Thread(target=work, name="call to the scheduler", daemon=True).start()
    while True:
        try:
            answer = answers.get(timeout=every)
        except queue.Empty:
            check()
        else:
            return answer()
