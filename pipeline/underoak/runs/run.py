"""A run of a plan: land judged tile by tile, parcels and zones ranked, the run folder written."""

from __future__ import annotations

import datetime
import os
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from underoak.base.codes import EXCLUDED
from underoak.base.errors import Problems
from underoak.engine.judge.counts import CLASS_CODES, TileCounts
from underoak.engine.judge.warm_up import is_compiled
from underoak.engine.prepare.estimate import estimate, fit_memory
from underoak.engine.prepare.input_blocks import verify_inputs
from underoak.engine.prepare.prepare import Prepared
from underoak.engine.progress import Progress
from underoak.engine.scenario_rasters import ScenarioCounts, write_scenario_summary
from underoak.engine.stop import Stop
from underoak.engine.storage.identity import Identity
from underoak.engine.storage.input_files import Inputs, file_states
from underoak.engine.storage.manifest import read_manifest
from underoak.engine.storage.resume import open_spool
from underoak.engine.storage.run_folder import RunFolder
from underoak.engine.storage.spool import TILE, Spool
from underoak.engine.workers.cluster import pool_of
from underoak.engine.workers.cluster_address import Address
from underoak.engine.workers.runner import build_overviews, correct_counts, run_tiles, whole_tiles, write_rasters
from underoak.layers.quantile_layers import report_crossing
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.runs.case_findings import collect_findings
from underoak.runs.finished_run import Run
from underoak.runs.prepared_run import PreparedRun, prepare_run
from underoak.runs.results import RunFacts, write_results
from underoak.runs.run_files import input_files, named_files

_MOST_IMPLAUSIBLE = 0.001  # share of a layer's cells that may be dropped before the run stops


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
        memory: limit on the memory of the process [bytes]; an estimate sets fewer workers and smaller tiles.
        resume: what to do with the tiles of a stopped run in the folder. None: reuse them if plan, inputs and software
            are unchanged, else leave them; True: reuse them, E602 if something has changed; False: delete them.
        progress: receives messages. Default: none are sent.
        strict: warnings stop the run.
        stop: asks the run to end early; its finished tiles are saved.
        seed: random seed. Default: the plan's.

    Raises:
        UnderoakError: with every fault found before computing starts, or the one that stopped it; no file is then
            left half-written under a final name, and finished tiles are saved.
    """
    start, started = time.monotonic(), datetime.datetime.now(datetime.UTC)
    plan = plan if seed is None else plan.with_seed(seed)
    progress, stop = progress or Progress("none"), stop or Stop()
    folder = Path(out) if out is not None else plan.base / plan.outputs.folder
    threads, size = workers or os.cpu_count() or 1, whole_tiles(tile or TILE)
    address = Address.usable(cluster)
    states = file_states(named_files(plan))
    ready = prepare_run(plan, progress, strict=strict)
    with progress.step("checksums of inputs"):
        inputs = Inputs(input_files(plan, ready.prepared), plan.base, plan.path, states)
        verify_inputs(ready.prepared.recipe.stack, inputs, threads)
    identity = Identity.of(plan, ready.grid, inputs.sums, ready.job.outputs)
    if memory is not None:
        threads, size = fit_memory(memory, ready.workload, threads, size)
    needs = estimate(ready.workload, threads, size)
    with (
        RunFolder(folder, ready.result_names) as run_folder,
        open_spool(run_folder, identity, ready.grid, needs.disk_mb, resume, progress, strict) as spool,
    ):
        when: dict[str, Any] = {"started": started.isoformat(timespec="seconds"), "tile": size}
        when["tiles_kept"] = spool.tiles
        with pool_of(address, threads) as pool:
            when["workers"] = pool.workers
            if not is_compiled():
                progress.say("Compiling for this machine, once: about half a minute.")
            run_tiles(ready.job, spool, size, pool, progress, stop, inputs.watch)
        if when["tiles_kept"] or address is not None:
            correct_counts(ready.job, spool.notes)
        # these depend on the tile size: neighbouring tiles read some cells twice
        when["source_cells"] = {"read": spool.notes.read, "implausible": spool.notes.implausible}
        _check_counts(ready.prepared, spool.notes, ready.problems)
        shares = _write_rasters(ready, spool, run_folder.stage, progress, threads)
        progress.start("tables, maps and report", 0)
        findings = collect_findings(ready, spool, run_folder.stage, started)
        ready.problems.stop_if_any(strict)
        for fault in ready.problems.warnings[len(ready.prepared.warnings) :]:
            progress.warn(fault)
        write_results(ready, run_folder.stage, findings, shares, RunFacts(inputs.records, when, start))
        progress.finish()
        inputs.check()
        with stop.patient():
            run_folder.publish()
    manifest = read_manifest(folder)
    when_done = manifest.when
    progress.log(
        "run_done", folder=str(folder), seconds=when_done.seconds, peak_mb=when_done.peak_mb,
        outputs=[asdict(file) for file in manifest.outputs],
    )  # fmt: skip
    return Run(folder, manifest, tuple(findings))


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


def _check_counts(prepared: Prepared, counts: TileCounts, problems: Problems) -> None:
    """Stop before anything is written if too many values were dropped, or if no cell can be judged."""
    labels = {name: label for ready in reversed(prepared.cases) for name, label in ready.labels.items()}
    for stacked, n_dropped in counts.implausible.items():
        where, unit = labels[stacked]
        share = n_dropped / counts.read[stacked] if counts.read[stacked] else 0.0
        if share > _MOST_IMPLAUSIBLE:
            what = f"{share:.2%} of its values cannot be true in {unit or 'their unit'}"
            problems.add("E204", what, where, "check unit, scale and nodata, or widen `valid`")
        elif n_dropped:
            what = f"a few values (less than {_MOST_IMPLAUSIBLE:.1%}) cannot be true and were taken as missing"
            problems.add("W204", what, where)
    for ready in prepared.cases:
        case_counts = counts.of(ready.case)
        for layer, n_crossing in sorted(case_counts.crossing.items()):
            report_crossing(n_crossing, case_counts.drawn[layer], labels[layer][0], problems)
    for ready in prepared.cases:
        if any(code in (*CLASS_CODES, EXCLUDED) for code in counts.of(ready.case).classes):
            continue
        blank = [
            name for name, stacked in ready.stacked.items() if counts.missing.get(stacked, -1) == counts.inside > 0
        ]
        reason = f": {', '.join(blank)} has no value anywhere in it" if blank else ""
        problems.add("E250", f"nothing to judge in the region{reason}", "region", "check area, nodata and overlap")
    problems.stop_if_any()
