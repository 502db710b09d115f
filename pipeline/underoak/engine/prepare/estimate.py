"""Estimates of the disk space, memory and time that a run needs, right within about 30 %."""

from __future__ import annotations

import os
from collections.abc import Sized
from dataclasses import dataclass, field

import numpy as np

from underoak.base.errors import Fault, UnderoakError
from underoak.engine.container_memory import memory_limit
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.prepare.timing_trial import Trial, slowness
from underoak.engine.storage.spool import TILE
from underoak.engine.workers.tile import TileJob
from underoak.engine.write.cog import BLOCK
from underoak.layers.formats.vector import vector_size
from underoak.layers.shapes.distance import ShapeDistance
from underoak.plan.keys.constraints import ShapesConstraint
from underoak.plan.plan import Plan

_MB = 1e6


@dataclass(frozen=True, slots=True)
class UnitCosts:
    """A table of unit costs, measured by `benchmarks/prediction.py` on two x86-64 cores.

    Seconds are those of one thread; on another machine they are scaled by a short timing (`timing_trial.slowness`). A
    trial on the plan's own layers measures what tiles cost; without one, the figures for an average layer stand in.
    """

    # seconds
    start: float = 2.7  # imports, loading compiled kernels, an empty report
    layer: float = 0.04  # open and sample one
    layer_cell: float = 14e-9  # read, resample, judge, encode; a criterion counts as a layer
    raw_byte: float = 9e-9  # encode one byte of a raster's cell, with its first overview
    upper_byte: float = 1.1e-9  # overviews above the first, for one byte of a full-size cell
    file_byte: float = 2.0e-9  # assemble, write and hash one byte of a raster
    input_byte: float = 0.8e-9  # hash one byte of an input
    drawn_cell: float = 2.5e-9  # one draw of one uncertain criterion
    zone_cell: float = 62e-9  # find zones
    scenario_cell: float = 150e-9  # compare scenarios: one for each, and one for each species that has any
    case: float = 1.7  # map and report of one case
    parcel: float = 0.1e-3  # read, rank and write one, in one case
    parcel_draw: float = 0.2e-6  # one value of one parcel in one draw
    ranked_parcel: float = 0.9e-3  # one of those that are ranked against each other, in a case with draws
    most_ranked: int = 2000
    # bytes on disk
    compressed: float = 0.30  # share of a raster's bytes left after encoding, where no trial was made
    scenario_bytes: float = 13.0  # one cell of what scenarios have in common: five values, encoded, with overviews
    case_files: float = 5.0e6  # map, report and the like of one case
    parcel_files: float = 1000.0  # rows of one parcel in all files of one case
    parcel_sums: float = 1200.0  # of one parcel, while the run is unfinished
    parcel_draws: float = 15.2  # one value of one parcel in one draw, while the run is unfinished
    sampled_cell: float = 75.0  # one sampled cell of a parcel, while the run is unfinished
    # bytes of memory
    base: float = 320e6  # libraries, loaded kernels, cached source blocks
    reader: float = 150e6  # the process that opens and samples files, beside what it shares with the run
    shapes_base: float = 70e6  # the libraries for shapes, when there are any
    parcel_memory: float = 3500.0  # one parcel
    edge: float = 45.0  # one edge of the shapes that exclude land, or of the region's outline
    corner_read: float = 103.0  # one corner in a file of such shapes, while it is read
    corner_resident: float = 50.0  # one corner of the same, once it is read
    corner_widened: float = 1900.0  # one corner of the largest shape, while it is widened
    widening: float = 150e6  # some shapes, while they are widened together
    corner_far: float = 290.0  # one corner of shapes that distances are measured to, in the process that reads them
    segment_resident: float = 75.0  # one piece of the same, during the run
    segment: float = 230.0  # one piece of the same in the run, while it comes from that process
    cell_work: float = 20.0  # coordinates and codes of a block, for one cell
    source_cell: float = 12.0  # one source cell under a block: stored, decoded, derived
    tile_byte: float = 0.65  # one byte of a tile's cells in all rasters: encoded, and those of its first overview
    block_draws: float = 75e6  # source cells in all draws, for one worker
    zone_memory: float = 2.7  # borders of zones, for one cell
    sampled_value: float = 8.0  # one value of one sampled cell of a parcel
    parcel_draw_memory: float = 28.0  # one value of one parcel in one draw
    picture: float = 500e6  # libraries, the drawing library and a map
    picture_parcel: float = 27e3  # one parcel that is drawn


COSTS = UnitCosts()
MARGIN = 1.15  # a memory limit is divided by it: the largest error that was measured


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimate of what a run needs."""

    disk_mb: float  # peak while it runs: final files and the spool
    kept_mb: float  # the final files
    memory_mb: float  # peak of all processes
    seconds: float  # on a machine that has nothing else to do
    is_tried: bool  # by a trial, not by averages


@dataclass(frozen=True, slots=True)
class Workload:
    """A description of the size of a run."""

    cells: int  # of the analysis grid
    shape: tuple[int, int]
    layers: int  # that are read
    criteria: int  # of all cases
    most_criteria: int  # of one case
    raw: float  # bytes of one full-size cell in all rasters
    sources: tuple[float, ...] = field(default=())  # source cells of each file under one cell
    input_bytes: int = 0
    cases: int = 1
    parcels: int = 0
    has_shapes: bool = False
    edges: int = 0  # of the shapes that exclude land, and of the region's outline
    corners_read: int = 0  # of the largest file of the same
    most_widened: int = 0  # corners of the largest shape that is widened
    burned: int = 0  # bytes of masks of cells
    segments: int = 0  # pieces of shapes that distances are measured to
    has_zones: bool = False
    draws: int = 0  # figures of one cell, or one parcel, in all draws of all cases
    drawn_cases: int = 0  # cases that draw any
    rank_draws: int = 0  # of one parcel, in all cases
    shares: int = 0  # species that have scenarios
    scenarios: int = 0  # of all species
    sampled_cells: int = 0  # of parcels, in one case, that are in memory until its tables are made

    @classmethod
    def of(
        cls, plan: Plan, work: TileJob, prepared: Prepared, parcels: Sized | None, sampled_cells: int = 0
    ) -> Workload:  # fmt: skip
        """Return the workload of a run; `sampled_cells` are those of parcels in one case, at most."""
        grid, stack = work.recipe.grid, work.recipe.stack
        cells = grid.rows * grid.cols
        under: dict[str, float] = {}
        for layer in stack.layers:
            window = layer.source_layer.input_window(stack.region_window(layer))
            for source in layer.source_layer.sources:
                path, months = source.facts.path, max(len(source.months), 1)
                under[path] = max(under.get(path, 0.0), window.rows * window.cols * months / cells)
        files = {file for ready in prepared.cases for facts in ready.facts.values() for file in facts.files}
        criteria = [len(case_recipe.criteria) for case_recipe in work.recipe.cases]
        outline = work.recipe.outline
        masks = work.recipe.shapes
        outline_edges = outline.count_of_edges if outline is not None else 0
        far = {layer.source_layer.source.facts.path: layer.source_layer.source for layer in stack.layers}
        return cls(
            cells=cells,
            shape=grid.shape,
            layers=len(stack.layers),
            criteria=sum(criteria),
            most_criteria=max(criteria),
            raw=float(sum(np.dtype(o.layout.dtype).itemsize * len(o.layout.bands) for o in work.outputs)),
            sources=tuple(under.values()),
            input_bytes=sum(os.path.getsize(file) for file in files if os.path.isfile(file)),
            cases=len(work.recipe.cases),
            parcels=len(parcels) if parcels is not None else 0,
            has_shapes=bool(parcels is not None or plan.zones or work.recipe.shapes or outline is not None),
            edges=outline_edges + sum(mask.edges.count_of_edges for mask in masks),
            corners_read=max([outline_edges, *(mask.corners_read for mask in masks)]),
            most_widened=max((mask.most_widened for mask in masks), default=0),
            burned=sum(mask.burned.bits.nbytes for mask in masks if mask.burned is not None),
            segments=sum(len(source.segments) for source in far.values() if isinstance(source, ShapeDistance)),
            has_zones=plan.zones is not None,
            draws=sum(case_recipe.figures for case_recipe in work.recipe.cases),
            drawn_cases=sum(case_recipe.figures > 0 for case_recipe in work.recipe.cases),
            rank_draws=sum(case_recipe.rank_draws for case_recipe in work.recipe.cases),
            shares=len(plan.scenarios_of),
            scenarios=sum(len(scenarios) for _, scenarios in plan.scenarios_of),
            sampled_cells=sampled_cells,
        )


def estimate(workload: Workload, workers: int, tile: int = TILE, trial: Trial | None = None) -> Estimate:
    """Return the estimate for a run with so many workers, by a trial or by averages."""
    c, w = COSTS, workload
    inside = w.cells * (trial.inside if trial else 1.0)
    if trial:
        rasters = inside * (trial.bytes_full + trial.bytes_half * _WITH_OVERVIEWS)
        judging, slow = inside * trial.seconds, slowness()
    else:
        rasters = w.cells * w.raw * c.compressed * _WITH_OVERVIEWS
        judging = w.cells * ((w.layers + w.criteria) * c.layer_cell + w.raw * c.raw_byte + w.draws * c.drawn_cell)
        slow = 1.0
    shared = judging + w.cells * w.raw * c.upper_byte * slow
    alone = c.start + w.layers * c.layer + rasters * c.file_byte + w.input_bytes * c.input_byte
    alone += w.cases * (c.case + w.parcels * c.parcel + (inside * c.zone_cell if w.has_zones else 0.0))
    alone += (
        w.parcels * (w.draws + w.rank_draws) * c.parcel_draw
        + w.drawn_cases * min(w.parcels, c.most_ranked) * c.ranked_parcel
    )
    alone += w.cells * (w.shares + w.scenarios) * c.scenario_cell
    cores = min(workers, os.cpu_count() or 1)
    seconds = shared / cores / (_SHARED if cores > 1 else 1.0) + alone * slow
    large = rasters + inside * w.shares * c.scenario_bytes
    finished = large + w.cases * (c.case_files + w.parcels * c.parcel_files)
    unfinished = w.parcels * ((w.draws + w.rank_draws) * c.parcel_draws + w.cases * c.parcel_sums)
    unfinished += w.cases * w.sampled_cells * c.sampled_cell + large
    disk, memory = finished + unfinished, memory_bytes(workload, workers, tile)
    return Estimate(disk / _MB, finished / _MB, memory / _MB, seconds, trial is not None)


_SHARED = 0.9  # speed of a thread among several, relative to one alone
_WITH_OVERVIEWS = 4 / 3  # bytes of a raster and of all levels above it, for one byte of it


def memory_bytes(workload: Workload, workers: int, tile: int) -> float:
    """Return the peak memory [bytes]: while shapes are read, tiles judged, zones found, or the map is drawn."""
    c, w = COSTS, workload
    masks = w.edges * c.edge + w.burned + w.segments * c.segment_resident
    together = min(w.corners_read * c.corner_widened, c.widening) if w.most_widened else 0.0
    widening = max(together, w.most_widened * c.corner_widened)
    opening = c.base + c.reader + (c.shapes_base if w.has_shapes else 0.0)
    burning = masks + w.corners_read * c.corner_resident + widening
    reading = opening + max(w.corners_read * c.corner_read, burning, w.segments * (c.segment + c.corner_far))
    shapes = (c.shapes_base if w.has_shapes else 0.0) + w.parcels * c.parcel_memory + masks
    block, cells = (min(side, w.shape[0]) * min(side, w.shape[1]) for side in (BLOCK, tile))
    block_cell = _FLOAT32 * (w.layers + w.most_criteria) + c.cell_work + c.source_cell * max(w.sources, default=0.0)
    n_tiles = min(workers, -(-w.cells // cells))
    judging = c.base + shapes + n_tiles * (block * block_cell + (c.block_draws if w.draws else 0.0))
    judging += (n_tiles + 1) * cells * w.raw * c.tile_byte  # one more waits to be saved
    # the cells that the first case samples are included in its parcels
    shapes += (w.cases - 1) * w.sampled_cells * (w.most_criteria + _SAMPLED_MORE) * c.sampled_value
    zoning = c.base + shapes + (w.cells * c.zone_memory if w.has_zones else 0.0)
    drawing = c.picture + shapes + w.parcels * (w.draws + w.rank_draws) * c.parcel_draw_memory
    drawn = w.parcels if w.parcels <= _MOST_DRAWN else 0
    return max(reading, judging, zoning, drawing + drawn * c.picture_parcel)


_FLOAT32 = 4  # bytes
_MOST_DRAWN = 2000  # parcels: with more, the map shows none
_SAMPLED_MORE = 4.5  # values of a sampled cell beside its criteria


@dataclass(frozen=True, slots=True)
class Allowance:
    """The memory that a run may take."""

    limit: int | None  # [bytes]; None: any
    where: str = "--memory"  # what sets the limit

    @classmethod
    def of(cls, requested: int | None) -> Allowance:
        """Return the memory that was asked for, or that of the container where it is less or nothing was asked."""
        most = memory_limit()
        if most is not None and (requested is None or most < requested):
            return cls(most, "memory limit of the container")
        return cls(requested)


def refuse_large_files(plan: Plan, allowance: Allowance) -> None:
    """Refuse shapes that take more memory to read than is allowed, by the counts that their files state.

    Raises:
        UnderoakError: E503.
    """
    if allowance.limit is None:
        return
    files = [(spec.file, spec.features) for spec in plan.constraints if isinstance(spec, ShapesConstraint)]
    if plan.region.area is not None:
        files.append((plan.region.area, plan.region.features))
    files += [] if plan.spec.deal is None else [(overlay.file, overlay.features) for overlay in plan.spec.deal.overlays]
    corners = max((vector_size(plan.base / file, features)[1] for file, features in files), default=0)
    parcels = 0
    if plan.parcels is not None:
        parcels = vector_size(plan.base / plan.parcels.file, plan.parcels.features)[0]
    if not (corners or parcels):
        return
    c = COSTS
    least = MARGIN * (c.base + c.shapes_base + max(c.reader + corners * c.corner_read, parcels * c.parcel_memory))
    if least > allowance.limit:
        raise _too_little(allowance.limit, least, allowance)


def fit_memory(allowance: Allowance, workload: Workload, workers: int, tile: int) -> tuple[int, int]:
    """Return workers and tile size that keep a run's memory below a limit: those given, or fewer and smaller.

    Raises:
        UnderoakError: E503 if one worker with the smallest tiles needs more.
    """
    if allowance.limit is None:
        return workers, tile
    smaller = [(workers, side) for side in range(tile, TILE, -TILE)]
    for count, side in [*smaller, *((count, TILE) for count in range(workers, 0, -1))]:
        if MARGIN * memory_bytes(workload, count, side) <= allowance.limit:
            return count, side
    least = MARGIN * memory_bytes(workload, 1, TILE)
    raise _too_little(allowance.limit, least, allowance)


def _too_little(limit: float, least: float, allowance: Allowance) -> UnderoakError:
    what = f"about {least / _MB:,.0f} MB are needed at least, and {limit / _MB:,.0f} MB are allowed"
    fix = "allow more, judge a smaller region or fewer layers, or cut shapes to the region"
    return UnderoakError(Fault("E503", what, allowance.where, fix))
