"""What `check` tells of layers, criteria and doubt: each line once, with the species and futures that it is about."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from underoak.plan.plan import Case
from underoak.plan.uncertainty_summary import uncertainty_lines
from underoak.report.text.answer_words import decision

if TYPE_CHECKING:
    from underoak.engine.prepare.prepare import PreparedCase

_MOST = 6  # labels that are named


def checked_lines(cases: Sequence[Case], prepared: Sequence[PreparedCase]) -> list[str]:
    """Layers first, then criteria, doubt and what is not judged; what all views share names none of them."""
    lines = [f"view      {case.label}, in {case.folder}" for case in cases if case.folder]
    told = [_Told(case, found) for case, found in zip(cases, prepared, strict=True)]
    for kind in ("layers", "criteria", "uncertainty", "not_judged"):
        lines += _once(cases, [getattr(each, kind) for each in told])
    return lines


class _Told:
    """The lines of one view."""

    def __init__(self, case: Case, found: PreparedCase) -> None:
        plan = case.plan
        self.layers = [
            f"layer     {name}: {plan.files_of(name)} ({facts.format}), "
            f"{decision(plan, name, facts, found.months.get(name, ()))}"
            for name, facts in found.facts.items()
        ]
        self.criteria = [f"criterion {each.name}: weight {each.weight:.3f}, {each.in_words}" for each in plan.criteria]
        self.uncertainty = uncertainty_lines(plan)
        self.not_judged = [f"not judged {item}" for item in plan.not_judged]


def _once(cases: Sequence[Case], told: Sequence[Sequence[str]]) -> Iterator[str]:
    holders: dict[str, list[Case]] = {}
    for case, lines in zip(cases, told, strict=True):
        for line in lines:
            holders.setdefault(line, []).append(case)
    for line, own in holders.items():
        yield line if len(own) == len(cases) else f"{line} [{_named(own, cases)}]"


def _named(own: Sequence[Case], cases: Sequence[Case]) -> str:
    """Those views in few words: species whose futures are all among them, else futures of all species, else each."""
    for key in ("species", "scenario"):
        rest = {getattr(case, key) for case in cases if case not in own}
        mine = list(dict.fromkeys(getattr(case, key) for case in own))
        if not rest.intersection(mine):
            names = [_name(next(case for case in own if getattr(case, key) == value), key) for value in mine]
            break
    else:
        names = [case.label for case in own]
    more = f" and {len(names) - _MOST} more" if len(names) > _MOST else ""
    return "; ".join(names[:_MOST]) + more


def _name(case: Case, key: str) -> str:
    if key == "scenario":
        return case.scenario or "present"
    return case.plan.profile.latin if case.plan.profile else "present"
