"""One function does the job: `run(plan)` judges the ground, ranks it, and leaves a run folder behind."""

from __future__ import annotations

import datetime
import os
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.base.errors import Problems
from underoak.engine.judge.recipe import TileCounts
from underoak.engine.judge.reducer import DrawReducer, Reducer
from underoak.engine.judge.warm_up import is_compiled
from underoak.engine.prepare.estimate import Estimate, Workload, estimate, fit_memory
from underoak.engine.prepare.prepare import Prepared, prepare
from underoak.engine.prepare.timing_trial import trial
from underoak.engine.progress import Progress, duration
from underoak.engine.scenario_rasters import ScenarioCounts, write_futures
from underoak.engine.stop import Stop
from underoak.engine.storage.disk import check_room
from underoak.engine.storage.identity import Identity
from underoak.engine.storage.input_files import Inputs, file_states
from underoak.engine.storage.manifest import read_manifest
from underoak.engine.storage.resume import open_spool
from underoak.engine.storage.run_folder import RunFolder, refuse_foreign
from underoak.engine.storage.spool import TILE
from underoak.engine.workers.cluster import pool_of
from underoak.engine.workers.cluster_address import Address
from underoak.engine.workers.runner import (
    build_overviews,
    correct_counts,
    reducer_results,
    run_tiles,
    whole_tiles,
    write_rasters,
)
from underoak.engine.workers.tile import TileJob
from underoak.engine.write.outputs import Output, standard_outputs
from underoak.engine.write.uncertainty_outputs import uncertainty_outputs
from underoak.layers.quantile_layers import report_crossing
from underoak.places import drop_non_native, exclude_non_native
from underoak.plan.plan import Plan
from underoak.report.text.check_words import checked_lines
from underoak.runs.finished_run import Run
from underoak.runs.results import (
    cells_of,
    collect_findings,
    input_files,
    named_files,
    names_of_results,
    parcels_of,
    spread_of,
    write_results,
)

if TYPE_CHECKING:
    pass

_IMPLAUSIBLE = 0.001  # share of a layer's cells that may be dropped before the run stops


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
    """Judge the ground a plan describes and write the run folder.

    Args:
        plan: from `load_plan`.
        out: the run folder; the plan's `outputs.folder` unless given.
        workers: threads; one a core unless given. The results do not depend on it.
        cluster: `local:N`, or a scheduler's address; its workers judge instead. The results do not depend on it.
        tile: cells along a tile's side, rounded up to whole blocks. The results do not depend on it.
        memory: most memory that the process may use [bytes]; fewer workers and smaller tiles keep it, by an estimate.
        resume: what to do with the tiles that a stopped run left in the folder. None: go on with them where plan,
            inputs and software are the same, else leave them; True: the same, but E602 where something has changed;
            False: throw them away.
        progress: who is told; nobody unless given.
        strict: warnings stop the run.
        stop: asks the run to end early; its finished tiles are kept.
        seed: instead of the plan's own, for what is drawn.

    Raises:
        UnderoakError: with every fault found before computing starts, or the one that stopped it; no file is then
            left half-written under a final name, and finished tiles are kept.
    """
    began, started = time.monotonic(), datetime.datetime.now(datetime.UTC)
    plan = plan if seed is None else plan.with_seed(seed)
    told = progress or Progress("none")
    folder = Path(out) if out is not None else plan.base / plan.outputs.folder
    threads, size = workers or os.cpu_count() or 1, whole_tiles(tile or TILE)
    address = Address.usable(cluster)
    seen = file_states(named_files(plan))
    prepared = exclude_non_native(plan, prepare(plan, strict=strict), strict)
    _log_start(plan, prepared, told)
    problems = Problems(warnings=list(prepared.warnings))
    for fault in prepared.warnings:
        told.warn(fault)
    work, parcels = _work(plan, prepared, problems, strict)
    with told.step("checksums of inputs"):
        inputs = Inputs(input_files(plan, prepared), plan.base, plan.path, seen)
    identity = Identity.of(plan, prepared.grid, inputs.sums, work.outputs)
    extent = Workload.of(plan, work, prepared, parcels)
    if memory is not None:
        threads, size = fit_memory(memory, extent, threads, size)
    need, stop = estimate(extent, threads, size), stop or Stop()
    with (
        RunFolder(folder, names_of_results(plan, (output.layout.name for output in work.outputs))) as held,
        open_spool(held, identity, prepared.grid, need.disk_mb, resume, told, strict) as spool,
    ):
        when = {"started": started.isoformat(timespec="seconds"), "tile": size, "tiles_kept": spool.tiles}
        with pool_of(address, threads) as pool:
            when["workers"] = pool.workers
            if not is_compiled():
                told.say("Compiling for this machine, once: about half a minute.")
            run_tiles(work, spool, size, pool, told, stop, inputs.watch)
        if when["tiles_kept"] or address is not None:
            correct_counts(work, spool.notes)
        # neighbouring tiles read some cells twice, so these depend on how the ground was cut up
        when["source_cells"] = {"read": spool.notes.read, "implausible": spool.notes.implausible}
        _check_counts(prepared, spool.notes, problems)
        with told.step("overviews"):
            build_overviews(spool, work.outputs, prepared.grid, threads)
        with told.step("rasters"):
            write_rasters(spool, work.outputs, prepared.grid, held.stage)
        shares: dict[str, ScenarioCounts] = {}
        if plan.futures_of:
            with told.step("futures"):
                edges = parcels.on(prepared.grid) if parcels is not None else None
                shares = write_futures(plan, prepared, spool, held.stage, edges)
        told.start("tables, maps and report", 0)
        findings = (
            collect_findings(  # sums have no name here, so that their memory is free for what is drawn and written
                plan,
                prepared,
                held.stage,
                spool.notes,
                reducer_results(spool, work.reducers),
                problems,
                started,
                parcels,
            )
        )
        problems.stop_if_any(strict)
        for fault in problems.warnings[len(prepared.warnings) :]:
            told.warn(fault)
        write_results(plan, prepared, held.stage, findings, parcels, inputs.records, when, began, shares)
        told.finish()
        inputs.check()
        with stop.patient():
            held.publish()
    manifest = read_manifest(folder)
    when_done = manifest.when
    told.log(
        "run_done", folder=str(folder), seconds=when_done.seconds, peak_mb=when_done.peak_mb,
        outputs=[asdict(file) for file in manifest.outputs],
    )  # fmt: skip
    return Run(folder, manifest, tuple(findings))


def _log_start(plan: Plan, prepared: Prepared, told: Progress) -> None:
    told.log(
        "run_start",
        plan=str(plan.path) if plan.path else None,
        title=plan.title,
        plan_sha256=plan.hash,
        grid=asdict(prepared.grid),
        layers=[layer.name for layer in prepared.recipe.stack.layers],
        views=[case.folder for case in plan.cases],
    )


def _work(plan: Plan, prepared: Prepared, problems: Problems, strict: bool) -> tuple[TileJob, Any]:
    """Rasters and sums for every view, and the parcels they are for."""
    outputs: list[Output] = []
    tallies: list[Reducer | DrawReducer] = []
    parcels = None
    if plan.parcels is not None:
        from underoak.places import ParcelSumsReducer, Sample, draws_reducer, read_lab, read_parcels

        before = len(problems.warnings)
        spec, crs = plan.parcels, prepared.grid.crs
        parcels = read_parcels(plan.base / spec.file, spec.id, crs, problems, spec.features)
        problems.stop_if_any(strict and len(problems.warnings) > before)
        assert parcels is not None
    for at, case in enumerate(plan.cases):
        criteria, rules = [c.name for c in case.plan.criteria], case.plan.rules
        sparse = rules.missing == "renormalise"
        outputs += standard_outputs(plan.title, criteria, plan.outputs.dtype, sparse, case.folder, at)
        uncertainty = prepared.recipe.cases[at].uncertainty
        if uncertainty is not None:
            outputs += uncertainty_outputs(plan.title, uncertainty, plan.outputs.dtype, case.folder, at)
        if parcels is not None:
            outline, curves = prepared.recipe.outline, [c.curve for c in case.plan.criteria]
            names = [c.name for c in case.plan.constraints]
            tally = ParcelSumsReducer.of(
                parcels, prepared.grid, criteria, rules, outline, curves, names, parcels_of(case.folder), at
            )
            tally = drop_non_native(tally, case.plan, parcels, prepared)
            tallies += [tally, Sample.of(parcels, prepared.grid, name=cells_of(case.folder), case=at)]
            if uncertainty is not None and uncertainty.layers:
                judged_by = [criterion.layer for criterion in prepared.recipe.cases[at].criteria]
                tallies.append(
                    draws_reducer(
                        parcels.ids, parcels.on(prepared.grid), judged_by, uncertainty, spread_of(case.folder), at
                    )
                )
    if parcels is not None and plan.spec.lab is not None:
        for case, ready in zip(plan.cases, prepared.cases, strict=True):
            read_lab(case.plan, ready.units, parcels.ids, problems)
        problems.stop_if_any(strict)
    return TileJob(prepared.recipe, tuple(outputs), tuple(tallies)), parcels


def _check_counts(prepared: Prepared, notes: TileCounts, problems: Problems) -> None:
    """Stop before anything is written when too much was dropped, or nothing is left to judge."""
    told = {name: words for case in reversed(prepared.cases) for name, words in case.told.items()}
    for stacked, dropped in notes.implausible.items():
        where, unit = told[stacked]
        share = dropped / notes.read[stacked] if notes.read[stacked] else 0.0
        if share > _IMPLAUSIBLE:
            what = f"{share:.2%} of its values cannot be true in {unit or 'their unit'}"
            problems.add("E204", what, where, "check unit, scale and nodata, or widen `valid`")
        elif dropped:
            what = f"a few values (less than {_IMPLAUSIBLE:.1%}) cannot be true and were taken as missing"
            problems.add("W204", what, where)
    for key, count in sorted(notes.crossing.items()):
        report_crossing(count, notes.drawn[key], told[key.partition(":")[2]][0], problems)
    for at, case in enumerate(prepared.cases):
        classes = notes.of(at).classes
        if any(int(code) <= 4 or code == "250" for code in classes):
            continue
        blank = [name for name, stacked in case.stacked.items() if notes.missing.get(stacked, -1) == notes.inside > 0]
        reason = f": {', '.join(blank)} has no value anywhere in it" if blank else ""
        problems.add("E250", f"nothing to judge in the region{reason}", "region", "check area, nodata and overlap")
    problems.stop_if_any()


def check(
    plan: Plan, *, deep: bool = False, strict: bool = False, workers: int | None = None, memory: int | None = None,
    seed: int | None = None,
) -> list[str]:  # fmt: skip
    """What a plan would do, without doing it: grid, layers, decisions, warnings, and what a run will need.

    A few blocks are judged in memory to tell the needs; nothing is written.

    Args:
        plan: from `load_plan`.
        deep: read every cell of every layer.
        strict: warnings count as faults.
        workers: as for `run`.
        memory: as for `run`.
        seed: as for `run`.

    Raises:
        UnderoakError: with every fault found.
    """
    plan = plan if seed is None else plan.with_seed(seed)
    prepared = exclude_non_native(plan, prepare(plan, strict=strict, deep=deep), strict)
    problems = Problems(warnings=list(prepared.warnings))
    work, parcels = _work(plan, prepared, problems, strict)
    grid, threads, tile = prepared.grid, workers or os.cpu_count() or 1, TILE
    extent = Workload.of(plan, work, prepared, parcels)
    if memory is not None:
        threads, tile = fit_memory(memory, extent, threads, tile)
    need = estimate(extent, threads, tile, trial(work) if is_compiled() else None)
    folder = plan.base / plan.outputs.folder
    refuse_foreign(folder, map(Path, names_of_results(plan, (output.layout.name for output in work.outputs))))
    short = check_room(folder, need.disk_mb * 1e6)
    problems.extend([short] if short else [])
    problems.stop_if_any(strict)
    lines = [
        f"{plan.title}",
        f"grid      {grid.rows} x {grid.cols} cells of {grid.cell_m:g} m in {grid.crs}",
    ]
    lines += checked_lines(plan.cases, prepared.cases)
    if parcels is not None:
        lines.append(f"parcels   {len(parcels)}")
    lines += [str(fault) for fault in problems.warnings]
    lines += _need_lines(need, threads)
    where = plan.path if plan.path is not None else "PLAN"
    lines.append(f"Next: underoak run {where}")
    return lines


def _need_lines(need: Estimate, threads: int) -> list[str]:
    by = f"with {threads} worker{'s' if threads > 1 else ''}"
    lines = [
        f"needs     about {need.kept_mb:,.0f} MB on disk, {need.disk_mb:,.0f} MB while it runs; "
        f"{need.memory_mb:,.0f} MB of memory and {duration(need.seconds)} {by}"
    ]
    if not need.is_tried:
        lines.append(
            "          by averages, as nothing is compiled yet; the first run compiles for about half a minute"
        )
    return lines
