"""The lines of `check` on layers, criteria and uncertainty: each once, with the cases it applies to."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from underoak.plan.plan import Case
from underoak.plan.uncertainty_summary import uncertainty_lines
from underoak.report.text.answer_words import decision

if TYPE_CHECKING:
    from underoak.engine.prepare.prepare import PreparedCase

_MOST = 6  # labels named


def checked_lines(cases: Sequence[Case], prepared: Sequence[PreparedCase]) -> list[str]:
    """Return the lines: layers, criteria, uncertainty, what is not judged. Lines that all cases share name none."""
    lines = [f"view      {case.label}, in {case.folder}" for case in cases if case.folder]
    texts = [_CaseLines(case, ready) for case, ready in zip(cases, prepared, strict=True)]
    for kind in ("layers", "criteria", "uncertainty", "not_judged"):
        lines += _once(cases, [getattr(each, kind) for each in texts])
    return lines


class _CaseLines:
    """The lines of one case."""

    def __init__(self, case: Case, ready: PreparedCase) -> None:
        plan = case.plan
        self.layers = [
            f"layer     {name}: {plan.files_of(name)} ({facts.format}), "
            f"{decision(plan, name, facts, ready.months.get(name, ()))}"
            for name, facts in ready.facts.items()
        ]
        self.criteria = [f"criterion {each.name}: weight {each.weight:.3f}, {each.in_words}" for each in plan.criteria]
        self.uncertainty = uncertainty_lines(plan)
        self.not_judged = [f"not judged {item}" for item in plan.not_judged]


def _once(cases: Sequence[Case], texts: Sequence[Sequence[str]]) -> Iterator[str]:
    holders: dict[str, list[Case]] = {}
    for case, lines in zip(cases, texts, strict=True):
        for line in lines:
            holders.setdefault(line, []).append(case)
    for line, members in holders.items():
        yield line if len(members) == len(cases) else f"{line} [{_named(members, cases)}]"


def _named(members: Sequence[Case], cases: Sequence[Case]) -> str:
    """Return the cases in few words: species with all their scenarios, else scenarios of all species, else each."""
    for key in ("species", "scenario"):
        rest = {getattr(case, key) for case in cases if case not in members}
        values = list(dict.fromkeys(getattr(case, key) for case in members))
        if not rest.intersection(values):
            names = [_name(next(case for case in members if getattr(case, key) == value), key) for value in values]
            break
    else:
        names = [case.label for case in members]
    more = f" and {len(names) - _MOST} more" if len(names) > _MOST else ""
    return "; ".join(names[:_MOST]) + more


def _name(case: Case, key: str) -> str:
    if key == "scenario":
        return case.scenario or "present"
    return case.plan.profile.latin if case.plan.profile else "present"
