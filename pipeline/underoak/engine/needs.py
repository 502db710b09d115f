"""What a run will need, from its plan alone: bytes on disk, memory, time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from underoak.engine.prepare import Prepared
from underoak.engine.runner import TILE
from underoak.engine.tile import Work

# Measured on one machine of two cores; benchmarks/ measures them again. Times are of one thread.
_NANOSECONDS_A_LAYER_CELL = 16.0  # read, decode, resample, judge
_NANOSECONDS_A_BYTE = 9.0  # encode and assemble
_START_SECONDS = 4.0
_COMPRESSED = 0.45  # share of the raw bytes left after encoding; class maps shrink more, noise less
_BASE_MB = 260.0


@dataclass(frozen=True, slots=True)
class Needs:
    """An estimate, not a promise."""

    disk_mb: float
    memory_mb: float
    seconds: float


def needs(work: Work, prepared: Prepared, workers: int) -> Needs:
    """The estimate for a run with `workers` threads."""
    grid = prepared.grid
    cells = grid.rows * grid.cols
    raw = sum(np.dtype(o.layout.dtype).itemsize * len(o.layout.bands) for o in work.outputs) * cells * 4 / 3
    criteria = [len(variant.criteria) for variant in work.recipe.variants]
    layers = len(work.recipe.stack.layers) + sum(criteria)
    seconds = (layers * cells * _NANOSECONDS_A_LAYER_CELL + raw * _NANOSECONDS_A_BYTE) / 1e9 / min(workers, 2)
    tile_mb = TILE * TILE * 4 / 1e6
    memory = _BASE_MB + (workers + 1) * tile_mb * (3 * max(criteria) + len(work.recipe.stack.layers))
    # the spool holds what the files will hold, until they are in place
    return Needs(raw * _COMPRESSED * 2 / 1e6, memory, _START_SECONDS + seconds)
