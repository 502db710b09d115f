"""The manifest of a run that has just finished."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.grid import Grid
from underoak.decision.money.break_even import break_even
from underoak.engine.judge.counts import CaseCounts
from underoak.engine.prepare.case_faults import FailedScenario
from underoak.engine.prepare.prepare import PreparedCase
from underoak.engine.storage.identity import all_software
from underoak.engine.storage.manifest import (
    CaseManifest,
    Counts,
    CriterionWords,
    FailedScenarioRecord,
    GridRecord,
    LayerRecord,
    Manifest,
    RunTimes,
    WeightsRecord,
)
from underoak.engine.storage.records.year_records import WaterHeld, YearsRecord
from underoak.engine.write.checksums import FileRecord, InputRecord
from underoak.plan.keys.decision.rules import RuleSpec
from underoak.plan.plan import Plan
from underoak.uncertainty.outcomes.shared_failure import SharedFailure


def case_manifest(
    ready: PreparedCase, counts: CaseCounts, criteria: Sequence[CriterionWords], grains: Mapping[str, float],
    shared: SharedFailure | None = None, years: YearsRecord | None = None, water: tuple[WaterHeld, ...] = (),
) -> CaseManifest:  # fmt: skip
    """Return the manifest's record of one case."""
    plan, case = ready.plan, ready.case
    layers = {
        name: LayerRecord(
            path=plan.files_of(name), format=facts.format, stored_unit=facts.stored_unit, unit=ready.units[name],
            decision=facts.decoding,
        )
        for name, facts in ready.facts.items()
    }  # fmt: skip
    record = ready.uncertainty_record
    more: dict[str, Any] = {} if record is None else {"uncertainty": record}
    if years is not None:
        more |= {"years": years, "water_held": water}
    return CaseManifest(
        folder=case.folder,
        species=case.species,
        scenario=case.scenario,
        layers=layers,
        criteria=tuple(criteria),
        weights=WeightsRecord.model_validate(plan.weighting),
        **more,
        shared_failure=shared,
        not_judged=tuple(str(item) for item in plan.not_judged),
        looked_at=plan.looked_at,
        counts=_counts(counts),
        grains=dict(grains),
    )


def _counts(counts: CaseCounts) -> Counts:
    return Counts(
        inside=counts.inside, missing=counts.missing, excluded=counts.excluded,
        classes=dict(sorted(counts.classes.items(), key=lambda item: str(item[0]))), weakest=counts.limiting,
    )  # fmt: skip


def run_manifest(
    plan: Plan, grid: Grid, cases: Sequence[CaseManifest], inputs: Sequence[InputRecord],
    outputs: Sequence[FileRecord], when: Mapping[str, Any], warnings: Sequence[str],
    failed: Sequence[FailedScenario] = (), rules: Sequence[RuleSpec] = (),
) -> Manifest:  # fmt: skip
    """Return the manifest of a run; `when` holds the fields of `RunTimes`."""
    records = tuple(
        FailedScenarioRecord(
            name=each.name, exit_code=each.faults[0].exit_code, faults=tuple(str(fault) for fault in each.faults)
        )
        for each in failed
    )
    more: dict[str, Any] = {"failed_scenarios": records} if records else {}
    if rules:
        more["rules"] = tuple(rules)
    if plan.spec.orchard_costs is not None:
        more["break_even"] = break_even(plan.spec.orchard_costs)
    return Manifest(
        format=3,
        plan=plan.canonical(),
        plan_sha256=plan.hash,
        grid=GridRecord(crs=grid.crs, transform=grid.transform, rows=grid.rows, cols=grid.cols),
        views=tuple(cases),
        inputs=tuple(inputs),
        outputs=tuple(outputs),
        software=all_software(),
        warnings=tuple(warnings),
        **more,
        when=RunTimes.model_validate(when),
    )
