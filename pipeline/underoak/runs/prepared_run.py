"""A plan made ready to run: inputs opened and checked, parcels read, and the work on every tile."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from underoak.base.errors import Fault, Problems, UnderoakError, count_of
from underoak.base.grid import Grid
from underoak.engine.prepare.case_faults import FailedScenario
from underoak.engine.prepare.estimate import Workload
from underoak.engine.prepare.overlap import bounds_in_degrees, extent_words
from underoak.engine.prepare.prepare import Prepared, PreparedCase, prepare
from underoak.engine.progress import Progress
from underoak.engine.workers.tile import CaseJob, TileJob
from underoak.engine.write.categories import SIDECAR
from underoak.engine.write.outputs import standard_outputs
from underoak.engine.write.uncertainty_outputs import uncertainty_outputs
from underoak.places import exclude_non_native
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.runs.run_files import result_names

if TYPE_CHECKING:
    from underoak.decision.deal.ledger import Ledger
    from underoak.decision.ground.neighbours import NearShapes
    from underoak.places.geometry.parcel_shapes import Parcels
    from underoak.places.parcels.case_reducers import ParcelReducers
    from underoak.places.series.values import YearsOfParcels
    from underoak.plan.keys.decision.rules import RuleSpec

MOST_COMPARED = 50_000  # parcels whose outlines are compared; of more, the cells are


@dataclass(frozen=True)
class PreparedRun:
    """A run before its first tile. `problems` collects the warnings of the whole run."""

    plan: Plan
    prepared: Prepared
    parcels: Parcels | None
    near: tuple[NearShapes, ...]  # files of what lies near the parcels
    reducers: Mapping[Case, ParcelReducers]  # empty without parcels
    job: TileJob
    problems: Problems
    years: YearsOfParcels | None = None  # series of single years; None without `years`
    rules: tuple[RuleSpec, ...] = ()  # of the user's own
    deal: Ledger | None = None  # None where the plan asks for none, or has no parcels

    @property
    def grid(self) -> Grid:
        """The analysis grid."""
        return self.prepared.grid

    @property
    def workload(self) -> Workload:
        """The size of the run, for an estimate."""
        sampled_cells = max((reducers.cells.most_cells for reducers in self.reducers.values()), default=0)
        return Workload.of(self.plan, self.job, self.prepared, self.parcels, sampled_cells)

    @property
    def result_names(self) -> list[str]:
        """The files that the run will write, as far as they are known."""
        layouts = [output.layout for output in self.job.outputs]
        sidecars = (layout.name + SIDECAR for layout in layouts if layout.categories is not None)
        return result_names(self.plan, (*(layout.name for layout in layouts), *sidecars))


def prepare_run(
    plan: Plan, progress: Progress, *, strict: bool = False, deep: bool = False,
    failed: tuple[FailedScenario, ...] = (),
) -> PreparedRun:  # fmt: skip
    """Open, check and read all inputs of a plan; warnings on layers and region are reported at once.

    Scenarios whose own inputs have faults are left out; `failed` are those that were left out before.

    Raises:
        UnderoakError: with every fault; with every warning too if `strict`.
    """
    prepared = exclude_non_native(plan, _prepare_layers(plan, strict, deep, failed), strict)
    plan = prepared.plan
    progress.log(
        "run_start",
        plan=str(plan.path) if plan.path else None,
        title=plan.title,
        plan_sha256=plan.hash,
        grid=asdict(prepared.grid),
        layers=[layer.name for layer in prepared.recipe.stack.layers],
        views=[ready.case.folder for ready in prepared.cases],
    )
    for fault in prepared.warnings:
        progress.warn(fault)
    problems = Problems(warnings=list(prepared.warnings))
    parcels = _read_parcels(plan, prepared.grid, problems, strict)
    reducers = {} if parcels is None else _reducers(prepared, parcels)
    if parcels is not None and plan.spec.lab is not None:
        _check_lab(prepared, parcels, problems, strict)
    deal = None if parcels is None else _read_deal(plan, parcels, problems, strict)
    rules = _read_rules(plan, problems)
    years = _read_years(plan, parcels, problems, strict)
    jobs = tuple(_case_job(ready, prepared, reducers.get(ready.case)) for ready in prepared.cases)
    near = _read_neighbours(plan, prepared.grid, problems, strict)
    return PreparedRun(
        plan, prepared, parcels, near, reducers, TileJob(prepared.recipe, jobs), problems, years, rules, deal
    )


def _prepare_layers(plan: Plan, strict: bool, deep: bool, failed: tuple[FailedScenario, ...]) -> Prepared:
    """Open and check region and layers; faults of the parcels' and the lab's file are reported with theirs."""
    try:
        return prepare(plan, strict=strict, deep=deep, failed=failed)
    except UnderoakError as error:
        problems = Problems()
        problems.extend(error.faults)
        if plan.parcels is not None:
            from underoak.places import read_parcels

            spec, of_parcels, parcels = plan.parcels, Problems(), None
            try:
                parcels = read_parcels(plan.base / spec.file, spec.id, plan.region.crs, of_parcels, spec.features)
            except UnderoakError as more:
                of_parcels.add_error(more)
            problems.extend(of_parcels.faults)
            problems.extend([] if parcels is None or of_parcels.faults else _lab_faults(plan, parcels))
        raise UnderoakError(*problems.faults, *problems.warnings) from error


def _lab_faults(plan: Plan, parcels: Parcels) -> list[Fault]:
    """Return the faults of the lab's file, as far as they can be known while layers have faults of their own."""
    if plan.spec.lab is None:
        return []
    from underoak.places import read_lab

    problems = Problems()
    for case_plan in plan.cases:
        units = {name: layer.to or layer.unit or "" for name, layer in case_plan.layers.items()}
        if all(units.values()):  # else a file decides, and it may be the one with the fault
            try:
                read_lab(case_plan, units, parcels.ids, problems, parcels)
            except UnderoakError as error:
                problems.add_error(error)
    return problems.faults


def _read_parcels(plan: Plan, grid: Grid, problems: Problems, strict: bool) -> Parcels | None:
    if plan.parcels is None:
        return None
    from underoak.places import read_parcels

    n_before, spec = len(problems.warnings), plan.parcels
    parcels = read_parcels(plan.base / spec.file, spec.id, grid.crs, problems, spec.features)
    if parcels is not None:
        _check_places(parcels, grid, problems)
        overlap = _overlap(parcels)
        problems.extend([overlap] if overlap else [])
    problems.stop_if_any(strict and len(problems.warnings) > n_before)
    assert parcels is not None
    return parcels


def _read_neighbours(plan: Plan, grid: Grid, problems: Problems, strict: bool) -> tuple[NearShapes, ...]:
    if not plan.spec.neighbours:
        return ()
    from underoak.decision.ground.neighbour_files import read_neighbours

    n_before = len(problems.warnings)
    near = read_neighbours(plan, grid.crs, problems)
    problems.stop_if_any(strict and len(problems.warnings) > n_before)
    return near


def _overlap(parcels: Parcels) -> Fault | None:
    """Return W430 for parcels that overlap; of very many, the run tells by their cells."""
    import pandas as pd

    from underoak.places.geometry.parcel_shapes import overlap_shares
    from underoak.places.parcels.ranking import overlap_warning

    if len(parcels) > MOST_COMPARED:
        return None
    columns = {"id": parcels.ids, "area_ha": parcels.area_ha, "overlap_share": overlap_shares(parcels)}
    return overlap_warning(pd.DataFrame(columns))


def _check_places(parcels: Parcels, grid: Grid, problems: Problems) -> None:
    """Refuse parcels of which none meets the region (E421), and count those that do not (W422)."""
    import shapely

    shapes = parcels.shapes[[shape is not None for shape in parcels.shapes]]
    outside = int(np.count_nonzero(~shapely.intersects(shapes, shapely.box(*grid.bounds))))
    if not outside:
        return
    if outside < len(shapes):
        what = f"{outside} of {count_of(len(parcels), 'parcel')} lie outside the region and are not judged"
        problems.add("W422", what, "parcels", "widen the region, or take them off the list")
        return
    low_x, low_y, high_x, high_y = map(float, shapely.total_bounds(shapes))
    bounds = low_x, low_y, high_x, high_y
    lies = f"they lie in {extent_words(bounds, grid.crs)}, the region in {extent_words(grid.bounds, grid.crs)}"
    west, south, east, north = bounds_in_degrees(bounds, grid.crs)
    left, bottom, right, top = bounds_in_degrees(grid.bounds, grid.crs)
    is_swapped = south <= right and left <= north and west <= top and bottom <= east
    fix = (
        "latitude and longitude look swapped: write them as longitude, latitude"
        if is_swapped
        else ("correct the region, or the coordinate reference system of the parcels")
    )
    problems.add("E421", f"none of the parcels lies in the region: {lies}", "parcels", fix)


def _reducers(prepared: Prepared, parcels: Parcels) -> dict[Case, ParcelReducers]:
    from underoak.places import drop_non_native
    from underoak.places.parcels.case_reducers import parcel_reducers

    by_case = {}
    for ready in prepared.cases:
        reducers = parcel_reducers(ready, parcels, prepared.recipe)
        sums = drop_non_native(reducers.sums, ready.plan, parcels, prepared)
        by_case[ready.case] = replace(reducers, sums=sums)
    return by_case


def _check_lab(prepared: Prepared, parcels: Parcels, problems: Problems, strict: bool) -> None:
    from underoak.places import read_lab

    for ready in prepared.cases:
        read_lab(ready.plan, ready.units, parcels.ids, problems, parcels)
    problems.stop_if_any(strict)


def _read_years(plan: Plan, parcels: Parcels | None, problems: Problems, strict: bool) -> YearsOfParcels | None:
    """Read the series of single years, and check the sources of water against them."""
    if parcels is None:
        return None
    from underoak.decision.water.checks import check_water_supply, check_years
    from underoak.places.series.reading import read_years

    n_before = len(problems.warnings)
    years = read_years(plan, parcels, problems)
    check_water_supply(plan, parcels.ids, problems)
    if years is not None:
        check_years(plan, years, parcels.ids, problems)
    problems.stop_if_any(strict and len(problems.warnings) > n_before)
    return years


def _read_rules(plan: Plan, problems: Problems) -> tuple[RuleSpec, ...]:
    from underoak.decision.rules.reading import read_rules

    rules = read_rules(plan, problems)
    problems.stop_if_any()
    return rules


def _read_deal(plan: Plan, parcels: Parcels, problems: Problems, strict: bool) -> Ledger | None:
    from underoak.decision.deal.reading import read_ledger

    n_before = len(problems.warnings)
    ledger = read_ledger(plan, parcels, problems)
    problems.stop_if_any(strict and len(problems.warnings) > n_before)
    return ledger


def _case_job(ready: PreparedCase, prepared: Prepared, reducers: ParcelReducers | None) -> CaseJob:
    """Return the rasters and the reducers of one case."""
    plan, uncertainty = ready.plan, prepared.recipe.by_case[ready.case].uncertainty
    criteria, dtype = [criterion.name for criterion in plan.criteria], plan.outputs.dtype
    outputs = standard_outputs(plan.title, criteria, dtype, plan.rules.missing == "renormalise", ready.case)
    if uncertainty is not None:
        outputs += uncertainty_outputs(plan.title, uncertainty, dtype, ready.case)
    if reducers is None:
        return CaseJob(ready.case, tuple(outputs))
    return CaseJob(ready.case, tuple(outputs), (reducers.sums, reducers.cells), reducers.draws)
