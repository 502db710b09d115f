"""Rules, applied to the row of a parcel: comparisons only, nothing of a rule is run as code."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import TYPE_CHECKING, Any

from underoak.base.number_words import TIE
from underoak.places.answers.rules import RuleOutcome, RuleState
from underoak.plan.keys.decision.rules import ConditionSpec, RuleSpec

if TYPE_CHECKING:
    import pandas as pd

    from underoak.plan.keys.plan_keys import PlanSpec

FIGURES = ("area_ha", "usable_ha", "trees", "trees_per_ha", "suitability", "p_s2", "excluded_share")
TEXTS = ("species", "hosts", "purpose")
_BELOW, _ABOVE = ("<", "<="), (">", ">=")


@dataclass(frozen=True, slots=True)
class AppliedCondition:
    """A condition with the figure or words of a parcel."""

    condition: ConditionSpec
    value: float | tuple[str, ...] | None  # None where the parcel has none
    holds: bool | None  # None where that is not known


@dataclass(frozen=True, slots=True)
class AppliedRule:
    """A rule applied to a parcel, with its conditions, and what the amount is counted on."""

    rule: RuleSpec
    conditions: tuple[AppliedCondition, ...]
    count: float | None  # trees or hectares that count, 1 for the parcel; None where they are not known

    @property
    def state(self) -> RuleState:
        """Whether the rule holds: not met where one condition fails, not known where one is not known."""
        holds = [each.holds for each in self.conditions]
        return RuleState.NOT_MET if False in holds else RuleState.UNKNOWN if None in holds else RuleState.MET

    @property
    def amount(self) -> float | None:
        """What a rule that is met brings, or with a minus costs; None where it has no amount or is not met."""
        if self.state is not RuleState.MET or self.rule.amount is None or self.count is None:
            return None
        amount = self.rule.amount * self.count
        limit = math.inf if self.rule.ceiling is None else self.rule.ceiling
        return math.copysign(min(abs(amount), limit), amount)


def apply_rule(rule: RuleSpec, row: Mapping[str, Any], plan: PlanSpec) -> AppliedRule:
    """Return a rule applied to a row of the table of parcels."""
    conditions = tuple(_apply(condition, row, plan) for condition in rule.when)
    units = {"tree": _figure("trees", row), "ha": _figure("usable_ha", row), "parcel": 1.0}[rule.per]
    count = None if units is None else min(units, math.inf if rule.up_to is None else rule.up_to)
    return AppliedRule(rule, conditions, count)


def with_rules(table: pd.DataFrame, rules: Sequence[RuleSpec], plan: PlanSpec) -> pd.DataFrame:
    """Return the table of parcels with the column `rules`; without rules as it is."""
    import pandas as pd

    if not rules:
        return table
    outcomes = []
    for row in table.drop(columns="geometry", errors="ignore").to_dict("records"):
        values = {str(name): value for name, value in row.items()}
        applied = [apply_rule(rule, values, plan) for rule in rules]
        outcomes.append(tuple(RuleOutcome(each.rule.rule, each.state, each.amount) for each in applied))
    return table.assign(rules=pd.Series(outcomes, table.index, dtype=object))


def _apply(condition: ConditionSpec, row: Mapping[str, Any], plan: PlanSpec) -> AppliedCondition:
    threshold = condition.threshold
    if isinstance(threshold, str):
        words = {"species": plan.species, "hosts": plan.hosts, "purpose": (plan.purpose,)}[condition.field]
        if not words:  # every host of the profile, or no species: nobody has chosen
            return AppliedCondition(condition, None, None)
        listed = {word.strip() for word in threshold.split(";")}
        is_in = set(words) <= listed
        holds = set(words).isdisjoint(listed) if condition.comparison == "not in" else is_in
        return AppliedCondition(condition, tuple(words), holds)
    figure = _figure(condition.field, row)
    if figure is None:
        return AppliedCondition(condition, None, None)
    if abs(figure - threshold) <= TIE:
        return AppliedCondition(condition, figure, condition.comparison in ("<=", ">=", "="))
    is_met = condition.comparison in (_BELOW if figure < threshold else _ABOVE)
    return AppliedCondition(condition, figure, is_met)


def _figure(field: str, row: Mapping[str, Any]) -> float | None:
    if field == "trees_per_ha":
        trees, area = _figure("trees", row), _figure("usable_ha", row)
        return None if trees is None or not area else trees / area
    value = row.get(field if field in FIGURES else f"value_{field}")
    return float(value) if isinstance(value, Real) and value == value else None
