"""A worker of a cluster: it receives the job of a run once, verifies itself, and judges tiles.

A worker with other software, other inputs or other values than the leader reports it before it judges a tile. A worker
that joins or comes back during the run does so at its first tile.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import pickle
import platform
import signal
import threading
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from distributed import WorkerPlugin
from distributed.protocol import pickle as wire

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Window
from underoak.engine.container_memory import memory_kills
from underoak.engine.storage.spool import TileResult
from underoak.engine.workers.tile import TileJob, judge_tile
from underoak.engine.write import checksums

# The software that judges tiles; only the leader writes tables, figures and reports.
_JUDGING = (
    "python", "machine", "underoak", "numpy", "numba", "scipy", "rasterio", "gdal", "pyproj", "proj", "xarray",
    "h5netcdf", "zarr", "cftime",
)  # fmt: skip
_PROBE = 32  # cells along a probe's side
_pack: Any = wire.dumps  # outputs may hold functions without a name, which pickle alone refuses
_SAME_VERSIONS = "install the same versions everywhere, best from one image or one shared environment"


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that every worker must see as the leader does."""

    where: str  # the layer it belongs to
    path: str
    size: int


@dataclass(frozen=True, slots=True)
class WorkerJob:
    """The job of a run, sent to each worker once."""

    key: str  # unique to this run: another run of the same plan may use the same workers
    work: bytes
    software: Mapping[str, str]
    files: tuple[InputFile, ...]
    probes: tuple[Window, ...]
    marks: Mapping[str, str]  # checksums of the leader for the probes

    @classmethod
    def of(cls, work: TileJob, windows: Sequence[Window]) -> WorkerJob:
        """Return the job of judging the tiles at `windows`."""
        probes = tuple(_middle(windows[index]) for index in sorted({0, len(windows) // 2, len(windows) - 1}))
        packed = _pack(work)
        marks = fingerprint(pickle.loads(packed), probes)  # unpacked, as a worker gets it
        key = f"{hashlib.sha256(packed).hexdigest()[:16]}-{uuid.uuid4().hex[:8]}"
        return cls(key, packed, software(), _files(work), probes, marks)


class WorkerSetup(WorkerPlugin):
    """A plugin that gives the job to every worker, and to every one that joins."""

    def __init__(self, job: WorkerJob, alone: bool) -> None:
        self.job = job
        self.alone = alone  # the workers are processes of this run
        self.name = f"underoak-{job.key}"

    def setup(self, worker: Any) -> None:
        """Store the job until the first tile needs it."""
        if self.alone:
            with contextlib.suppress(ValueError):  # not the main thread
                signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the leader, who then closes the workers
        _jobs[self.job.key] = self.job, f"{worker.address} ({platform.node()})"

    def teardown(self, worker: Any) -> None:
        """Release the job and its layers."""
        with _lock:
            _jobs.pop(self.job.key, None)
            _works.pop(self.job.key, None)


_jobs: dict[str, tuple[WorkerJob, str]] = {}
_works: dict[str, TileJob] = {}
_lock = threading.Lock()


def judge(key: str, window: Window) -> TileResult:
    """Judge one tile of the run with this key."""
    return judge_tile(_tile_job(key), window)


def kills_here() -> tuple[str, int]:
    """Return this machine's or container's name, and how many processes were killed there for want of memory."""
    return platform.node(), memory_kills() or 0


async def ready(key: str) -> None:
    """Unpack the job and verify this worker, outside its event loop.

    Raises:
        UnderoakError: E703 other software, E246 an input is not seen, E705 other values.
    """
    await asyncio.to_thread(_tile_job, key)


def _tile_job(key: str) -> TileJob:
    """Return the work of a run, unpacked once per process; its resident layers stay in memory."""
    with _lock:
        if key not in _works:
            job, worker = _jobs[key]
            _works[key] = verify_worker(job, worker)
        return _works[key]


def verify_worker(job: WorkerJob, worker: str) -> TileJob:
    """Check that software, inputs and values match the leader's, and return the unpacked work.

    Raises:
        UnderoakError: E703, E246, E705.
    """
    problems = Problems()
    problems.extend(differing(worker, software(), job.software))
    problems.stop_if_any()
    _check_files(job.files, worker, problems)
    problems.stop_if_any()
    work: TileJob = pickle.loads(job.work)
    marks = fingerprint(work, job.probes)
    other = [name for name, mark in job.marks.items() if marks.get(name) != mark]
    if other:
        what = f"worker {worker} gets other values than the leader, for {', '.join(other)}"
        fix = "use one processor type, one set of library builds, the same PROJ grids and the same input files"
        raise UnderoakError(Fault("E705", what, "cluster", fix))
    return work


def software() -> dict[str, str]:
    """Return the versions of the software that judges tiles."""
    versions = checksums.software()
    return {name: versions[name] for name in _JUDGING if name in versions}


def differing(who: str, theirs: Mapping[str, str | None], ours: Mapping[str, str | None]) -> list[Fault]:
    """Return an E703 for each version that differs from ours.

    >>> print(differing("worker a", {"numpy": "2.1"}, {"numpy": "2.2"})[0])  # doctest: +ELLIPSIS
    E703 cluster: worker a has numpy 2.1, and the leader has numpy 2.2. Fix: ...
    """
    faults = []
    for name, our in ours.items():
        their = theirs.get(name)
        if their != our:
            has, have = (f"{name} {version}" if version else f"no {name}" for version in (their, our))
            what = f"{who} has {has}, and the leader has {have}"
            faults.append(Fault("E703", what, "cluster", _SAME_VERSIONS))
    return faults


def fingerprint(work: TileJob, probes: Iterable[Window]) -> dict[str, str]:
    """Return checksums of every layer and every encoded output on the probes."""
    sums = {layer.name: hashlib.sha256() for layer in work.recipe.stack.layers}
    sums |= {output.layout.name: hashlib.sha256() for output in work.outputs}
    rasters = work.without_reducers()
    for probe in probes:
        for name, values in work.recipe.stack.read(probe).values.items():
            sums[name].update(np.where(np.isnan(values), np.float32(np.nan), values).tobytes())
        for name, blocks in judge_tile(rasters, probe).blocks.items():
            for _, block in blocks:
                sums[name].update(block)
    return {name: digest.hexdigest() for name, digest in sums.items()}


def _middle(tile: Window) -> Window:
    rows, cols = min(_PROBE, tile.rows), min(_PROBE, tile.cols)
    return Window(tile.row + (tile.rows - rows) // 2, tile.col + (tile.cols - cols) // 2, rows, cols)


def _files(work: TileJob) -> tuple[InputFile, ...]:
    files: dict[str, InputFile] = {}
    for layer in work.recipe.stack.layers:
        facts = layer.source_layer.facts
        for path in facts.files:
            if path not in files:
                files[path] = InputFile(f"{layer.name} ({facts.name})", path, os.path.getsize(path))
    return tuple(files.values())


def _check_files(files: Iterable[InputFile], worker: str, problems: Problems) -> None:
    fix = "put the inputs on a file system that every worker mounts under the same path"
    reported: set[str] = set()  # one fault per layer: a mosaic may have thousands of files
    for file in files:
        if file.where in reported:
            continue
        try:
            with open(file.path, "rb"):
                size = os.path.getsize(file.path)
        except OSError as error:
            what = f"worker {worker} cannot open {file.path} ({error.strerror or error})"
        else:
            if size == file.size:
                continue
            what = f"worker {worker} sees another {file.path}, of {size} bytes instead of {file.size}"
        problems.add("E246", what, file.where, fix)
        reported.add(file.where)
