"""The raster of what a species' futures have in common, made of their finished rasters block by block."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.codes import EXCLUDED
from underoak.base.grid import Grid, Window
from underoak.engine.judge.recipe import Recipe
from underoak.engine.prepare.novelty import Driver, Novelty, Range, drivers_by_future, planes, ranges
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.storage.spool import TILE, Spool
from underoak.engine.workers.runner import build_overviews, write_rasters
from underoak.engine.workers.tile import block_windows, encoded_blocks
from underoak.engine.write.cog import Band, RasterLayout, levels
from underoak.engine.write.finished_rasters import CLASS_TIF, SUITABILITY_TIF, open_finished
from underoak.engine.write.outputs import Output, halve
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.shapes.coverage import Edges, add_shares
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.uncertainty import robustness

NAME = "share_of_futures.tif"
_SUMS = 1e-5  # weights that add up to four fifths may miss them by rounding


@dataclass(frozen=True, slots=True, eq=False)
class ScenarioCounts:
    """What was counted over the futures of one species."""

    cells: dict[str, int]  # that have a share (`known`), and where it is 1, 0.8 or more, 0.5 or more, 0
    novelty: Novelty


def write_futures(
    plan: Plan, prepared: Prepared, spool: Spool, stage: Path, parcels: Edges | None = None
) -> dict[Case, ScenarioCounts]:
    """`share_of_futures.tif` of each species that has futures, beside the rasters of its present.

    Bands: the share of futures, by weight, whose suitability reaches the class that the plan asks for; the least, the
    median and the greatest suitability; the share of futures in which some layer that they replace lies outside what
    the region holds of it at present. Ground that a constraint excludes in a future has suitability 0 in it; excluded
    in all of them, or missing in one, it has no value. Blocks are those of the rasters, so that no figure depends on
    tiles, and memory does not grow with the region.

    Returns, by the case of the present, how many cells have a share (`known`), and on how many it is 1 (`all`),
    0.8 or more (`four_fifths`), 0.5 or more (`half`), or 0 (`none`); and how much ground is novel, of the region and of
    each parcel.

    Raises:
        UnderoakError: E230 when a raster cannot be read again, E501, E502 when the disk does not let us.
    """
    counts, grid, recipe = {}, prepared.grid, prepared.recipe
    drivers = {
        now.case: drivers_by_future(prepared, now.case, (future.case for future in futures))
        for now, futures in plan.futures_of
    }
    replaced = [driver for by_future in drivers.values() for of_future in by_future for driver in of_future]
    with gdal_settings():
        reference = ranges(recipe, frozenset(driver.present for driver in replaced))
    for present, futures in plan.futures_of:
        output, by_future = _output(plan, present), drivers[present.case]
        watch = _NoveltySums(recipe, by_future, plan.future_weights, reference, parcels)
        cells = _spool_blocks(output, futures, plan, spool, grid, stage, watch)
        novelty = Novelty(by_future, plan.future_weights, watch.cells, watch.parcels)
        counts[present.case] = ScenarioCounts(cells, novelty)
        build_overviews(spool, [output], grid)
        write_rasters(spool, [output], grid, stage)
    return counts


class _NoveltySums:
    """Novel ground, block by block, and its sums so far."""

    def __init__(
        self, recipe: Recipe, drivers: Sequence[Sequence[Driver]], weights: Sequence[float],
        reference: Mapping[str, Range], parcels: Edges | None,
    ) -> None:  # fmt: skip
        self._recipe, self._drivers, self._reference, self._edges = recipe, drivers, reference, parcels
        count = sum(2 + len(own) for own in drivers)
        self.cells = np.zeros(count)
        self.parcels = np.zeros((parcels.polygons, count)) if parcels is not None else None
        starts = [0, *np.cumsum([2 + len(own) for own in drivers])[:-1].tolist()]
        self._outside, self._weights = [at + 1 for at in starts], tuple(weights)

    def share(self, block: Window) -> FloatArray:
        """Share of futures in which each cell is novel; blocks are to come in one order, whatever the tiles."""
        held = planes(self._recipe, self._drivers, self._reference, block)
        self.cells += np.count_nonzero(held, axis=(1, 2))
        if self._edges is not None and self.parcels is not None:
            add_shares(self._edges, block, held, self.parcels)
        found = np.zeros(block.shape)
        for weight, plane in zip(self._weights, self._outside, strict=True):
            found += weight * held[plane]
        return found.astype(np.float32)


def threshold(plan: Plan, case_plan: Plan) -> float:
    """Return the suitability that land must reach in a scenario to count as suitable there."""
    return case_plan.rules.cuts[("S1", "S2", "S3").index(plan.futures.at_least)]


def _output(plan: Plan, present: Plan) -> Output:
    folder = present.case.summary_folder
    name = f"{folder}/{NAME}" if folder else NAME
    asked, cut = plan.futures.at_least, threshold(plan, present)
    bands = (
        Band(f"share of futures with {asked} or better (suitability {cut:g} or more)", "1"),
        *(Band(f"{which} suitability of all futures", "1") for which in ("least", "median", "greatest")),
        Band("share of futures in which some replaced layer is outside the region's present range", "1"),
    )
    tags = {"SOFTWARE": "underoak", "TITLE": plan.title, "FUTURES_WEIGHED": plan.futures.weigh}
    return Output(RasterLayout(name, "float32", float("nan"), bands, tags), None, averaged=True)


def _spool_blocks(
    output: Output, futures: Sequence[Plan], plan: Plan, spool: Spool, grid: Grid, stage: Path, watch: _NoveltySums
) -> dict[str, int]:
    """The blocks of the full size and of the first overview, one tile after the other; what was counted meanwhile."""
    name, has_overview = output.layout.name, levels(grid) > 0
    at_least, weights = threshold(plan, futures[0]), plan.future_weights
    counts = dict.fromkeys(("known", "all", "four_fifths", "half", "none"), 0)
    with ExitStack() as stack:
        read = [_Reader(stage / future.case.folder, stack) for future in futures]
        for tile in grid.tiles(TILE):
            cells = np.empty((5, *tile.shape), np.float32)
            for block in block_windows(tile):
                values = np.stack([reader.suitability(block) for reader in read])
                values[:, (values < 0).all(axis=0)] = np.nan
                rows, cols = block.relative_to(tile).slices
                cells[:4, rows, cols] = robustness(np.maximum(values, 0.0), at_least, weights)
                cells[4, rows, cols] = np.where(np.isnan(cells[0, rows, cols]), np.nan, watch.share(block))
            _count(cells[0], counts)
            made = list(encoded_blocks(cells, output, 0, tile))
            made += encoded_blocks(halve(cells, output), output, 1, tile) if has_overview else []
            for key, data in made:
                spool.add_block(name, key, data)
    return counts


def _count(share: FloatArray, counts: dict[str, int]) -> None:
    known = share[~np.isnan(share)]
    counts["known"] += known.size
    for name, least in (("all", 1.0), ("four_fifths", 0.8), ("half", 0.5)):
        counts[name] += int(np.count_nonzero(known >= least - _SUMS))
    counts["none"] += int(np.count_nonzero(known <= _SUMS))


class _Reader:
    """Suitability of one future, of which there is none on excluded ground, told from what is missing."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._suitability, self._class = (
            stack.enter_context(open_finished(folder, name)) for name in (SUITABILITY_TIF, CLASS_TIF)
        )

    def suitability(self, block: Window) -> FloatArray:
        """0..1, NaN where missing, -1 where excluded."""
        values = self._suitability.values(block).astype(np.float32)
        values[self._class.stored(block) == EXCLUDED] = -1.0
        return values
