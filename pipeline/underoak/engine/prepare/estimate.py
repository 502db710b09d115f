"""What a run will need: room on disk, memory, time. Estimates, meant to be right within a third."""

from __future__ import annotations

import os
from collections.abc import Sized
from dataclasses import dataclass, field

import numpy as np

from underoak.base.errors import Fault, UnderoakError
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.prepare.timing_trial import Trial, slowness
from underoak.engine.storage.spool import TILE
from underoak.engine.workers.tile import TileJob
from underoak.engine.write.cog import BLOCK
from underoak.plan.keys.constraints import ShapesConstraint
from underoak.plan.plan import Plan

_MB = 1e6


@dataclass(frozen=True, slots=True)
class UnitCosts:
    """What things cost. Measured by `benchmarks/prediction.py`, by phase, on two x86-64 cores with Python 3.11.

    Seconds are those of one thread; on another machine they are scaled by a short timing (`trial.slowness`). What tiles
    cost is measured by a trial on the plan's own layers; without one, the figures for an average layer stand in.
    """

    # seconds
    start: float = 2.2  # imports, loading compiled kernels, an empty report
    layer: float = 0.04  # opening and sampling one
    layer_cell: float = 14e-9  # read, resample, judge, encode; a criterion counts as a layer
    raw_byte: float = 9e-9  # encode one byte of a raster's cell, with its first overview
    upper_byte: float = 1.1e-9  # overviews above the first, for one byte of a full-size cell
    file_byte: float = 2.0e-9  # assemble, write and hash one byte of a raster
    input_byte: float = 0.8e-9  # hash one byte of an input
    zone_cell: float = 62e-9  # find zones, for one cell
    drawn: float = 2.5e-9  # one draw of one doubtful criterion in one cell, by averages
    share_cell: float = 250e-9  # what the futures of a species have in common, for one cell
    future_cell: float = 100e-9  # the same, for each of these futures
    picture: float = 1.5  # map and report of one view
    shapes: float = 1.0  # the libraries for shapes, when there are any
    parcel: float = 25e-6  # read one
    parcel_case: float = 70e-6  # rank, tell and write it, in one view
    parcel_shown: float = 0.4e-3  # draw it on the map of one
    parcel_drawn: float = 0.2e-6  # one figure of one parcel in one draw
    parcel_ranked: float = 0.9e-3  # one of the parcels that are ranked against each other, in a view with draws
    most_ranked: int = 2000
    # bytes on disk
    compressed: float = 0.30  # share of a raster's bytes left after encoding, where no trial was made
    share_bytes: float = 13.0  # one cell of what futures have in common: five figures, encoded, with overviews
    case_files: float = 4.0e6  # map, report and the like of one view
    parcel_draws: float = 15.2  # one figure of one parcel in one draw, while the run is unfinished
    parcel_sums: float = 1200.0  # sums of one parcel, while the run is unfinished
    parcel_cells: float = 10e3  # its cells that are kept till then, and at most so much for all parcels
    most_cells: float = 37e6
    parcel_files: float = 800.0  # rows of one parcel in all files of one view
    parcel_uncertainty: float = 350.0  # more of them in a view with draws
    uncertainty_files: float = 1.5e6  # ranks, and cells of the best parcels, in such a view
    parcel_told: float = 3.5e3  # one parcel on the page of a view, which shows so many at most
    most_told: int = 500
    # bytes of memory
    base: float = 320e6  # libraries, loaded kernels, cached source blocks
    vector: float = 70e6  # the libraries for shapes, when there are any
    parcel_memory: float = 3500.0  # one parcel
    edge: float = 45.0  # one edge of the shapes that exclude ground, or of the region's outline
    edge_read: float = 190.0  # one edge in a file of such shapes, while it is read
    widened: float = 10.0  # edges that one becomes where shapes are widened
    opened: float = 270e6  # as `base`, before anything is judged
    cell_array: float = 4.0  # one cell of a float32 array
    cell_work: float = 20.0  # coordinates and codes of a block, for one cell
    source_cell: float = 12.0  # one source cell under a block: stored, decoded, derived
    tile_byte: float = 0.65  # one byte of a tile's cells in all rasters: encoded, and those of its first overview
    draws: float = 75e6  # source cells in all draws, for one worker
    held_cell: float = 36.0  # one sampled cell of a parcel, and each of its criteria
    held_criterion: float = 8.0
    parcel_draw: float = 28.0  # one figure of one parcel in one draw
    after: float = 290e6  # libraries and loaded kernels, when the tiles are done
    zones: float = 30e6  # the libraries for zones
    zone_memory: float = 2.7  # borders of zones, for one cell
    picture_base: float = 400e6  # as `after`, with the drawing library
    picture_pixel: float = 61.0  # one pixel of the map while it is drawn
    picture_parcel: float = 27e3  # one parcel that is drawn


COSTS = UnitCosts()
MARGIN = 1.15  # by which a limit on memory is kept below: what was measured lay as far off at most


@dataclass(frozen=True, slots=True)
class Estimate:
    """An estimate, not a promise."""

    disk_mb: float  # at most, while it runs: finished files and tiles kept beside them
    kept_mb: float  # of the finished files
    memory_mb: float  # peak of the process
    seconds: float  # on a machine that has nothing else to do
    is_tried: bool  # by a trial, not by averages


@dataclass(frozen=True, slots=True)
class Workload:
    """How much there is to do."""

    cells: int  # of the analysis grid
    shape: tuple[int, int]
    layers: int  # that are read
    criteria: int  # of all views
    most_criteria: int  # of one view
    raw: float  # bytes of one full-size cell in all rasters
    sources: tuple[float, ...] = field(default=())  # source cells of each file under one cell
    input_bytes: int = 0
    cases: int = 1
    parcels: int = 0
    has_shapes: bool = False
    edges: int = 0  # of the shapes that exclude ground, and of the region's outline
    edges_read: float = 0.0  # of the same in their files
    has_zones: bool = False
    draws: int = 0  # figures of one cell, or one parcel, in all draws of all views
    drawn_cases: int = 0  # views that draw any
    shares: int = 0  # species that have futures
    futures: int = 0  # of all species
    held_cells: int = 0  # of parcels, in one view, that are kept in memory till its tables are made

    @classmethod
    def of(cls, plan: Plan, work: TileJob, prepared: Prepared, parcels: Sized | None) -> Workload:
        """The extent of a run."""
        grid, stack = work.recipe.grid, work.recipe.stack
        cells = grid.rows * grid.cols
        under: dict[str, float] = {}
        for layer in stack.layers:
            window = layer.source_layer.input_window(stack.region_window(layer))
            for source in layer.source_layer.sources:
                path, months = source.facts.path, max(len(source.months), 1)
                under[path] = max(under.get(path, 0.0), window.rows * window.cols * months / cells)
        files = {file for case in prepared.cases for facts in case.facts.values() for file in facts.files}
        criteria = [len(case.criteria) for case in work.recipe.cases]
        outline = work.recipe.outline
        widened = {c.name for c in plan.constraints if isinstance(c, ShapesConstraint) and c.grow_m > 0}
        counts = [(shapes.edges.count_of_edges, shapes.name in widened) for shapes in work.recipe.shapes]
        counts += [(outline.count_of_edges, False)] if outline is not None else []
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
            edges=sum(count for count, _ in counts),
            edges_read=sum(count / (COSTS.widened if is_widened else 1.0) for count, is_widened in counts),
            has_zones=plan.zones is not None,
            draws=sum(case.figures for case in work.recipe.cases),
            drawn_cases=sum(case.figures > 0 for case in work.recipe.cases),
            shares=len(plan.futures_of),
            futures=sum(len(futures) for _, futures in plan.futures_of),
            held_cells=max((getattr(reducer, "most_cells", 0) for reducer in work.reducers), default=0),
        )


def estimate(extent: Workload, workers: int, tile: int = TILE, tried: Trial | None = None) -> Estimate:
    """The estimate for a run with so many workers, with what a trial found or by averages."""
    c = COSTS
    inside = extent.cells * (tried.inside if tried else 1.0)
    if tried:
        rasters = inside * (tried.bytes_full + tried.bytes_half * 4 / 3)
        judging = inside * tried.seconds
        slow = slowness()
    else:
        rasters = extent.cells * extent.raw * c.compressed * 4 / 3
        judging = extent.cells * ((extent.layers + extent.criteria) * c.layer_cell + extent.raw * c.raw_byte)
        judging += extent.cells * extent.draws * c.drawn
        slow = 1.0
    common = inside * extent.shares * c.share_bytes
    told = min(extent.parcels, c.most_told) * c.parcel_told
    companions = extent.cases * (c.case_files + extent.parcels * c.parcel_files + told)
    companions += (
        extent.drawn_cases * (extent.parcels * c.parcel_uncertainty + c.uncertainty_files) if extent.parcels else 0.0
    )
    ranked = min(extent.parcels, c.most_ranked)
    cores = min(workers, os.cpu_count() or 1)
    alone = (
        c.start
        + extent.layers * c.layer
        + rasters * c.file_byte
        + extent.input_bytes * c.input_byte
        + (inside * c.zone_cell * extent.cases if extent.has_zones else 0.0)
        + (c.shapes if extent.has_shapes else 0.0)
        + extent.cases * (c.picture + extent.parcels * c.parcel_case + _drawn(extent) * c.parcel_shown)
        + extent.parcels * (c.parcel + extent.draws * c.parcel_drawn)
        + extent.drawn_cases * ranked * c.parcel_ranked
        + extent.cells * (extent.shares * c.share_cell + extent.futures * c.future_cell)
    )
    shared = judging + extent.cells * extent.raw * c.upper_byte * slow
    seconds = shared / cores / (_SHARED if cores > 1 else 1.0) + alone * slow
    disk, kept = 2 * (rasters + common) + companions, rasters + common + companions
    disk += extent.parcels * (extent.draws * c.parcel_draws + extent.cases * c.parcel_sums)
    disk += extent.cases * min(extent.parcels * c.parcel_cells, c.most_cells)
    return Estimate(disk / _MB, kept / _MB, memory_bytes(extent, workers, tile) / _MB, seconds, tried is not None)


_SHARED = 0.9  # of their speed alone is left to threads that work side by side


def memory_bytes(extent: Workload, workers: int, tile: int) -> float:
    """Peak memory of the process: while shapes are read, tiles judged, zones looked for, or the map is drawn."""
    c = COSTS
    shapes = (c.vector if extent.has_shapes else 0.0) + extent.parcels * c.parcel_memory + extent.edges * c.edge
    reading = c.opened + shapes + extent.edges_read * c.edge_read
    block, cells = (min(side, extent.shape[0]) * min(side, extent.shape[1]) for side in (BLOCK, tile))
    for_cell = c.cell_array * (extent.layers + extent.most_criteria) + c.cell_work
    for_cell += c.source_cell * max(extent.sources, default=0.0)
    at_work = min(workers, -(-extent.cells // cells))
    judging = c.base + shapes + at_work * (block * for_cell + (c.draws if extent.draws else 0.0))
    judging += (at_work + 1) * cells * extent.raw * c.tile_byte  # one more waits to be kept
    zones = c.zones if extent.has_zones else 0.0
    # the cells of the first view are in what its parcels take
    shapes += (extent.cases - 1) * extent.held_cells * (c.held_cell + extent.most_criteria * c.held_criterion)
    zoning = c.after + shapes + (zones + extent.cells * c.zone_memory if extent.has_zones else 0.0)
    drawing = c.picture_base + shapes + zones + _pixels(extent.shape) * c.picture_pixel
    drawing += extent.parcels * extent.draws * c.parcel_draw
    drawing += _drawn(extent) * c.picture_parcel
    return max(reading, judging, zoning, drawing)


_MOST_DRAWN = 2000  # parcels: with more, the map shows none
_ACROSS, _DOWN = 1218, 2016  # pixels


def _drawn(extent: Workload) -> int:
    """Parcels that are drawn on a map."""
    return extent.parcels if extent.parcels <= _MOST_DRAWN else 0


def _pixels(shape: tuple[int, int]) -> float:
    """Pixels of the map, which is so wide, or so high, at most."""
    rows, cols = shape
    across = min(_ACROSS, _DOWN * cols / rows)
    return across * across * rows / cols


def fit_memory(limit: int, extent: Workload, workers: int, tile: int) -> tuple[int, int]:
    """Workers and tile size that keep a run's memory below `limit` bytes: as many and as large as given, or fewer.

    Raises:
        UnderoakError: E503 when one worker with the smallest tiles needs more.
    """
    smaller = [(workers, side) for side in range(tile, TILE, -TILE)]
    for count, side in [*smaller, *((count, TILE) for count in range(workers, 0, -1))]:
        if MARGIN * memory_bytes(extent, count, side) <= limit:
            return count, side
    least = MARGIN * memory_bytes(extent, 1, TILE)
    what = f"about {least / _MB:,.0f} MB are needed at least, and {limit / _MB:,.0f} MB are allowed"
    raise UnderoakError(Fault("E503", what, "--memory", "allow more, or judge a smaller region or fewer layers"))
