"""The lines of `check` on layers, criteria and uncertainty: each once, with the cases it applies to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from underoak.places.lab.sampling_error import within_field_of
from underoak.places.soil.soil_units import soil_criteria
from underoak.plan.case import PRESENT, Case
from underoak.plan.uncertainty_summary import draw_lines
from underoak.report.text.answer_words import decision
from underoak.report.text.error_words import assumed_words
from underoak.report.text.lab_words import sampling_words
from underoak.report.text.verdicts.beside_verdict import looked_at_words
from underoak.report.text.verdicts.shared_words import together_words

if TYPE_CHECKING:
    from underoak.engine.prepare.prepare import PreparedCase

_MOST = 6  # labels named


def checked_lines(prepared: Sequence[PreparedCase]) -> list[str]:
    """Return lines on layers, criteria, uncertainty and what is not judged; lines that all cases share name none."""
    cases = [ready.case for ready in prepared]
    lines = [f"view      {case.label}, in {case.folder}" for case in cases if case.folder]
    for lines_of in (_layer_lines, _criterion_lines, _uncertainty_lines, _lab_lines, _not_judged_lines):
        lines += _once({ready.case: lines_of(ready) for ready in prepared})
    return lines


def _layer_lines(ready: PreparedCase) -> list[str]:
    return [
        f"layer     {name}: {ready.plan.files_of(name)} ({facts.format}), "
        f"{decision(ready.plan, name, facts, ready.months.get(name, ()))}"
        for name, facts in ready.facts.items()
    ]


def _criterion_lines(ready: PreparedCase) -> list[str]:
    return [
        f"criterion {each.name}: weight {each.weight:.3f}, {each.in_words}{', essential' if each.is_essential else ''}"
        for each in ready.plan.criteria
    ]


def _uncertainty_lines(ready: PreparedCase) -> list[str]:
    record = ready.uncertainty_record
    if record is None:
        return []
    lines = [
        f"uncertain {name}: {assumed_words(record.assumed[name]) if name in record.assumed else words}"
        for name, words in record.layers.items()
    ]
    lines += [f"unknown   {name}: its error is not known ({reason})" for name, reason in record.unknown.items()]
    lines += [f"exact     {name}: its published error is switched off" for name in record.switched_off]
    lines += [f"together  {together_words(pair)}" for pair in record.together]
    return lines + draw_lines(ready.plan)


def _lab_lines(ready: PreparedCase) -> list[str]:
    if ready.plan.spec.lab is None:
        return []
    soil = dict.fromkeys(ready.plan.criteria[i].layer for i in soil_criteria(ready.plan, ready.units))
    known = {layer: within_field_of(ready.plan, layer, ready.units[layer]) for layer in soil}
    return [f"lab       {sampling_words(layer, each)}" for layer, each in known.items()]


def _not_judged_lines(ready: PreparedCase) -> list[str]:
    plan = ready.plan
    looked_at = looked_at_words(plan.looked_at, plan.spec.verdict.judged_at).removeprefix("Looked at: ")
    return [*([f"looked at {looked_at}"] if looked_at else []), *(f"not judged {item}" for item in plan.not_judged)]


def _once(by_case: dict[Case, list[str]]) -> Iterator[str]:
    sharing: dict[str, list[Case]] = {}
    for case, lines in by_case.items():
        for line in lines:
            sharing.setdefault(line, []).append(case)
    for line, cases in sharing.items():
        yield line if len(cases) == len(by_case) else f"{line} [{_named(cases, list(by_case))}]"


def _named(some: Sequence[Case], every: Sequence[Case]) -> str:
    """Name some cases in few words: as species if all their scenarios are meant, as scenarios if of all species."""
    others = [case for case in every if case not in some]
    for name_of in (_species_name, _scenario_name):
        names = list(dict.fromkeys(map(name_of, some)))
        if not set(names).intersection(map(name_of, others)):
            break
    else:
        names = [case.label for case in some]
    more = f" and {len(names) - _MOST} more" if len(names) > _MOST else ""
    return "; ".join(names[:_MOST]) + more


def _species_name(case: Case) -> str:
    return case.latin or PRESENT


def _scenario_name(case: Case) -> str:
    return case.scenario or PRESENT
