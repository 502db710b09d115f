"""A check of a plan: what a run would do and need, without doing it."""

from __future__ import annotations

import os
from pathlib import Path

from underoak.base.command_name import command_name
from underoak.base.memory_errors import refuse_without_room, report_shortage
from underoak.engine.judge.warm_up import is_compiled
from underoak.engine.prepare.estimate import Allowance, Estimate, estimate, fit_memory, refuse_large_files
from underoak.engine.prepare.timing_trial import trial
from underoak.engine.progress import Progress, duration
from underoak.engine.storage.disk import check_room
from underoak.engine.storage.run_folder import refuse_foreign
from underoak.engine.storage.spool import TILE
from underoak.plan.plan import Plan
from underoak.report.terminal.check_words import checked_lines
from underoak.runs.prepared_run import prepare_run


@report_shortage("checking the plan")
def check(
    plan: Plan, *, deep: bool = False, strict: bool = False, workers: int | None = None, memory: int | None = None,
    seed: int | None = None,
) -> list[str]:  # fmt: skip
    """Return lines on what a run of a plan would do: grid, layers, decoding rules, warnings, and an estimate.

    A few blocks are judged in memory to measure time and disk; nothing is written.

    Args:
        plan: from `load_plan`.
        deep: read every cell of every layer.
        strict: warnings count as errors.
        workers: as for `run`.
        memory: as for `run`.
        seed: as for `run`.

    Raises:
        UnderoakError: with every fault; with every warning too if `strict`.
    """
    refuse_without_room("checking the plan")
    allowance = Allowance.of(memory)
    refuse_large_files(plan, allowance)
    ready = prepare_run(plan if seed is None else plan.with_seed(seed), Progress("none"), strict=strict, deep=deep)
    grid, threads, tile = ready.grid, workers or os.cpu_count() or 1, TILE
    workload = ready.workload
    threads, tile = fit_memory(allowance, workload, threads, tile)
    needs = estimate(workload, threads, tile, trial(ready.job) if is_compiled() else None)
    folder, problems = plan.base / plan.outputs.folder, ready.problems
    problems.extend(fault for scenario in ready.prepared.failed for fault in scenario.faults)
    refuse_foreign(folder, map(Path, ready.result_names))
    low_disk = check_room(folder, needs.disk_mb * 1e6)
    problems.extend([low_disk] if low_disk else [])
    problems.stop_if_any(strict)
    lines = [plan.title, f"grid      {grid.rows} x {grid.cols} cells of {grid.cell_m:g} m in {grid.crs}"]
    lines += checked_lines(ready.prepared.cases)
    if ready.parcels is not None:
        lines.append(f"parcels   {len(ready.parcels)}")
    if ready.years is not None:
        lines.append(f"years     {ready.years.first} to {ready.years.last}: {', '.join(ready.years.series)}")
    lines += [str(fault) for fault in problems.warnings]
    lines += _need_lines(needs, threads)
    lines.append(f"Next: {command_name()} run {plan.path if plan.path is not None else 'PLAN'}")
    return lines


def _need_lines(needs: Estimate, threads: int) -> list[str]:
    by = f"with {threads} worker{'s' if threads > 1 else ''}"
    lines = [
        f"needs     about {needs.kept_mb:,.0f} MB on disk, {needs.disk_mb:,.0f} MB while it runs; "
        f"{needs.memory_mb:,.0f} MB of memory and {duration(needs.seconds)} {by}"
    ]
    if not needs.is_tried:
        lines.append(
            "          from averages: nothing is compiled yet, and the first run compiles for about half a minute"
        )
    return lines
