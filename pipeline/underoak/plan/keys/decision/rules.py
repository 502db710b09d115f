"""The key `rules`, and a file of rules: conditions and amounts of aids, fees and limits that you keep yourself."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from underoak.plan.keys.decision.deal import STALE_AFTER, Date
from underoak.plan.keys.quantities import File, Number, Text, Whole
from underoak.plan.reading.spec import Spec

Comparison = Literal["<", "<=", ">", ">=", "=", "in", "not in"]
COMPARISONS: tuple[Comparison, ...] = ("<", "<=", ">", ">=", "=", "in", "not in")
Per = Literal["tree", "ha", "parcel"]
RULE_NAME = r"^[^;:]{1,60}$"  # a column of the table holds names, parted by these marks


class ConditionSpec(Spec):
    """One condition of a rule."""

    field: Text
    """What is compared, such as trees, usable_ha, species, or a criterion of the plan by name."""
    comparison: Comparison
    """`<`, `<=`, `>`, `>=` or `=` with a number; `=`, `in` or `not in` with words."""
    threshold: Number | Text
    """What it is compared with; several words are parted by semicolons."""


class RuleSpec(Spec):
    """A rule of yours. All its conditions must hold."""

    rule: Annotated[Text, Field(pattern=RULE_NAME)]
    """Its name."""
    when: Annotated[tuple[ConditionSpec, ...], Field(min_length=1, max_length=20)]
    """Its conditions."""
    amount: Number | None = None
    """What it brings, or with a minus what it costs, in the currency of `prices`."""
    per: Per = "parcel"
    """What the amount is for: each tree, each usable hectare, or the parcel. Default: parcel."""
    up_to: Annotated[Number, Field(gt=0)] | None = None
    """The most trees or hectares that count. Default: all."""
    ceiling: Annotated[Number, Field(gt=0)] | None = None
    """The most money. Default: no ceiling."""
    source: Text
    """Where it was printed, and by whom."""
    date: Date
    """Day on which you read it, or from which it holds."""
    note: Text | None = None
    """Anything else to remember."""


class RuleFile(Spec):
    """A YAML file of rules."""

    rules: Annotated[tuple[RuleSpec, ...], Field(min_length=1, max_length=200)]
    """The rules."""


def _with_file_key(value: object) -> object:
    return {"file": value} if isinstance(value, str) else value


class RulesSpec(Spec):
    """The file of your rules."""

    file: File
    """A YAML file, or a CSV file in UTF-8: rule, field, comparison, threshold, source, date; optionally amount, per,
    up_to, ceiling, note. Rows with one name are conditions of one rule."""
    stale_after: Annotated[Whole, Field(ge=1, le=600)] = STALE_AFTER
    """Months after which a rule is said to be old. Default: 12 (common practice, no source)."""


Rules = Annotated[RulesSpec, BeforeValidator(_with_file_key, json_schema_input_type=File | RulesSpec)]
