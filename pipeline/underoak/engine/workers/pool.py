"""Who judges the tiles: threads of this process here, workers of a cluster in `cluster.py`."""

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
    """Workers. Results come as they are done, in any order; few are in flight at once, so that memory stays flat."""

    @property
    def workers(self) -> int:
        """How many tiles are judged at the same time."""
        ...

    def results(self, work: TileJob, windows: Sequence[Window]) -> Iterator[TileResult]:
        """The results for all windows.

        Raises:
            UnderoakError: what a tile raised; the tiles already given are kept by the caller.
        """
        ...


class Threads:
    """Threads of this process; the kernels and the raster library let go of the interpreter."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def results(self, work: TileJob, windows: Sequence[Window]) -> Iterator[TileResult]:
        """As `Pool.results`; no more than one tile a worker is waiting to be taken.

        Raises:
            UnderoakError: E232 when a file does not come back from being read; its thread is left behind.
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
    """A thread will not come back."""


def _first(waiting: set[Future[TileResult]]) -> tuple[set[Future[TileResult]], set[Future[TileResult]]]:
    """The tiles that are done, as soon as there is one, and the others."""
    while True:
        done, others = wait(waiting, timeout=_LOOK_SECONDS, return_when=FIRST_COMPLETED)
        if done:
            return done, others
        late = overdue_read(LIMIT_SECONDS)
        if late is not None:
            raise _Hung(hung(late.what, late.where, LIMIT_SECONDS))
