"""What a worker of a cluster holds of a run, and does for it: it takes the errand once, proves itself, judges tiles.

A worker that has other software, cannot see the inputs, or gets other values than the machine that leads the run, says
so before it judges a tile; one that joins or comes back in mid-run does the same at its first tile.
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
from underoak.engine.storage.spool import TileResult
from underoak.engine.workers.tile import TileJob, judge_tile
from underoak.engine.write import checksums

# What a worker judges with; tables, pictures and reports are made by the leading process alone.
_JUDGING = (
    "python", "machine", "underoak", "numpy", "numba", "scipy", "rasterio", "gdal", "pyproj", "proj", "xarray",
    "h5netcdf", "zarr", "cftime",
)  # fmt: skip
_PROBE = 32  # cells along a probe's side
_pack: Any = wire.dumps  # outputs may carry functions that have no name of their own, which pickle alone refuses
_SAME_VERSIONS = "install the same versions everywhere, best from one image or one shared environment"


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that every worker must see as the leading machine does."""

    where: str  # the layer it belongs to
    path: str
    size: int


@dataclass(frozen=True, slots=True)
class WorkerJob:
    """A run's work as it travels to each worker, once."""

    key: str  # of this run alone: another one of the same plan may be under way on the same workers
    work: bytes
    software: Mapping[str, str]
    files: tuple[InputFile, ...]
    probes: tuple[Window, ...]
    marks: Mapping[str, str]  # what the leading machine gets for the probes

    @classmethod
    def of(cls, work: TileJob, windows: Sequence[Window]) -> WorkerJob:
        """The errand to judge some tiles."""
        probes = tuple(_middle(windows[at]) for at in sorted({0, len(windows) // 2, len(windows) - 1}))
        packed = _pack(work)
        marks = fingerprint(pickle.loads(packed), probes)  # as a worker has it
        key = f"{hashlib.sha256(packed).hexdigest()[:16]}-{uuid.uuid4().hex[:8]}"
        return cls(key, packed, software(), _files(work), probes, marks)


class WorkerSetup(WorkerPlugin):
    """Brings the errand to every worker there is, and to every one that joins."""

    def __init__(self, errand: WorkerJob, alone: bool) -> None:
        self.errand = errand
        self.alone = alone  # the workers are this run's own processes
        self.name = f"underoak-{errand.key}"

    def setup(self, worker: Any) -> None:
        """Keep the errand until a tile asks for it."""
        if self.alone:
            with contextlib.suppress(ValueError):  # not the main thread
                signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the leader, who then closes the workers
        _errands[self.errand.key] = self.errand, f"{worker.address} ({platform.node()})"

    def teardown(self, worker: Any) -> None:
        """Let go of the run's layers."""
        with _lock:
            _errands.pop(self.errand.key, None)
            _works.pop(self.errand.key, None)


_errands: dict[str, tuple[WorkerJob, str]] = {}
_works: dict[str, TileJob] = {}
_lock = threading.Lock()


def judge(key: str, window: Window) -> TileResult:
    """Judge one tile of the run whose errand was brought."""
    return judge_tile(_held(key), window)


async def ready(key: str) -> None:
    """Take the errand and prove this worker, beside its event loop.

    Raises:
        UnderoakError: E703 other software, E246 an input is not seen, E705 other values.
    """
    await asyncio.to_thread(_held, key)


def _held(key: str) -> TileJob:
    """The run's work, unpacked once in a process; its resident layers stay with it."""
    with _lock:
        if key not in _works:
            errand, worker = _errands[key]
            _works[key] = verify_worker(errand, worker)
        return _works[key]


def verify_worker(errand: WorkerJob, worker: str) -> TileJob:
    """Unpack the work where software, inputs and values are the leading machine's own.

    Raises:
        UnderoakError: E703, E246, E705.
    """
    problems = Problems()
    problems.extend(differing(worker, software(), errand.software))
    problems.stop_if_any()
    _look_for(errand.files, worker, problems)
    problems.stop_if_any()
    work: TileJob = pickle.loads(errand.work)
    marks = fingerprint(work, errand.probes)
    other = [name for name, mark in errand.marks.items() if marks.get(name) != mark]
    if other:
        what = f"worker {worker} gets other values than the machine that leads the run, for {', '.join(other)}"
        fix = "use one processor type, one set of library builds, the same PROJ grids and the same input files"
        raise UnderoakError(Fault("E705", what, "cluster", fix))
    return work


def software() -> dict[str, str]:
    """Versions of what judges a tile."""
    found = checksums.software()
    return {name: found[name] for name in _JUDGING if name in found}


def differing(who: str, theirs: Mapping[str, str | None], ours: Mapping[str, str | None]) -> list[Fault]:
    """One E703 for each version that is not ours.

    >>> print(differing("worker a", {"numpy": "2.1"}, {"numpy": "2.2"})[0])  # doctest: +ELLIPSIS
    E703 cluster: worker a has numpy 2.1, and the machine that leads the run has numpy 2.2. Fix: ...
    """
    faults = []
    for name, our in ours.items():
        their = theirs.get(name)
        if their != our:
            has, have = (f"{name} {version}" if version else f"no {name}" for version in (their, our))
            what = f"{who} has {has}, and the machine that leads the run has {have}"
            faults.append(Fault("E703", what, "cluster", _SAME_VERSIONS))
    return faults


def fingerprint(work: TileJob, probes: Iterable[Window]) -> dict[str, str]:
    """Checksums of every layer and every encoded output on the probes."""
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
    found: dict[str, InputFile] = {}
    for layer in work.recipe.stack.layers:
        facts = layer.source_layer.facts
        for path in facts.files:
            if path not in found:
                found[path] = InputFile(f"{layer.name} ({facts.path})", path, os.path.getsize(path))
    return tuple(found.values())


def _look_for(files: Iterable[InputFile], worker: str, problems: Problems) -> None:
    fix = "put the inputs on a file system that every worker mounts under the same path"
    told: set[str] = set()  # one fault for a layer: a mosaic may have thousands of files
    for file in files:
        if file.where in told:
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
        told.add(file.where)
