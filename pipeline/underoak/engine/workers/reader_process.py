"""Files are opened and sampled by a child process: one that makes its decoder crash, or hang, ends the child only.

On Linux the child is a fork, which costs a few milliseconds and finds everything loaded; where that cannot be done
safely (other threads are at work, or another system) an interpreter is started, which takes a second.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import traceback
import warnings
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import IO, Any, TypeVar

from underoak.base.errors import Fault, UnderoakError
from underoak.layers.formats import gdal, netcdf_zarr_files, read_watch

LIMIT_SECONDS = 120.0  # for one read of a header or of a few blocks
_IDLE_SECONDS = 600.0  # between reads, where it only computes
_START = "from underoak.engine.workers.reader_process import serve; serve()"
_ENDED = ("ended",)
_GRACE_SECONDS = 10.0
_Made = TypeVar("_Made")


class ReaderProcess:
    """Works out by child processes what touches files; use it in a `with` block."""

    def __init__(self) -> None:
        self._started: _Started | None = None

    def __enter__(self) -> ReaderProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self._end(self._started)

    def make(self, work: Callable[..., _Made], *args: Any, meanwhile: Callable[[], None] = lambda: None) -> _Made:
        """What `work(*args)` comes to: it can be pickled, and so can the arguments.

        `meanwhile` is called here once, while the child is at work.

        Raises:
            UnderoakError: what `work` raises, and E232 for the file at which the child died or stopped coming back.
        """
        try:
            child = _Forked(work, args) if _may_fork() else self._start(work, args)
        except OSError:  # no room for one more process: the files are read all the same
            meanwhile()
            return work(*args)
        what = where = ""
        try:
            meanwhile()
            while True:
                kind, *said = child.hear(LIMIT_SECONDS if where else _IDLE_SECONDS)
                if kind == "made":
                    made: _Made = said[0]
                    return made
                if kind == "raised":
                    raise said[0]
                if kind == "failed":
                    bug = RuntimeError(said[0])
                    bug.add_note(said[1])  # for --debug
                    raise bug
                if kind == "ended":
                    raise _crashed(what, where, child.wait())
                what, where = said
        except queue.Empty:
            self._end(child)
            if where:
                raise UnderoakError(hung(what, where, LIMIT_SECONDS)) from None
        finally:
            if child is not self._started:
                child.end()
        return work(*args)  # it hangs, but not at a file

    def _start(self, work: Callable[..., Any], args: tuple[Any, ...]) -> _Started:
        self._started = self._started or _Started()
        self._started.give(work, args)
        return self._started

    def _end(self, child: _Child | None) -> None:
        if child is not None:
            child.end()
        self._started = None


def hung(what: str, where: str, seconds: float) -> Fault:
    """The fault of a file that does not come back from being read."""
    told = f"reading {what} did not come to an end within {seconds:g} s"
    fix = "the file makes its decoder hang, or its disk does not answer: copy it to a local disk, or fetch it again"
    return Fault("E232", told, where, fix)


def _crashed(what: str, where: str, code: int) -> Exception:
    name = signal.Signals(-code).name if -code in set(signal.Signals) else f"exit code {code}"
    if not where:
        return RuntimeError(f"the process that opens files ended outside any of them ({name})")
    told = f"reading {what} ended the process that read it ({name})"
    fix = "the file is damaged and makes its decoder crash: fetch it again, or write it anew from its source"
    return UnderoakError(Fault("E232", told, where, fix))


def _may_fork() -> bool:
    return sys.platform == "linux" and threading.active_count() == 1


class _Child(ABC):
    """A process that tells of what it reads, and at last of what it made."""

    def __init__(self, told: IO[bytes]) -> None:
        self._told = told
        self._heard: queue.SimpleQueue[tuple[Any, ...]] = queue.SimpleQueue()
        self._listener = threading.Thread(target=self._listen, name="child", daemon=True)
        self._listener.start()

    def hear(self, seconds: float) -> tuple[Any, ...]:
        """The next that it tells; `queue.Empty` when it says nothing for so long."""
        return self._heard.get(timeout=seconds)

    @abstractmethod
    def wait(self) -> int:
        """The exit code of a child that has ended; minus the signal that ended it."""

    @abstractmethod
    def kill(self) -> None:
        """End it on the spot, if it has not ended."""

    def end(self) -> None:
        """End it, and whatever was held for it."""
        self.kill()
        self.wait()
        self._listener.join()
        self._told.close()

    def _listen(self) -> None:
        try:
            while True:
                self._heard.put(pickle.load(self._told))
        except Exception:  # it died, maybe in the middle of a word
            self._heard.put(_ENDED)


class _Forked(_Child):
    def __init__(self, work: Callable[..., Any], args: tuple[Any, ...]) -> None:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        ours, theirs = os.pipe()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # threads that only compute do not mind
            self._pid = os.fork()
        if self._pid == 0:
            code = 1
            try:
                os.close(ours)
                signal.signal(signal.SIGINT, signal.SIG_IGN)  # our parent hears of it, and ends us
                signal.signal(signal.SIGTERM, signal.SIG_DFL)
                for stream in (1, 2):  # decoders' own remarks; what matters is raised
                    os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
                read_watch.forget()
                gdal.close_handles()  # they share their place in the file with the parent's
                netcdf_zarr_files.close_stores()
                with os.fdopen(theirs, "wb") as tell:
                    _work(work, args, tell, signal.alarm)
                code = 0
            finally:
                os._exit(code)  # nothing of the parent's is tidied up here
        os.close(theirs)
        self._code: int | None = None
        super().__init__(os.fdopen(ours, "rb"))

    def wait(self) -> int:
        if self._code is None:
            self._code = os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])
        return self._code

    def kill(self) -> None:
        if self._code is None:
            os.kill(self._pid, signal.SIGKILL)


class _Started(_Child):
    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", _START], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )  # fmt: skip
        assert self._process.stdout is not None
        super().__init__(self._process.stdout)

    def give(self, work: Callable[..., Any], args: tuple[Any, ...]) -> None:
        assert self._process.stdin is not None
        job = pickle.dumps((work, args))
        with contextlib.suppress(BrokenPipeError):  # it is gone, and that is told in its turn
            self._process.stdin.write(job)
            self._process.stdin.flush()

    def wait(self) -> int:
        return self._process.wait()

    def kill(self) -> None:
        self._process.kill()

    def end(self) -> None:
        super().end()
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()


def serve() -> None:
    """Be a child that was started: take work from stdin and tell of it on stdout, where nothing else is then said."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with os.fdopen(os.dup(sys.stdout.fileno()), "wb") as tell:
        os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
        with contextlib.suppress(EOFError):  # our parent is done with us, or gone
            while True:
                work, args = pickle.load(sys.stdin.buffer)
                _work(work, args, tell)


def _work(
    work: Callable[..., Any], args: tuple[Any, ...], tell: IO[bytes], alarm: Callable[[int], Any] | None = None
) -> None:
    def say(*said: Any) -> None:
        tell.write(pickle.dumps(said, pickle.HIGHEST_PROTOCOL))
        tell.flush()

    def at(what: str, where: str) -> None:
        if alarm is not None:  # should the parent be gone, nobody else ends us
            alarm(int(LIMIT_SECONDS + _GRACE_SECONDS))
        say("at", what, where)

    try:
        with read_watch.report_reads(at):
            made = work(*args)
        say("made", made)
    except UnderoakError as error:
        say("raised", error)
    except Exception as error:  # not all can be pickled, and none with its traceback
        say("failed", f"{type(error).__name__}: {error}", "".join(traceback.format_exception(error)))
