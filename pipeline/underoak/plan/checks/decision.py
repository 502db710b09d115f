"""Checks of the keys on the deal: names of questions, and what needs parcels."""

from __future__ import annotations

from underoak.base.errors import did_you_mean
from underoak.plan.keys.decision.deal import QUESTIONS
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.reading.validation import Check


def check_decision(spec: PlanSpec, check: Check) -> None:
    """Report names of questions that do not exist, and keys without parcels."""
    for key in ("deal", "checks", "rules"):
        if getattr(spec, key) and spec.parcels is None and not check.is_broken(("parcels",)):
            check.add_fault("E304", f"`{key}` needs `parcels`, and the plan has none", (key,), "add `parcels`")
    questions = QUESTIONS if spec.deal is None else spec.deal.questions
    for n, overlay in enumerate(() if spec.deal is None else spec.deal.overlays):
        if overlay.question not in questions:
            what = f'there is no question "{overlay.question}"'
            fix = did_you_mean(overlay.question, questions, f"write one of: {', '.join(questions)}")
            check.add_fault("E304", what, ("deal", "overlays", n, "question"), fix)
    seen: set[str] = set()
    for path, each in zip(check.item_paths("checks"), spec.checks, strict=False):
        names = (*questions, *check.names("layers"))
        if each.answers not in names:
            fix = did_you_mean(each.answers, names, f"name a layer, or one of: {', '.join(questions)}")
            check.add_fault("E304", f'"{each.answers}" is no question and no layer', (*path, "answers"), fix)
        if each.name in seen:
            check.add_fault("E304", f'two checks are named "{each.name}"', (*path, "name"), "rename one")
        seen.add(each.name)
