"""Pools of workers that judge tiles: threads of this process; those of a cluster are in `cluster.py`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from typing import Protocol

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.engine.storage.spool import TileResult
from underoak.engine.workers.reader_process import hung
from underoak.engine.workers.tile import TileJob, judge_tile
from underoak.layers.formats.read_watch import overdue_read

LIMIT_SECONDS = 900.0  # for one read of a tile's source cells, which may be many and on a slow disk
_LOOK_SECONDS = 5.0


class Pool(Protocol):
    """A pool of workers. Results come in any order; few are in flight at once, so memory stays flat."""

    @property
    def workers(self) -> int:
        """The number of tiles judged at the same time."""
        ...

    def smaller(self) -> Pool:
        """Return a pool that judges fewer tiles at the same time, if it can."""
        ...

    def results(self, work: TileJob, windows: Sequence[Window]) -> Iterator[TileResult]:
        """Yield the results of all windows.

        Raises:
            UnderoakError: a fault of a tile; the caller keeps the tiles it already has.
        """
        ...


class Threads:
    """A pool of threads; the kernels and the raster library release the interpreter lock."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def smaller(self) -> Threads:
        """Return a pool of half as many threads, at least one."""
        return Threads(max(self.workers // 2, 1))

    def results(self, work: TileJob, windows: Sequence[Window]) -> Iterator[TileResult]:
        """Yield results as `Pool.results` does; at most one result per worker waits.

        Raises:
            UnderoakError: E232 when reading a file hangs; its thread is abandoned.
        """
        pool = ThreadPoolExecutor(self.workers, thread_name_prefix="tile")
        waiting: set[Future[TileResult]] = set()
        is_hung = False
        try:
            for window in windows:
                waiting.add(pool.submit(judge_tile, work, window))
                if len(waiting) > self.workers:
                    done, waiting = _first(waiting)
                    yield from (future.result() for future in done)
            while waiting:
                done, waiting = _first(waiting)
                yield from (future.result() for future in done)
        except _Hung as hung:
            is_hung = True
            raise UnderoakError(*hung.faults) from None
        finally:
            pool.shutdown(wait=not is_hung, cancel_futures=True)


class _Hung(UnderoakError):
    """An error for a thread that hangs."""


def _first(waiting: set[Future[TileResult]]) -> tuple[set[Future[TileResult]], set[Future[TileResult]]]:
    """Wait for a finished tile; return the finished tiles and the others."""
    while True:
        done, others = wait(waiting, timeout=_LOOK_SECONDS, return_when=FIRST_COMPLETED)
        if done:
            return done, others
        late = overdue_read(LIMIT_SECONDS)
        if late is not None:
            raise _Hung(hung(late.what, late.where, LIMIT_SECONDS))
