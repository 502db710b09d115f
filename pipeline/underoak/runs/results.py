"""The results of a run beside its rasters: tables, maps, reports and manifests, for each case and for all together."""

from __future__ import annotations

import datetime
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from underoak.decision.deal.deal_file import write_deal
from underoak.engine.prepare.case_faults import FailedScenario
from underoak.engine.prepare.prepare import PreparedCase, relief_source
from underoak.engine.scenario_rasters import ScenarioCounts, threshold
from underoak.engine.storage.manifest import MANIFEST, CaseManifest
from underoak.engine.system import peak_memory_mb
from underoak.engine.write.checksums import InputRecord, file_records, relative_path
from underoak.engine.write.outputs import UINT16_STEPS
from underoak.places import write_parcels, write_zones
from underoak.places.columns.parcels import parcel_columns
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.verdicts.rank_order import write_ranks
from underoak.places.verdicts.scenario_table import scenarios_of_parcels, with_novelty, write_scenario_table
from underoak.plan.case import Case
from underoak.plan.plan import Plan
from underoak.report import (
    Findings,
    ItemFacts,
    MapPictures,
    cases_html,
    joined_parcels,
    legend_sld,
    map_png,
    relief_of,
    report_html,
    stac_item,
)
from underoak.report.page.pair_columns import planting_rows
from underoak.report.page.scenario_section import scenario_section
from underoak.report.text.cell_sentences import SENTENCES
from underoak.runs.manifest import case_manifest, run_manifest
from underoak.runs.prepared_run import PreparedRun
from underoak.runs.run_files import DATED


@dataclass(frozen=True)
class RunFacts:
    """A record of what all manifests of a run share."""

    inputs: Sequence[InputRecord]
    when: Mapping[str, Any]
    start: float  # of `time.monotonic`
    outline: Any  # of the region; None: all of the grid
    periods: Mapping[str, str]  # the years of each scenario, by its name
    folder: Path  # of the run, when its files have their final names
    failed: Sequence[FailedScenario] = ()

    @property
    def started(self) -> datetime.datetime:
        """The time at which the run started."""
        return datetime.datetime.fromisoformat(self.when["started"])


def write_results(
    ready: PreparedRun, stage: Path, findings: Sequence[Findings], shares: Mapping[Case, ScenarioCounts],
    facts: RunFacts,
) -> None:  # fmt: skip
    """Write everything but the rasters into the stage; the manifest of the whole run comes last.

    `shares`: the counts over the scenarios of each species, by its present case.
    """
    plan, parcels = ready.plan, ready.parcels
    relief = relief_of(ready.grid, relief_source(ready.prepared))
    manifests = []
    for case_findings in findings:
        folder = stage / case_findings.case.folder
        prepared = ready.prepared.by_case[case_findings.case]
        manifests.append(_write_case(prepared, case_findings, relief, folder, parcels))
        if case_findings.case.is_present:
            _write_deal(ready, folder)
        if case_findings.case.folder:
            record = manifests[-1].model_copy(update={"folder": ""})
            _write_manifest(case_findings.plan, case_findings, folder, [record], facts, case_findings.case.folder)
    if plan.case_plans:
        _write_deal(ready, stage)
        if parcels is not None:
            columns = parcel_columns(plan.purpose, SENTENCES, is_joined=True)
            write_parcels(stage, joined_parcels(findings), parcels, columns)
        sections = _scenario_sections(plan, stage, findings, shares, parcels)
        (stage / "report.html").write_text(cases_html(plan, findings, sections), encoding="utf-8")
    _write_manifest(plan, findings[0], stage, manifests, facts)


def _write_deal(ready: PreparedRun, folder: Path) -> None:
    """Write the ledger of the deal, where the plan has one."""
    if ready.deal is not None and ready.plan.spec.deal is not None and ready.parcels is not None:
        write_deal(folder, ready.deal, ready.parcels.ids)


def _scenario_sections(
    plan: Plan, stage: Path, findings: Sequence[Findings], shares: Mapping[Case, ScenarioCounts],
    parcels: Parcels | None,
) -> list[dict[str, Any]]:  # fmt: skip
    """Write the scenario table of each species, and return the sections of the report."""
    by_case = {case_findings.case: case_findings for case_findings in findings}
    sections = []
    for present, scenarios in plan.scenarios_of:
        present_findings, counts = by_case[present.case], shares[present.case]
        at_least, table = threshold(plan, present), None
        if present_findings.parcels is not None:
            assert parcels is not None
            table = scenarios_of_parcels(
                present_findings.ranked, [by_case[scenario.case].ranked for scenario in scenarios],
                [scenario.case.scenario for scenario in scenarios], plan.scenario_weights,
                [criterion.name for criterion in present.criteria], present.rules, at_least,
            )  # fmt: skip
            table = with_novelty(table, parcels.ids, counts.novelty)
            write_scenario_table(stage / present.case.summary_folder, table)
        sections.append(scenario_section(plan, present_findings, counts, at_least, table))
    return sections


def _write_case(
    ready: PreparedCase, findings: Findings, relief: Any, folder: Path, parcels: Parcels | None
) -> CaseManifest:
    """Write the files of one case, and return its record in the manifest."""
    if findings.parcels is not None:
        assert parcels is not None
        write_parcels(folder, findings.parcels, parcels, parcel_columns(findings.plan.purpose, SENTENCES))
    if findings.order is not None:
        write_ranks(folder, findings.order, [criterion.name for criterion in findings.criteria])
    if findings.zones is not None:
        write_zones(folder, findings.zones)
    picture = map_png(findings, folder, relief, parcels)
    (folder / "map.png").write_bytes(picture)
    top = float(UINT16_STEPS) if ready.plan.outputs.dtype == "uint16" else 1.0
    (folder / "legend.sld").write_text(
        legend_sld([criterion.name for criterion in findings.criteria], top), encoding="utf-8"
    )
    planting = planting_rows(findings) if findings.case.is_present else []
    maps = MapPictures(picture, map_png(findings, folder, None, parcels, is_by_class=True))
    (folder / "report.html").write_text(report_html(findings, maps, planting), encoding="utf-8")
    return case_manifest(
        ready, findings.counts, findings.criteria, findings.grains, findings.shared, findings.years, findings.water_held
    )


def _write_manifest(
    plan: Plan, findings: Findings, folder: Path, cases: Sequence[CaseManifest], facts: RunFacts, inside: str = ""
) -> None:  # fmt: skip
    """Write the manifest of a folder, and the STAC item of its files; `inside` is the folder's place in the run's."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    outputs = file_records((path for path in files if path.name not in (*DATED, MANIFEST)), folder)
    reports = file_records((path for path in files if path.name == "report.html"), folder)
    period = facts.periods.get(findings.case.scenario, "") if plan is findings.plan else ""
    identity = f"underoak-{plan.hash[:12]}"
    item_facts = ItemFacts(plan.title, identity, findings.grid, facts.outline, facts.started, period)
    item = stac_item(item_facts, folder, [*outputs, *reports])
    (folder / "item.json").write_text(item, encoding="utf-8")
    spent = {
        "seconds": round(time.monotonic() - facts.start, 3),
        "peak_mb": round(peak_memory_mb(), 1),
        "outputs": file_records((folder / name for name in DATED), folder),
        "plan_folder": relative_path(plan.base, facts.folder / inside),
    }
    warnings = [str(fault) for fault in findings.warnings]
    manifest = run_manifest(
        plan,
        findings.grid,
        cases,
        facts.inputs,
        outputs,
        {**facts.when, **spent},
        warnings,
        facts.failed,
        findings.rules,
    )
    (folder / MANIFEST).write_text(manifest.dump(), encoding="utf-8")
