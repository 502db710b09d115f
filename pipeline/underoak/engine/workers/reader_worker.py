"""The main function of the reader process: it takes jobs on stdin and answers on stdout."""

from __future__ import annotations

import os
import pickle
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Mapping
from typing import IO, Any

from underoak.base.errors import Fault, UnderoakError
from underoak.base.memory_errors import is_shortage, refuse_without_room, shortage
from underoak.engine import system

# The parent enforces the limit on one read; this one ends a read that outlives the parent.
_ALARM_SECONDS = 600
_REST_SECONDS = 5.0  # for the next check in the same process; UNDEROAK_READER_SECONDS changes it

REST = b""  # a job that means: no more jobs for now
_LEAST_ROOM = 2**26  # bytes, for the libraries that read files
SHORT = 75  # exit code of a process that has no memory to take a job or to answer


def serve() -> None:
    """Run jobs until the parent closes stdin, or ends."""
    try:
        _serve()
    except BaseException as error:
        if is_shortage(error) or isinstance(error, UnderoakError):
            os._exit(SHORT)
        raise


def _serve() -> None:
    refuse_without_room("checking the inputs", _LEAST_ROOM)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent handles Ctrl-C and ends this process
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # text that libraries print must not mix with answers
    jobs: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_receive, args=(sys.stdin.buffer, jobs), name="jobs", daemon=True).start()
    _import_readers()
    rest_seconds, is_resting = float(os.environ.get("UNDEROAK_READER_SECONDS") or _REST_SECONDS), False
    while True:
        try:
            job = jobs.get(timeout=rest_seconds if is_resting else None)
        except queue.Empty:
            os._exit(0)
        is_resting = job == REST
        if is_resting:
            _close_files()
        else:
            _do(job, answers)


def _receive(stream: IO[bytes], jobs: queue.SimpleQueue[bytes]) -> None:
    """Queue the jobs, each pickled twice, so that nothing is imported by this thread."""
    try:
        while True:
            jobs.put(pickle.load(stream))
    except BaseException as error:  # else the parent is done or gone
        os._exit(SHORT if is_shortage(error) else 0)


def _import_readers() -> None:
    """Import what every job needs, while the parent reads the plan."""
    import underoak.layers.catalogue
    import underoak.layers.decoding.plausibility
    import underoak.layers.formats.geotiff
    import underoak.plan.plan  # noqa: F401


def _close_files() -> None:
    from underoak.layers.formats import gdal, netcdf_zarr_files

    gdal.close_handles()
    netcdf_zarr_files.close_stores()


def _do(job: bytes, answers: IO[bytes]) -> None:
    def answer(*parts: Any) -> None:
        answers.write(pickle.dumps(parts, pickle.HIGHEST_PROTOCOL))
        answers.flush()

    try:
        work: Callable[..., Any]
        unreadable: Mapping[str, Fault]
        work, args, unreadable = pickle.loads(job)
        from underoak.layers.formats import read_watch

        def announce(what: str, where: str) -> None:
            if where in unreadable:
                raise UnderoakError(unreadable[where])
            system.end_after(_ALARM_SECONDS if where else 0)
            answer("reading", what, where)

        with read_watch.report_reads(announce):
            result = pickle.dumps(work(*args), pickle.HIGHEST_PROTOCOL)
        answer("result", result)
    except UnderoakError as error:
        answer("fault", error)
    except Exception as error:  # not all can be pickled, and none with its traceback
        if is_shortage(error):
            answer("fault", shortage("checking the inputs", reason=str(error)[:200]))
            return
        answer("bug", f"{type(error).__name__}: {error}", "".join(traceback.format_exception(error)))
