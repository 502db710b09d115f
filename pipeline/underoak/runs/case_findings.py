"""The findings of every case: counts, and the tables of parcels and zones with ranks, verdicts and pairs."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from underoak.base.grid import Grid, Window
from underoak.decision.deal.ledger import with_deal
from underoak.decision.ground.neighbour_files import with_neighbours
from underoak.decision.rules.evaluation import with_rules
from underoak.decision.water.held_water import water_of
from underoak.decision.water.parcel_columns import with_chance_held, with_years
from underoak.decision.water.single_years import years_record
from underoak.engine.judge.counts import CaseCounts
from underoak.engine.prepare.prepare import PreparedCase
from underoak.engine.storage.records.year_records import WaterHeld, YearsRecord
from underoak.engine.storage.spool import Spool
from underoak.engine.write.checksums import software
from underoak.engine.write.cog import BLOCK
from underoak.indicators import cell_areas, cell_metres
from underoak.places import find_zones, mark_cut_zones, overlap_warning, parcel_table, range_of, reading
from underoak.places.columns.column import arrange
from underoak.places.columns.parcels import PARCELS
from underoak.places.columns.zones import ZONES
from underoak.places.lab.calibration import calibrated, calibration_warnings
from underoak.places.lab.effect import with_lab
from underoak.places.parcels.usable import UsableLand, usable_land, usable_shares
from underoak.places.planting.planting import spacing_of
from underoak.places.planting.row_frames import trees_that_fit
from underoak.places.verdicts.mean_draws import after_lab
from underoak.places.verdicts.rank_order import Order, order_of, with_order
from underoak.places.verdicts.remedy_chances import with_remedy_chances
from underoak.places.verdicts.saved_cells import SavedCells
from underoak.places.verdicts.sensitivity import FirstTwo, swap_of_first_two
from underoak.places.verdicts.shared_failure import shared_failure_of
from underoak.places.verdicts.verdicts import with_verdicts
from underoak.places.wild.share_warnings import unusual_share
from underoak.places.wild.zone_draws import COLUMN, s2_shares
from underoak.plan.case import Case
from underoak.report import Findings
from underoak.report.page.pair_columns import with_pairs
from underoak.runs.prepared_run import MOST_COMPARED, PreparedRun
from underoak.uncertainty import Coverage
from underoak.uncertainty.outcomes.shared_failure import SharedFailure

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from underoak.places.parcels.case_reducers import ParcelResults
    from underoak.places.parcels.draws import ParcelDraws
    from underoak.places.parcels.parcel_sums import ParcelSums


@dataclass(frozen=True)
class _ParcelFindings:
    """A table of the parcels of a case, with what was computed beside it."""

    table: pd.DataFrame | None = None
    first_two: FirstTwo | None = None
    calibration: Mapping[str, Coverage] = field(default_factory=dict)
    order: Order | None = None
    shared: SharedFailure | None = None
    draws: ParcelDraws | None = None
    years: YearsRecord | None = None
    water_held: tuple[WaterHeld, ...] = ()


def collect_findings(ready: PreparedRun, spool: Spool, stage: Path, started: datetime.datetime) -> list[Findings]:
    """Return the findings of every case; their rasters are in the stage already. Warnings go to `ready.problems`."""
    findings: list[Findings] = []
    draws: dict[Case, ParcelDraws] = {}
    for case in ready.prepared.cases:
        parcels = _ParcelFindings()
        if ready.parcels is not None:
            # the results get no name here, so that their memory is free before maps and tables are written
            parcels = _parcel_findings(ready, case, ready.reducers[case.case].results(spool), stage)
        if parcels.draws is not None:
            draws[case.case] = parcels.draws
        if parcels.table is not None and not findings and len(parcels.table) > MOST_COMPARED:
            overlap = overlap_warning(parcels.table)
            ready.problems.extend([overlap] if overlap else [])
        findings.append(_findings(ready, case, _counts(spool, case), parcels, stage, started))
    return with_pairs(findings, ready.prepared, ready.parcels, draws)


def _counts(spool: Spool, case: PreparedCase) -> CaseCounts:
    """Return the counts of a case, in order; its layers have the plan's names."""
    total = spool.notes
    missing = {name: total.missing[stacked] for name, stacked in case.stacked.items() if stacked in total.missing}
    return replace(total.of(case.case).in_order(), inside=total.inside, missing=missing)


def _findings(
    ready: PreparedRun, case: PreparedCase, counts: CaseCounts, parcels: _ParcelFindings, stage: Path,
    started: datetime.datetime,
) -> Findings:  # fmt: skip
    grid, plan = ready.grid, case.plan
    if case.case.is_present:
        ready.problems.extend(unusual_share(plan, counts.classes, ready.prepared))
    return Findings(
        plan=plan,
        grid=grid,
        parcels=parcels.table,
        zones=_zones(ready, case, stage),
        counts=counts,
        facts=case.facts,
        units=case.units,
        grains={name: _grain_m(case, name) for name in case.facts},
        cell_ha=float(cell_areas(grid, _middle(grid))[0, 0]) / 1e4,
        warnings=tuple(ready.problems.warnings),
        started=started,
        versions=software(),
        months=case.months,
        first_two=parcels.first_two,
        calibration=parcels.calibration,
        order=parcels.order,
        shared=parcels.shared,
        uncertainty=case.uncertainty_record,
        years=parcels.years,
        water_held=parcels.water_held,
        deal=ready.deal,
        rules=ready.rules,
    )


def _parcel_findings(ready: PreparedRun, case: PreparedCase, results: ParcelResults, stage: Path) -> _ParcelFindings:
    """Rank the parcels of a case, and save its sampled cells for `sensitivity`."""
    plan, problems = case.plan, ready.problems
    lab = with_lab(plan, case, ready.grid, results.sums, results.cells, problems, ready.parcels)
    sums, cells = lab.sums, lab.cells
    usable = _usable(ready, case, sums, stage)
    table = parcel_table(plan, sums, cells, lab.findings if plan.spec.lab is not None else None, usable)
    if case.case.is_present and ready.near:
        assert ready.parcels is not None
        table = arrange(with_neighbours(table, ready.near, ready.parcels), PARCELS)
    first_two = swap_of_first_two(table, sums.ids, cells, [c.name for c in plan.criteria], plan.rules)
    saved = SavedCells.of(plan, case, ready.grid, table, sums.ids, cells, lab.by_parcel)
    if saved is not None:
        saved.write(stage / case.case.folder)
    calibration = {}
    if case.case.is_present:
        calibration = calibrated(lab.by_parcel)
        problems.extend(calibration_warnings(calibration))
    years, water_held = _years(ready, case, table)
    table = table if years is None else with_years(table, years, water_held)
    if results.draws is None:
        table = _with_deal(ready, case, table)
        return _ParcelFindings(table, first_two, calibration, years=years, water_held=water_held)
    draws = after_lab(plan, results.draws, lab, plan.spec.lab.mode if plan.spec.lab is not None else "")
    table, order, shared = draws.add_to(table, plan.rules), None, None
    if case.case.is_present:
        table = with_verdicts(plan, case.units, table, draws)
        table = with_chance_held(with_remedy_chances(plan, table, draws, cells), water_held)
        shared = shared_failure_of(table, draws, plan.rules)
        order = order_of(plan, table, draws, cells, lab.changed)
        table = _with_deal(ready, case, table if order is None else with_order(table, order))
    return _ParcelFindings(table, first_two, calibration, order, shared, draws, years, water_held)


def _years(
    ready: PreparedRun, case: PreparedCase, table: pd.DataFrame
) -> tuple[YearsRecord | None, tuple[WaterHeld, ...]]:
    """Return what single years brought to the parcels, and the water held against them; nothing in a scenario."""
    if ready.years is None or ready.parcels is None or not case.case.is_present:
        return None, ()
    record = years_record(case.plan, ready.years, ready.parcels, ready.prepared.region.latitude)
    is_judged = table["rank"].notna()
    usable = dict(zip(table["id"][is_judged], table["usable_ha"][is_judged].astype(float), strict=True))
    return record, water_of(case.plan, ready.years.series.get("rain"), record.limits, usable, ready.parcels.ids)


def _with_deal(ready: PreparedRun, case: PreparedCase, table: pd.DataFrame) -> pd.DataFrame:
    """Return the table of a present with deal, answer and the user's rules, in declared order."""
    if not case.case.is_present:
        return table
    return arrange(with_rules(with_deal(table, ready.deal), ready.rules, case.plan.spec), PARCELS)


def _usable(ready: PreparedRun, case: PreparedCase, sums: ParcelSums, stage: Path) -> UsableLand:
    """Return the usable land of the parcels; trees in rows are counted unless the ground is wild."""
    plan, parcels, trees = case.plan, ready.parcels, None
    assert parcels is not None
    if plan.purpose != "restore":
        shares, spacing = np.nan_to_num(usable_shares(sums)), spacing_of(plan.profile).metres
        trees = trees_that_fit(parcels.shapes, parcels.crs, spacing, shares, ready.grid, stage / case.case.folder)
    return usable_land(sums, plan.spec.verdict.usable_ha(plan.purpose), trees)


def _zones(ready: PreparedRun, case: PreparedCase, stage: Path) -> gpd.GeoDataFrame | None:
    plan, folder = case.plan, stage / case.case.folder
    if plan.zones is None:
        return None
    with reading(folder) as (read, grid):
        zones = find_zones(
            read, grid, [c.name for c in plan.criteria], plan.zones.at_least, plan.zones.min_area_m2,
            plan.zones.connect, BLOCK, plan.rules.cuts, plan.zones.max_area_m2(plan.purpose),
        )  # fmt: skip
    shares = s2_shares(folder, ready.grid, zones.geometry.to_numpy())
    if shares is not None:
        zones = arrange(zones.assign(**{COLUMN: shares}), ZONES)
    return mark_cut_zones(zones, range_of(plan, ready.prepared)) if plan.purpose == "restore" else zones


def _grain_m(case: PreparedCase, name: str) -> float:
    """Return the grain of a layer's source [m]: the plan's, else the side of the file's cells."""
    grain_m = case.plan.layers[name].grain_m
    if grain_m is not None:
        return float(grain_m)
    grid = next(layer for layer in case.layers if layer.name == name).source_layer.grid
    sizes = cell_metres(grid, _middle(grid))[0]
    return math.sqrt(abs(float(sizes.dx[0] * sizes.dy[0])))


def _middle(grid: Grid) -> Window:
    return Window(grid.rows // 2, grid.cols // 2, 1, 1)
