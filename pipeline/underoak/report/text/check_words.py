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


def checked_lines(views: Sequence[Case], prepared: Sequence[PreparedCase]) -> list[str]:
    """Layers first, then criteria, doubt and what is not judged; what all views share names none of them."""
    lines = [f"view      {view.label}, in {view.folder}" for view in views if view.folder]
    told = [_Told(view, found) for view, found in zip(views, prepared, strict=True)]
    for kind in ("layers", "criteria", "uncertainty", "not_judged"):
        lines += _once(views, [getattr(each, kind) for each in told])
    return lines


class _Told:
    """The lines of one view."""

    def __init__(self, view: Case, found: PreparedCase) -> None:
        plan = view.plan
        self.layers = [
            f"layer     {name}: {plan.files_of(name)} ({facts.format}), "
            f"{decision(plan, name, facts, found.months.get(name, ()))}"
            for name, facts in found.facts.items()
        ]
        self.criteria = [f"criterion {each.name}: weight {each.weight:.3f}, {each.in_words}" for each in plan.criteria]
        self.uncertainty = uncertainty_lines(plan)
        self.not_judged = [f"not judged {item}" for item in plan.not_judged]


def _once(views: Sequence[Case], told: Sequence[Sequence[str]]) -> Iterator[str]:
    holders: dict[str, list[Case]] = {}
    for view, lines in zip(views, told, strict=True):
        for line in lines:
            holders.setdefault(line, []).append(view)
    for line, own in holders.items():
        yield line if len(own) == len(views) else f"{line} [{_named(own, views)}]"


def _named(own: Sequence[Case], views: Sequence[Case]) -> str:
    """Those views in few words: species whose futures are all among them, else futures of all species, else each."""
    for key in ("species", "scenario"):
        rest = {getattr(view, key) for view in views if view not in own}
        mine = list(dict.fromkeys(getattr(view, key) for view in own))
        if not rest.intersection(mine):
            names = [_name(next(view for view in own if getattr(view, key) == value), key) for value in mine]
            break
    else:
        names = [view.label for view in own]
    more = f" and {len(names) - _MOST} more" if len(names) > _MOST else ""
    return "; ".join(names[:_MOST]) + more


def _name(view: Case, key: str) -> str:
    if key == "scenario":
        return view.scenario or "present"
    return view.plan.profile.latin if view.plan.profile else "present"
