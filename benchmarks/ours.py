"""Underoak, timed from opening the inputs to the finished files.

Without an option: `suitability.tif` in float32 with overviews, by the engine's own functions. With `--all`: the whole
run through `underoak.run`, all companion files included. With `--parcels N`: the first, and parcels summed in the same
pass. Imports are not timed. Nor are those that numba makes before its first kernel (the dask baselines compile one
before their clock), and those of the reader process. Loading compiled kernels from numba's cache is timed.
"""

from __future__ import annotations

import shutil
from importlib import import_module
from pathlib import Path

# Some of these come late in a run; here, so that the clock does not see them. Numba asks for the first by itself.
import scipy.linalg  # noqa: F401
from numba.core.registry import cpu_target

import underoak as uo
import underoak.layers.formats.geotiff
import underoak.overlay.combine_kernels
from measure import Clock, arguments, report
from model import THREADS, Ground, plan
from underoak.base.errors import Problems
from underoak.engine import allocator
from underoak.engine.prepare.file_checks import open_files
from underoak.engine.prepare.prepare import prepare
from underoak.engine.progress import Progress
from underoak.engine.storage.spool import Spool
from underoak.engine.workers.pool import Threads
from underoak.engine.workers.reader_process import ReaderProcess
from underoak.engine.workers.runner import TILE, build_overviews, reducer_result, run_tiles, write_rasters
from underoak.engine.workers.tile import CaseJob, TileJob
from underoak.engine.write.outputs import standard_outputs
from way import at_level

# They come late too, but only some runs need them, and they take memory.
_FOR_PARCELS = ("geopandas", "underoak.places")
_FOR_ALL = (*_FOR_PARCELS, "jinja2", "matplotlib.figure", "pystac", "underoak.runs.run")


def import_compiler() -> None:
    """Numba imports what it knows of Python and numpy, some 70 modules, when the first kernel is wanted."""
    cpu_target.typing_context.refresh()
    cpu_target.target_context.refresh()


def import_reader() -> None:
    """The reader process imports what it needs; it then waits some seconds for the run's files."""
    with ReaderProcess() as reader:
        reader.call(open_files, {}, Path(), None, False, None)


def raster_part(inputs: Path, out: Path, parcels: int | None) -> Clock:
    """`suitability.tif` in `out`, and `parcels_N.csv` when parcels are asked for."""
    asked = uo.load_plan(plan(inputs, parcels), base=inputs)
    if parcels:
        for name in _FOR_PARCELS:
            import_module(name)
    criteria = [criterion.name for criterion in asked.criteria]
    clock = Clock()
    prepared = prepare(asked)
    (suitability,) = at_level(standard_outputs(asked.title, criteria, "float32", False)[:1])
    clock.lap("open and check")
    reducers = []
    if parcels:
        from underoak.places import ParcelSumsReducer, read_parcels

        problems = Problems()
        shapes = read_parcels(inputs / asked.parcels.file, "id", prepared.grid.crs, problems)
        problems.stop_if_any()
        assert shapes is not None
        reducers.append(ParcelSumsReducer.of(shapes, prepared.grid, criteria, asked.rules))
        clock.lap("read parcels")
    work = TileJob(prepared.recipe, (CaseJob(asked.case, (suitability,), tuple(reducers)),))
    spool = Spool(out / ".spool", asked.hash)
    run_tiles(work, spool, TILE, Threads(THREADS), Progress("none"))
    clock.lap("tiles")
    build_overviews(spool, work.outputs, prepared.grid, THREADS)
    clock.lap("overviews")
    write_rasters(spool, work.outputs, prepared.grid, out)
    clock.lap("write")
    if parcels:
        table = reducers[0].table(reducer_result(spool, asked.case, reducers[0]))
        clock.lap("rank parcels")
        table.to_csv(out / f"parcels_{parcels}.csv", index=False)
    spool.remove()
    return clock


def whole_run(inputs: Path, out: Path) -> Clock:
    """A run folder in `out`."""
    asked = uo.load_plan(plan(inputs), base=inputs)
    for name in _FOR_ALL:
        import_module(name)
    clock = Clock()
    uo.run(asked, out=out, workers=THREADS)
    clock.lap("run")
    return clock


if __name__ == "__main__":
    parser = arguments(__doc__)
    parser.add_argument("--all", action="store_true", help="the whole run, all companion files")
    parser.add_argument("--parcels", type=int, choices=(2_000, 50_000))
    given = parser.parse_args()
    shutil.rmtree(given.out, ignore_errors=True)
    given.out.mkdir(parents=True)
    import_compiler()
    import_reader()
    allocator.retain_freed()  # as the command line does
    done = whole_run(given.inputs, given.out) if given.all else raster_part(given.inputs, given.out, given.parcels)
    report("ours", Ground.of(given.inputs), done)
