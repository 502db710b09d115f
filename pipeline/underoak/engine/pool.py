"""Who judges the tiles: threads of this process here, workers of a cluster in `cluster.py`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from typing import Protocol

from underoak.engine.spool import TileResult
from underoak.engine.tile import Work, do_tile
from underoak.grid import Window


class Pool(Protocol):
    """Workers. Results come as they are done, in any order; few are in flight at once, so that memory stays flat."""

    @property
    def workers(self) -> int:
        """How many tiles are judged at the same time."""
        ...

    def results(self, work: Work, windows: Sequence[Window]) -> Iterator[TileResult]:
        """The results for all windows.

        Raises:
            UnderoakError: what a tile raised; the tiles already given are kept by the caller.
        """
        ...


class Threads:
    """Threads of this process; the kernels and the raster library let go of the interpreter."""

    def __init__(self, workers: int) -> None:
        self.workers = workers

    def results(self, work: Work, windows: Sequence[Window]) -> Iterator[TileResult]:
        """As `Pool.results`; no more than one tile a worker is waiting to be taken."""
        with ThreadPoolExecutor(self.workers, thread_name_prefix="tile") as pool:
            waiting: set[Future[TileResult]] = set()
            try:
                for window in windows:
                    waiting.add(pool.submit(do_tile, work, window))
                    if len(waiting) > self.workers:
                        done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                        yield from (future.result() for future in done)
                while waiting:
                    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    yield from (future.result() for future in done)
            finally:
                for future in waiting:
                    future.cancel()
