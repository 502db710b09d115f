"""The scenario raster of a species: summaries over its scenarios, from their finished rasters, block by block."""

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
from underoak.engine.prepare.novelty import Driver, Novelty, Range, drivers_by_scenario, novelty_planes, ranges
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.storage.spool import TILE, Spool
from underoak.engine.workers.runner import build_overviews, write_rasters
from underoak.engine.workers.tile import block_windows, encoded_blocks, figures_key
from underoak.engine.write.cog import BLOCK, Band, RasterLayout, levels
from underoak.engine.write.finished_rasters import CLASS_TIF, SUITABILITY_TIF, open_finished
from underoak.engine.write.outputs import Output, halve
from underoak.engine.write.statistics import block_figures
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.shapes.coverage import Edges, add_shares
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.uncertainty import robustness

NAME = "share_of_futures.tif"
_SUMS = 1e-5  # tolerance for sums of weights, such as four fifths


@dataclass(frozen=True, slots=True, eq=False)
class ScenarioCounts:
    """A set of counts over the scenarios of one species."""

    cells: dict[str, int]  # that have a share (`known`), and where it is 1, 0.8 or more, 0.5 or more, 0
    novelty: Novelty


def write_scenario_summary(
    plan: Plan, prepared: Prepared, spool: Spool, stage: Path, parcels: Edges | None = None
) -> dict[Case, ScenarioCounts]:
    """Write `share_of_futures.tif` of each species that has scenarios, beside the rasters of its present case.

    Bands: the weighted share of scenarios whose suitability reaches the plan's class (`at_least`); the least, the
    median and the greatest suitability; the weighted share of scenarios in which some replaced layer is outside the
    region's present range. A cell that a constraint excludes in a scenario has suitability 0 there; excluded in all
    scenarios, or missing in one, it has no value. Blocks are those of the rasters: no figure depends on tiles, and
    memory does not grow with the region.

    Returns, by the present case, how many cells have a share (`known`), and how many have a share of 1 (`all`), of
    0.8 or more (`four_fifths`), of 0.5 or more (`half`), or of 0 (`none`); and how much land is outside the present
    range, in the region and in each parcel.

    Raises:
        UnderoakError: E230 if a raster cannot be read again, E501, E502 if the disk cannot be written.
    """
    counts, grid, recipe = {}, prepared.grid, prepared.recipe
    drivers = {
        present.case: drivers_by_scenario(prepared, present.case, (scenario.case for scenario in scenarios))
        for present, scenarios in plan.scenarios_of
    }
    replaced = [driver for by_scenario in drivers.values() for of_scenario in by_scenario for driver in of_scenario]
    with gdal_settings():
        reference = ranges(recipe, frozenset(driver.present for driver in replaced))
    for present, scenarios in plan.scenarios_of:
        output, by_scenario = _output(plan, present), drivers[present.case]
        sums = _NoveltySums(recipe, by_scenario, plan.scenario_weights, reference, parcels)
        cells = _spool_blocks(output, scenarios, plan, spool, grid, stage, sums)
        novelty = Novelty(by_scenario, plan.scenario_weights, sums.cells, sums.parcels)
        counts[present.case] = ScenarioCounts(cells, novelty)
        build_overviews(spool, [output], grid)
        write_rasters(spool, [output], grid, stage)
    return counts


class _NoveltySums:
    """A running sum of the land outside the present range, block by block."""

    def __init__(
        self, recipe: Recipe, drivers: Sequence[Sequence[Driver]], weights: Sequence[float],
        reference: Mapping[str, Range], parcels: Edges | None,
    ) -> None:  # fmt: skip
        self._recipe, self._drivers, self._reference, self._edges = recipe, drivers, reference, parcels
        n_planes = [2 + len(of_scenario) for of_scenario in drivers]  # see `novelty_planes`
        self.cells = np.zeros(sum(n_planes))
        self.parcels = np.zeros((parcels.polygons, sum(n_planes))) if parcels is not None else None
        starts = [0, *np.cumsum(n_planes)[:-1].tolist()]
        self._outside, self._weights = [start + 1 for start in starts], tuple(weights)

    def share(self, block: Window) -> FloatArray:
        """Return the weighted share of scenarios outside the present range, (rows, cols), and count the block.

        Blocks must come in one order, independent of the tiles.
        """
        planes = novelty_planes(self._recipe, self._drivers, self._reference, block)
        self.cells += np.count_nonzero(planes, axis=(1, 2))
        if self._edges is not None and self.parcels is not None:
            add_shares(self._edges, block, planes, self.parcels)
        share = np.zeros(block.shape)
        for weight, outside in zip(self._weights, self._outside, strict=True):
            share += weight * planes[outside]
        return share.astype(np.float32)


def threshold(plan: Plan, case_plan: Plan) -> float:
    """Return the suitability that land must reach in a scenario to count as suitable there."""
    return case_plan.rules.cuts[("S1", "S2", "S3").index(plan.scenario_summary.at_least)]


def _output(plan: Plan, present: Plan) -> Output:
    folder = present.case.summary_folder
    name = f"{folder}/{NAME}" if folder else NAME
    at_least, cut = plan.scenario_summary.at_least, threshold(plan, present)
    bands = (
        Band(f"share of futures with {at_least} or better (suitability {cut:g} or more)", "1"),
        *(Band(f"{statistic} suitability of all futures", "1") for statistic in ("least", "median", "greatest")),
        Band("share of futures in which some replaced layer is outside the region's present range", "1"),
    )
    tags = {"SOFTWARE": "underoak", "TITLE": plan.title, "FUTURES_WEIGHED": plan.scenario_summary.weigh}
    return Output(RasterLayout(name, "float32", float("nan"), bands, tags), None, averaged=True)


def _spool_blocks(
    output: Output, scenarios: Sequence[Plan], plan: Plan, spool: Spool, grid: Grid, stage: Path, sums: _NoveltySums
) -> dict[str, int]:
    """Spool the blocks of full size and of the first overview, tile by tile. Return the counts of shares."""
    name, has_overview = output.layout.name, levels(grid) > 0
    at_least, weights = threshold(plan, scenarios[0]), plan.scenario_weights
    counts = dict.fromkeys(("known", "all", "four_fifths", "half", "none"), 0)
    with ExitStack() as stack:
        readers = [_SuitabilityReader(stage / scenario.case.folder, stack) for scenario in scenarios]
        for tile in grid.tiles(TILE):
            cells = np.empty((5, *tile.shape), np.float32)
            for block in block_windows(tile):
                values = np.stack([reader.suitability(block) for reader in readers])
                values[:, (values < 0).all(axis=0)] = np.nan
                rows, cols = block.relative_to(tile).slices
                cells[:4, rows, cols] = robustness(np.maximum(values, 0.0), at_least, weights)
                cells[4, rows, cols] = np.where(np.isnan(cells[0, rows, cols]), np.nan, sums.share(block))
            _count_shares(cells[0], counts)
            for block in block_windows(tile):
                rows, cols = block.relative_to(tile).slices
                figures = block_figures(cells[:, rows, cols], output.layout.nodata)
                spool.add_part(figures_key(output), (block.row // BLOCK, block.col // BLOCK), figures)
            encoded = list(encoded_blocks(cells, output, 0, tile))
            encoded += encoded_blocks(halve(cells, output), output, 1, tile) if has_overview else []
            for key, data in encoded:
                spool.add_block(name, key, data)
    return counts


def _count_shares(share: FloatArray, counts: dict[str, int]) -> None:
    known = share[~np.isnan(share)]
    counts["known"] += known.size
    for name, least in (("all", 1.0), ("four_fifths", 0.8), ("half", 0.5)):
        counts[name] += int(np.count_nonzero(known >= least - _SUMS))
    counts["none"] += int(np.count_nonzero(known <= _SUMS))


class _SuitabilityReader:
    """A reader of the suitability of one scenario that tells excluded cells from missing ones."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._suitability, self._class = (
            stack.enter_context(open_finished(folder, name)) for name in (SUITABILITY_TIF, CLASS_TIF)
        )

    def suitability(self, block: Window) -> FloatArray:
        """Return suitability 0..1, (rows, cols): NaN where missing, -1 where excluded."""
        values = self._suitability.values(block).astype(np.float32)
        values[self._class.stored(block) == EXCLUDED] = -1.0
        return values
