"""The reader process, which opens and samples files: a file that crashes its decoder, or hangs, ends only this process.

It is a new interpreter, not a fork. It serves all layers of a check, and further checks within a few seconds. After a
crash or a hang it is started again, and the job is done without the file at fault.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import subprocess
import sys
import threading
from collections.abc import Callable
from multiprocessing import spawn
from typing import IO, Any, TypeVar

from underoak.base.errors import Fault, UnderoakError
from underoak.base.memory_errors import is_shortage, shortage
from underoak.engine.container_memory import memory_kills
from underoak.engine.system import exit_name
from underoak.engine.workers.reader_worker import REST, SHORT

LIMIT_SECONDS = 120.0  # for one read of a header or of a few blocks
_IDLE_SECONDS = 600.0  # between reads, where it only computes
_START = f"""
try:
    from underoak.engine.workers.reader_worker import serve
except (ImportError, MemoryError) as error:
    text = str(error)
    raise SystemExit({SHORT} if not text or "map segment" in text or "allocate" in text else 1)
serve()
"""
_ENDED, _SHORT = ("ended",), ("short",)
_MOST_RESTARTS = 8  # files that crash or hang; the check ends if there are more
_Result = TypeVar("_Result")


class ReaderProcess:
    """A process that runs jobs; use it in a `with` block."""

    def __init__(self) -> None:
        self._worker: _Worker | None = None

    def __enter__(self) -> ReaderProcess:
        with contextlib.suppress(OSError):
            self._worker = _waiting_worker() or _Worker()
        return self

    def __exit__(self, *_: object) -> None:
        if self._worker is not None:
            self._worker.rest()
            _waiting.append(self._worker)

    def call(self, work: Callable[..., _Result], *args: Any, meanwhile: Callable[[], None] = lambda: None) -> _Result:
        """Return `work(*args)`, done by the process. Both the arguments and the result must be picklable.

        `meanwhile` is called here once, while the process works. In `work`, reading a file that crashed or hung before
        raises E232.

        Raises:
            UnderoakError: faults of `work`, and E232 if too many files crash or hang.
        """
        unreadable: dict[str, Fault] = {}
        while True:
            try:
                worker = self._give(work, args, unreadable)
            except OSError:  # no process can be started: read the files here
                meanwhile()
                return work(*args)
            try:
                meanwhile()
                meanwhile = _nothing
                result: _Result = self._result(worker)
                return result
            except _Unreadable as error:
                self._end()
                unreadable[error.fault.where] = error.fault
                if len(unreadable) > _MOST_RESTARTS:
                    raise UnderoakError(*unreadable.values()) from None
            except _Left:
                self._end()
            except queue.Empty:  # it hangs, but not in a file
                self._end()
                return work(*args)
            except BaseException as error:
                if not isinstance(error, UnderoakError) or error.faults[0].code == "E503":
                    self._end()  # without memory it may stand still; the next job gets a new one
                raise

    def _give(self, work: Callable[..., Any], args: tuple[Any, ...], unreadable: dict[str, Fault]) -> _Worker:
        if self._worker is None:
            self._worker = _waiting_worker() or _Worker()
        self._worker.give(pickle.dumps((work, args, unreadable), pickle.HIGHEST_PROTOCOL))
        return self._worker

    def _result(self, worker: _Worker) -> Any:
        what = where = ""
        while True:
            try:
                kind, *parts = worker.receive(LIMIT_SECONDS if where else _IDLE_SECONDS)
            except queue.Empty:
                if where:
                    raise _Unreadable(hung(what, where, LIMIT_SECONDS)) from None
                raise
            if kind == "reading":
                what, where = parts
            elif kind == "result":
                return pickle.loads(parts[0])
            elif kind == "fault":
                raise parts[0]
            elif kind == "short":
                raise shortage("taking what the reading process found")
            elif kind == "bug":
                bug = RuntimeError(parts[0])
                bug.add_note(parts[1])  # for --debug
                raise bug
            else:
                code = worker.wait()
                if code == 0:
                    raise _Left
                name = exit_name(code)
                if code == SHORT or (name == "SIGKILL" and memory_kills() != worker.kills_before):
                    raise shortage(f"reading {what or 'the inputs'}", where)
                if not where:
                    raise RuntimeError(f"the reader process ended while it read no file ({name})")
                raise _Unreadable(_crashed(what, where, name))

    def _end(self) -> None:
        if self._worker is not None:
            self._worker.end()
        self._worker = None


class _Unreadable(Exception):
    """An error for a file that crashed the process or hangs."""

    def __init__(self, fault: Fault) -> None:
        super().__init__(fault)
        self.fault = fault


class _Left(Exception):
    """An error for a process that was idle too long and ended before it got the job."""


def hung(what: str, where: str, seconds: float) -> Fault:
    """Return the fault of a file whose read does not end."""
    message = f"reading {what} did not finish within {seconds:g} s"
    fix = "the file makes its decoder hang, or its disk does not answer: copy it to a local disk, or fetch it again"
    return Fault("E232", message, where, fix)


def _crashed(what: str, where: str, exit_name: str) -> Fault:
    message = f"reading {what} ended the process that read it ({exit_name})"
    fix = "the file is damaged and makes its decoder crash: fetch it again, or write it again from its source"
    return Fault("E232", message, where, fix)


def _nothing() -> None:
    """Do nothing."""


class _Worker:
    """The reader process and a thread that receives its answers."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [spawn.get_executable(), "-c", _START], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )  # fmt: skip
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._jobs: IO[bytes] = self._process.stdin
        self._answers: IO[bytes] = self._process.stdout
        self.kills_before = memory_kills()
        self._surroundings = _surroundings()
        self._received: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self._listener = threading.Thread(target=self._listen, name="reader process", daemon=True)
        self._listener.start()

    @property
    def is_ready(self) -> bool:
        """True if the process runs and has the same working folder and module path as this one."""
        return self._surroundings == _surroundings() and self._process.poll() is None

    def rest(self) -> None:
        """Have the process close its files. It ends if no job comes for a while."""
        self.give(REST)

    def give(self, job: bytes) -> None:
        """Hand over a job."""
        with contextlib.suppress(OSError):  # it has ended: `receive` reports it
            self._jobs.write(pickle.dumps(job))
            self._jobs.flush()

    def receive(self, seconds: float) -> tuple[Any, ...]:
        """Return the next answer; raise `queue.Empty` if none comes in time."""
        return self._received.get(timeout=seconds)

    def wait(self) -> int:
        """Return the exit code of a process that has ended."""
        return self._process.wait()

    def end(self) -> None:
        """End the process and close its pipes; do nothing in a fork of the process that started it."""
        if self._surroundings[0] != os.getpid():
            return
        self._process.kill()
        self._process.wait()
        self._listener.join()
        self._answers.close()
        with contextlib.suppress(OSError):
            self._jobs.close()

    def _listen(self) -> None:
        try:
            while True:
                self._received.put(pickle.load(self._answers))
        except Exception as error:  # it died, possibly within an answer; or this process has no memory for one
            if is_shortage(error):
                self._process.kill()
                self._received.put(_SHORT)
            else:
                self._received.put(_ENDED)
            self._process.wait()  # so that no zombie stays when it has ended by itself


_waiting: list[_Worker] = []


def start_early() -> None:
    """Start the process now, so that it is ready when a `ReaderProcess` has its first job.

    It ends with this one, needed or not.
    """
    with contextlib.suppress(OSError):
        _waiting.append(_waiting_worker() or _Worker())


def _waiting_worker() -> _Worker | None:
    """Return a waiting process with the same surroundings as this one; end the others."""
    while _waiting:
        worker = _waiting.pop()
        if worker.is_ready:
            return worker
        worker.end()
    return None


def _surroundings() -> tuple[int, str, list[str]]:
    """Return what a new process takes over: process id, working folder and module path."""
    return os.getpid(), os.getcwd(), sys.path[:]
