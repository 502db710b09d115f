"""Rules of the user's own in words: whether a parcel meets them, by which figures, and what they bring."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.number_words import beside, figure
from underoak.decision.deal.ledger import Age, DealEntry
from underoak.decision.rules.evaluation import AppliedCondition, AppliedRule, apply_rule
from underoak.places.answers.rules import RuleOutcome, RuleState
from underoak.plan.keys.decision.deal import STALE_AFTER
from underoak.plan.keys.decision.rules import RuleSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.decision.check_words import exact_money

DEFERS = (
    "These are your own notes of rules, no law. The office that pays or permits decides: ask before you count on it."
)
_PER = {"tree": "trees", "ha": "ha", "parcel": ""}


def rule_lines(row: Mapping[str, Any], rules: Sequence[RuleSpec], plan: PlanSpec, today: datetime.date) -> list[str]:
    """Return one line for each rule applied to a parcel; nothing without rules."""
    if not rules:
        return []
    lines = [f"- {rule_words(apply_rule(rule, row, plan), plan, today)}" for rule in rules]
    return ["Your rules:", *lines, DEFERS]


def rule_words(applied: AppliedRule, plan: PlanSpec, today: datetime.date) -> str:
    """Return a rule applied to a parcel: state, amount, conditions, source and age."""
    rule, currency = applied.rule, plan.prices.currency or ""
    amount = f", {_amount_words(applied, currency)}" if applied.amount is not None else ""
    conditions = "; ".join(map(_condition_words, applied.conditions))
    note = f" {rule.note}." if rule.note else ""
    return f"{rule.rule}: {applied.state.value}{amount} ({conditions}). {source_words(rule, plan, today)}.{note}"


def source_words(rule: RuleSpec, plan: PlanSpec, today: datetime.date) -> str:
    """Return source and date of a rule, and whether it is old."""
    stale_after = STALE_AFTER if plan.rules is None else plan.rules.stale_after
    age = DealEntry(date=rule.date).age(today, stale_after)
    old = {
        Age.STALE: f"; older than {stale_after} months: look it up again",
        Age.FUTURE: "; its date is still to come",
    }.get(age, "")
    return f"{rule.source}, {rule.date}{old}"


def rule_totals(tables: Sequence[tuple[RuleOutcome, ...]], rules: Sequence[RuleSpec], plan: PlanSpec,
                today: datetime.date) -> list[str]:  # fmt: skip
    """Return for each rule how many parcels meet it; nothing without rules."""
    lines = []
    for i, rule in enumerate(rules):
        states = [outcomes[i].state for outcomes in tables]
        met, unknown = states.count(RuleState.MET), states.count(RuleState.UNKNOWN)
        open_words = f", {unknown} not known" if unknown else ""
        lines.append(
            f"{rule.rule}: met by {met} of {len(states)} parcels{open_words}. {source_words(rule, plan, today)}."
        )
    return [*lines, DEFERS] if lines else []


def _amount_words(applied: AppliedRule, currency: str) -> str:
    """Return how an amount comes about: `7 EUR × 450 trees = 3 150 EUR`."""
    rule, amount = applied.rule, applied.amount
    assert rule.amount is not None
    assert amount is not None
    assert applied.count is not None
    total = _signed(float(round(amount)) if rule.per == "ha" else amount, currency)
    if rule.per == "parcel":
        return total
    count = f"{applied.count:,.0f}".replace(",", " ") if rule.per == "tree" else figure(applied.count)
    limit = " at most" if rule.ceiling is not None and abs(rule.amount * applied.count) > rule.ceiling else ""
    return f"{_signed(rule.amount, currency)} × {count} {_PER[rule.per]} = {total}{limit}"


def _signed(value: float, currency: str) -> str:
    return f"{'-' if value < 0 else ''}{exact_money(abs(value), currency)}"


def _condition_words(applied: AppliedCondition) -> str:
    condition, value = applied.condition, applied.value
    threshold = condition.threshold if isinstance(condition.threshold, str) else f"{condition.threshold:g}"
    wanted = f"{condition.comparison} {threshold}"
    if value is None:
        return f"{condition.field} not known, {wanted} is asked"
    words = ", ".join(value) if isinstance(value, tuple) else _figure_words(value, condition.threshold)
    return f"{condition.field} {words}{'' if applied.holds else ' is not'} {wanted}"


def _figure_words(value: float, threshold: float | str) -> str:
    """Return a figure, with as many decimals as show its side of the threshold."""
    if value == round(value) or isinstance(threshold, str):
        return f"{value:.0f}"
    return beside(value, (threshold,))
