"""Keys of layers that nothing uses: the error and the soil of a layer matter to criteria, not to constraints."""

from __future__ import annotations

from collections.abc import Sequence

from underoak.plan.checks.criteria import CriterionInUse
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.reading.validation import Check

_KEYS = ("bias_share", "is_soil")


def check_idle_keys(spec: PlanSpec, criteria: Sequence[CriterionInUse], check: Check) -> None:
    """Warn of `bias_share` and `is_soil` of layers that no criterion and no probability rule uses (W219)."""
    if check.problems.faults:
        return  # the criterion that uses it may be the one with a fault
    rules = spec.uncertainty.ask if spec.uncertainty is not None else ()
    used = {criterion.layer for criterion in criteria} | {rule.layer for rule in rules}
    for name, layer in spec.layers.items():
        if name in used:
            continue
        for key in _KEYS:
            if getattr(layer, key) is not None:
                what = f"`{key}` changes nothing: no criterion and no rule of `uncertainty.ask` uses the layer"
                where = check.document.where(("layers", name, key))
                check.problems.add("W219", what, where, "remove it, or name the layer in a criterion")
