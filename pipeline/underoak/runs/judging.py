"""The judging of a run's tiles: inputs that are touched, decoders that crash and memory that runs out on the way."""

from __future__ import annotations

import contextlib
import pickle
from collections.abc import Iterator

from underoak.base.errors import UnderoakError
from underoak.base.memory_errors import is_shortage
from underoak.engine.judge.warm_up import is_compiled
from underoak.engine.prepare.file_checks import reread
from underoak.engine.progress import Progress
from underoak.engine.stop import Stop
from underoak.engine.storage.input_files import Inputs
from underoak.engine.storage.read_note import note_reads, take_note
from underoak.engine.storage.run_folder import RunFolder
from underoak.engine.storage.spool import Spool
from underoak.engine.workers.cluster import pool_of
from underoak.engine.workers.cluster_address import Address
from underoak.engine.workers.pool import Pool
from underoak.engine.workers.reader_process import ReaderProcess
from underoak.engine.workers.runner import run_tiles, whole_tiles
from underoak.engine.workers.tile import TileJob
from underoak.runs.prepared_run import PreparedRun

_MOST_PASSES = 5  # over the tiles, if inputs are touched again and again


@contextlib.contextmanager
def noted_reads(ready: PreparedRun, run_folder: RunFolder) -> Iterator[None]:
    """Note the reads during the block. If the last run died in some, read there again first, in another process.

    Raises:
        UnderoakError: E232 for a file that makes its decoder crash or hang.
    """
    noted = take_note(run_folder.read_note)
    if noted:
        with ReaderProcess() as reader:
            reader.call(reread, ready.prepared.recipe.stack, noted)
    with note_reads(run_folder.read_note):
        yield


def judge_tiles(
    job: TileJob, spool: Spool, size: int, address: Address | None, threads: int, progress: Progress, stop: Stop,
    inputs: Inputs,
) -> int:  # fmt: skip
    """Judge all tiles, and again those during which an input was touched. Return the number of workers.

    Raises:
        UnderoakError: E601, E503 and faults of tiles.
    """
    for i_pass in range(_MOST_PASSES):
        state = inputs.state
        with pool_of(address, threads) as pool:
            if not is_compiled():
                progress.say("Compiling for this machine, once: about half a minute.")
            _judge_once(job, spool, size, pool, progress, stop, inputs)
            workers = pool.workers
        inputs.check()
        if inputs.state == state:
            spool.confirm()
            return workers
        if address is not None or i_pass == _MOST_PASSES - 1:  # a cluster's workers may hold on to what they have read
            break
        spool.reopen(inputs.state)
        names = ", ".join(path.name for path in inputs.take_touched())
        progress.say(
            f"Touched while the run was reading: {names}. The content is as before; recent tiles are judged again."
        )
        job = pickle.loads(pickle.dumps(job))  # a copy that has read nothing yet
    raise inputs.touched_error()


def _judge_once(
    job: TileJob, spool: Spool, size: int, pool: Pool, progress: Progress, stop: Stop, inputs: Inputs
) -> None:
    """Judge all tiles. If memory runs out, judge the rest once more, in tiles half as wide by half the workers."""
    try:
        run_tiles(job, spool, size, pool, progress, stop, inputs)
    except Exception as error:
        faults = error.faults if isinstance(error, UnderoakError) else ()
        if not is_shortage(error) and {fault.code for fault in faults} != {"E503"}:
            raise
        progress.say("Memory ran out: trying once more with smaller tiles and fewer workers.")
        run_tiles(job, spool, whole_tiles(size // 2), pool.smaller(), progress, stop, inputs)
