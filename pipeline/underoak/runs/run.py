"""A run of a plan: land judged tile by tile, parcels and zones ranked, the run folder written."""

from __future__ import annotations

import datetime
import os
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from underoak.base.codes import EXCLUDED
from underoak.base.errors import Fault, Problems
from underoak.base.memory_errors import refuse_without_room, report_shortage
from underoak.engine.judge.counts import CLASS_CODES, TileCounts
from underoak.engine.prepare.case_faults import CaseFaults, FailedScenario, LayerFaults
from underoak.engine.prepare.estimate import Allowance, estimate, fit_memory, refuse_large_files
from underoak.engine.prepare.file_checks import check_contradictions, check_layer_values
from underoak.engine.prepare.input_blocks import verify_inputs
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.prepare.value_ranges import ConstantCriterion, constant_faults
from underoak.engine.progress import Progress
from underoak.engine.scenario_rasters import ScenarioCounts, write_scenario_summary
from underoak.engine.stop import Stop
from underoak.engine.storage.identity import Identity
from underoak.engine.storage.input_files import Inputs, file_states
from underoak.engine.storage.published import Published
from underoak.engine.storage.resume import open_spool
from underoak.engine.storage.run_folder import RunFolder
from underoak.engine.storage.spool import TILE, Spool
from underoak.engine.workers.cluster_address import Address
from underoak.engine.workers.runner import build_overviews, correct_counts, whole_tiles, write_rasters
from underoak.layers.formats.gdal import gdal_settings
from underoak.layers.quantile_layers import report_crossing
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.runs.case_findings import collect_findings
from underoak.runs.finished_run import Run
from underoak.runs.judging import judge_tiles, noted_reads
from underoak.runs.prepared_run import PreparedRun, prepare_run
from underoak.runs.results import RunFacts, write_results
from underoak.runs.run_files import input_files, named_files


@report_shortage("making this run")
def run(
    plan: Plan,
    *,
    out: Path | str | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    tile: int | None = None,
    memory: int | None = None,
    resume: bool | None = None,
    progress: Progress | None = None,
    strict: bool = False,
    stop: Stop | None = None,
    seed: int | None = None,
) -> Run:
    """Judge the land of a plan and write the run folder.

    Args:
        plan: from `load_plan`.
        out: the run folder. Default: the plan's `outputs.folder`.
        workers: number of threads. Default: one per core. The results do not depend on it.
        cluster: `local:N`, or a scheduler's address; its workers judge instead. The results do not depend on it.
        tile: cells along a tile's side, rounded up to whole blocks. The results do not depend on it.
        memory: limit on the memory of the process [bytes]; an estimate sets fewer workers and smaller tiles. Default:
            that of the container, if there is one.
        resume: what to do with the tiles of a stopped run in the folder. None: reuse them if plan, inputs and software
            are unchanged, else leave them; True: reuse them, E602 if something has changed; False: delete them.
        progress: receives messages. Default: none are sent.
        strict: warnings stop the run.
        stop: asks the run to end early; its finished tiles are saved.
        seed: random seed. Default: the plan's.

    Raises:
        UnderoakError: with every fault found before computing starts, or the one that stopped it; no file is then
            left half-written under a final name, and finished tiles are saved. E503 if memory runs out.
    """
    refuse_without_room("making this run")
    plan = plan if seed is None else plan.with_seed(seed)
    options = _Options(
        folder=Path(out) if out is not None else plan.base / plan.outputs.folder,
        threads=workers or os.cpu_count() or 1, tile=whole_tiles(tile or TILE), address=Address.usable(cluster),
        memory=memory, resume=resume, strict=strict, start=time.monotonic(),
        started=datetime.datetime.now(datetime.UTC),
    )  # fmt: skip
    progress, stop = progress or Progress("none"), stop or Stop()
    failed: tuple[FailedScenario, ...] = ()
    while True:
        try:
            return _run(plan, options, failed, progress, stop)
        except _ScenariosFailed as error:
            failed = (*failed, *error.scenarios)
            plan = plan.without_scenarios(frozenset(scenario.name for scenario in error.scenarios))
            options = replace(options, resume=False)  # the tiles just judged are of another plan
            progress.say(f"Starting again without: {error}.")


@dataclass(frozen=True)
class _Options:
    """The options of a run, resolved."""

    folder: Path
    threads: int
    tile: int
    address: Address | None
    memory: int | None
    resume: bool | None
    strict: bool
    start: float  # of `time.monotonic`
    started: datetime.datetime


class _ScenariosFailed(Exception):
    """A signal that inputs of some scenarios turned out wrong on the way: the rest is judged without them."""

    def __init__(self, scenarios: tuple[FailedScenario, ...]) -> None:
        super().__init__(", ".join(scenario.name for scenario in scenarios))
        self.scenarios = scenarios


def _run(plan: Plan, options: _Options, failed: tuple[FailedScenario, ...], progress: Progress, stop: Stop) -> Run:
    folder, threads, size, address = options.folder, options.threads, options.tile, options.address
    states = file_states(named_files(plan))
    allowance = Allowance.of(options.memory) if address is None else Allowance(None)
    refuse_large_files(plan, allowance)
    ready = prepare_run(plan, progress, strict=options.strict, failed=failed)
    plan = ready.plan
    with progress.step("checksums of inputs"):
        inputs = Inputs(input_files(plan, ready.prepared), plan.base, plan.path, states)
        _check_blocks(ready, inputs, threads, options.strict)
    identity = Identity.of(plan, ready.grid, inputs.sums, ready.job.outputs)
    threads, size = fit_memory(allowance, ready.workload, threads, size)
    needs = estimate(ready.workload, threads, size)
    with (
        RunFolder(folder, ready.result_names) as run_folder,
        open_spool(
            run_folder, identity, ready.grid, inputs.state, needs.disk_mb, options.resume, progress, options.strict
        ) as spool,
        noted_reads(ready, run_folder),
    ):
        when: dict[str, Any] = {"started": options.started.isoformat(timespec="seconds"), "tile": size}
        when["tiles_kept"] = spool.tiles
        when["workers"] = judge_tiles(ready.job, spool, size, address, threads, progress, stop, inputs)
        state = inputs.state
        if when["tiles_kept"] or address is not None:
            correct_counts(ready.job, spool.notes)
        # these depend on the tile size: neighbouring tiles read some cells twice
        when["source_cells"] = {"read": spool.notes.read, "implausible": spool.notes.implausible}
        _check_counts(ready, spool.notes, options.strict)
        _check_constant(ready, spool.notes)
        shares = _write_rasters(ready, spool, run_folder.stage, progress, threads)
        progress.start("tables, maps and report", 0)
        findings = collect_findings(ready, spool, run_folder.stage, options.started)
        ready.problems.stop_if_any(options.strict)
        for fault in ready.problems.warnings:
            if fault not in ready.prepared.warnings:
                progress.warn(fault)
        periods = {scenario.name: scenario.period or "" for scenario in ready.plan.spec.scenarios}
        outline, failed = ready.prepared.region.simple_outline, ready.prepared.failed
        facts = RunFacts(inputs.records, when, options.start, outline, periods, folder, failed)
        write_results(ready, run_folder.stage, findings, shares, facts)
        progress.finish()
        inputs.check()
        if inputs.state != state:
            raise inputs.touched_error()
        with stop.patient():
            run_folder.publish()
    published = Published.open(folder)
    when_done = published.manifest.when
    progress.log(
        "run_done", folder=str(folder), seconds=when_done.seconds, peak_mb=when_done.peak_mb,
        outputs=[asdict(file) for file in published.manifest.outputs],
    )  # fmt: skip
    return Run(folder, published.manifest, tuple(findings), published)


def _write_rasters(
    ready: PreparedRun, spool: Spool, stage: Path, progress: Progress, threads: int
) -> dict[Case, ScenarioCounts]:
    """Write the rasters of all cases, and the scenario raster of each species. Return the counts over scenarios."""
    outputs = ready.job.outputs
    with progress.step("overviews"):
        build_overviews(spool, outputs, ready.grid, threads)
    with progress.step("rasters"):
        write_rasters(spool, outputs, ready.grid, stage)
    if not ready.plan.scenarios_of:
        return {}
    with progress.step("futures"):
        edges = None if ready.parcels is None else ready.parcels.on(ready.grid)
        return write_scenario_summary(ready.plan, ready.prepared, spool, stage, edges)


def _check_blocks(ready: PreparedRun, inputs: Inputs, threads: int, strict: bool) -> None:
    """Stop at damaged inputs, or leave out the scenarios that alone read them."""
    faults = CaseFaults(ready.problems)
    for report in verify_inputs(ready.prepared.recipe.stack, inputs, threads):
        faults.add(_cases_with(ready, report), report.faults)
    _stop_or_leave_out(faults, strict)


def _cases_with(ready: PreparedRun, report: LayerFaults) -> list[Case]:
    return [each.case for each in ready.prepared.cases if report.layers & each.stacked_names]


def _stop_or_leave_out(faults: CaseFaults, strict: bool) -> None:
    faults.stop_if_any(strict)
    if faults.failed:
        raise _ScenariosFailed(faults.failed)


def _check_counts(ready: PreparedRun, counts: TileCounts, strict: bool) -> None:
    """Stop before anything is written if too many values were dropped, or if no cell can be judged."""
    prepared, faults = ready.prepared, CaseFaults(ready.problems)
    labels = {name: label for each in reversed(prepared.cases) for name, label in each.labels.items()}
    for report in _dropped_values(prepared, counts):
        _replace_warnings(ready.problems, report.faults)
        faults.add(_cases_with(ready, report), report.faults)
    for each in prepared.cases:
        case_counts, of_case = counts.of(each.case), Problems()
        for layer, n_crossing in sorted(case_counts.crossing.items()):
            report_crossing(n_crossing, case_counts.drawn[layer], labels[layer][0], of_case)
        if not any(code in (*CLASS_CODES, EXCLUDED) for code in case_counts.classes):
            blank = [
                name for name, stacked in each.stacked.items() if counts.missing.get(stacked, -1) == counts.inside > 0
            ]
            reason = f": {', '.join(blank)} has no value anywhere in it" if blank else ""
            of_case.add("E250", f"nothing to judge in the region{reason}", "region", "check area, nodata and overlap")
        faults.add([each.case], [*of_case.faults, *of_case.warnings])
    _stop_or_leave_out(faults, strict)


def _check_constant(ready: PreparedRun, counts: TileCounts) -> None:
    """Warn of criteria by which all judged land of a present is the same, unless a sample has told so."""
    for each in ready.prepared.cases:
        reported = {criterion.name for criterion in ready.prepared.constant.get(each.case, ())}
        case_counts = counts.of(each.case)
        if not each.case.is_present or case_counts.judged < 2:
            continue
        constant = [
            ConstantCriterion(criterion.name, value, None, "", each.plan.layers[criterion.layer].to is not None)
            for criterion in each.plan.criteria
            if (value := case_counts.constant.get(criterion.name)) is not None and criterion.name not in reported
        ]
        ready.problems.extend(constant_faults(constant, each.case, "all judged land"))


def _dropped_values(prepared: Prepared, counts: TileCounts) -> list[LayerFaults]:
    """Count every cell of the layers that had values dropped, and return what is wrong with them."""
    dropped = frozenset(name for name, count in counts.implausible.items() if count)
    stack = prepared.recipe.stack
    with gdal_settings():
        reports = check_contradictions(stack, every_cell=True, is_sampled_only=True)
        return [*(check_layer_values(stack, every_cell=True, names=dropped)[0] if dropped else ()), *reports]


def _replace_warnings(problems: Problems, faults: Sequence[Fault]) -> None:
    """Take away the warnings of a sample that were counted anew over every cell."""
    counted = {(fault.code, fault.where) for fault in faults}
    problems.warnings[:] = [fault for fault in problems.warnings if (fault.code, fault.where) not in counted]
