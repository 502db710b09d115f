"""Sentences on lab results: how many parcels they judge, and the error of their samples with its source."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from underoak.places.answers.needs import LabFinding, LabUse
from underoak.places.lab.sampling_error import WithinField, within_field
from underoak.plan.keys.plan_keys import PlanSpec

if TYPE_CHECKING:
    from underoak.engine.storage.manifest import CriterionWords
    from underoak.report.text.findings import Findings

_MODES = {"update": "combined with the map by their standard deviations", "replace": "which replace the map"}


def lab_lines(findings: Findings) -> list[str]:
    """Return how lab results are used, which wait for a place, and the error of their samples; [] without a lab."""
    spec = findings.plan.spec.lab
    if spec is None or not findings.has_parcels:
        return []
    pairs = zip(findings.ranked["id"], findings.ranked["lab"], strict=True)
    by_parcel: dict[str, tuple[LabFinding, ...]] = {str(id): lab for id, lab in pairs if isinstance(lab, tuple)}
    used = sum(any(each.use is LabUse.USED for each in results) for results in by_parcel.values())
    lines = [
        f"{used} parcel{' was' if used == 1 else 's were'} judged with lab results, {_MODES[spec.mode]}. Map, zones "
        "and the areas above use the maps only."
    ]
    waiting = [id for id, results in by_parcel.items() if any(each.use is LabUse.NO_PLACE for each in results)]
    if waiting:
        one = len(waiting) == 1
        lines.append(
            f"Results for parcel{'' if one else 's'} {', '.join(waiting[:8])}{', ...' if len(waiting) > 8 else ''} are "
            f"kept as evidence and not used: the maps show several soils in {'it' if one else 'them'}, and the rows do "
            "not say in which the sample was taken."
        )
    every = [each for results in by_parcel.values() for each in results]
    return [*lines, *sampling_lines(findings.plan.spec, findings.criteria, every)]


def sampling_lines(plan: PlanSpec, criteria: Iterable[CriterionWords], results: Iterable[LabFinding]) -> list[str]:
    """Return the error of sampling for each tested layer, with its source; [] for a plan without lab results."""
    lab = plan.lab
    if lab is None:
        return []
    tested = {finding.layer for finding in results}
    layers = {criterion.layer: criterion for criterion in criteria if criterion.layer in tested}
    known = {
        name: within_field(lab, name, each.unit, each.is_soil, plan.layers[name].kind_of)
        for name, each in layers.items()
    }
    return [f"Sampling: {sampling_words(name, each)}." for name, each in known.items() if each.sd != 0]


def sampling_words(layer: str, known: WithinField) -> str:
    """Return how single cores differ within a field.

    >>> sampling_words("clay", WithinField("4 %", "map", "percent", ""))
    'single cores of clay have a standard deviation of 4 % within a field, a bag of n cores that over √n (map)'
    """
    grade = f"; grade {known.grade}" if known.grade else ""
    sd = f"single cores of {layer} have a standard deviation of {known.in_words} within a field"
    return f"{sd}, a bag of n cores that over √n ({known.source}{grade})"
