"""The manifest of a run: from what, how and with which software each file was made."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from underoak.base.grid import Grid
from underoak.engine.prepare.prepare import PreparedCase
from underoak.engine.write.checksums import software
from underoak.plan.plan import Case, Plan
from underoak.plan.uncertainty_summary import uncertainty_manifest


def case_manifest(
    case: Case, ready: PreparedCase, counts: Mapping[str, Any], criteria: list[dict[str, Any]]
) -> dict[str, Any]:
    """What a manifest says of one species in one future."""
    plan = case.plan
    layers = {
        name: {"path": plan.files_of(name), "format": facts.format, "stored_unit": facts.stored_unit,
               "unit": ready.units[name], "decision": facts.decoding}
        for name, facts in ready.facts.items()
    }  # fmt: skip
    return {
        "folder": case.folder,
        "species": case.species,
        "scenario": case.scenario,
        "layers": layers,
        "criteria": criteria,
        "weights": plan.weighting,
        **uncertainty_manifest(plan),
        "not_judged": [str(item) for item in plan.not_judged],
        "counts": dict(counts),
    }


def manifest(
    plan: Plan, grid: Grid, cases: list[dict[str, Any]], inputs: list[dict[str, Any]], outputs: list[dict[str, Any]],
    when: Mapping[str, Any], warnings: Iterable[str],
) -> dict[str, Any]:  # fmt: skip
    """Everything `run.json` says; only `when` differs between two runs of the same plan on the same files."""
    return {
        "format": 1,
        "plan": plan.canonical(),
        "plan_sha256": plan.hash,
        "grid": {"crs": grid.crs, "transform": list(grid.transform), "rows": grid.rows, "cols": grid.cols},
        "views": cases,
        "inputs": inputs,
        "outputs": outputs,
        "software": software(),
        "warnings": list(warnings),
        "when": dict(when),
    }


def dump(content: Mapping[str, Any]) -> str:
    """JSON text, the same for the same content.

    >>> dump({"a": 1})
    '{\\n  "a": 1\\n}\\n'
    """
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
