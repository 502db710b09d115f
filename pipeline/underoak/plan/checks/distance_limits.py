"""Do constraints ask for distances that a layer does not tell: beyond `within` all are the same."""

from __future__ import annotations

from collections.abc import Mapping

from underoak.plan.checks.references import placed_constraints
from underoak.plan.keys.constraints import Comparison, LayerConstraint
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.quantities import quantity_in
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import Keys


def check_reach(spec: PlanSpec, layers: Mapping[str, LayerSpec], check: Check) -> None:
    """Tell every constraint that a capped distance would answer wrongly."""
    if check.problems.faults:
        return  # units and settings may be among them
    for way, constraint in placed_constraints(spec, check):
        if isinstance(constraint, LayerConstraint) and constraint.layer in layers:
            layer, unit = layers[constraint.layer], layers[constraint.layer].to or "m"
            reach = reach_of(layer, unit)
            if reach is None:
                continue
            asked = constraint.comparison.in_unit(unit)
            if is_beyond(asked, reach):
                _tell(constraint.layer, asked.value, reach, unit, check, (*way, "exclude"))


def reach_of(layer: LayerSpec, unit: str) -> float | None:
    """How far a layer of distances tells them, in `unit`; None for any other layer."""
    within = layer.settings.get("within") if layer.derive == "distance" else None
    return None if within is None else quantity_in(within, unit) if isinstance(within, str) else float(within)


def is_beyond(comparison: Comparison, reach: float) -> bool:
    """True when ground farther away than `reach`, which is told as `reach`, would be taken for nearer or for equal.

    >>> [is_beyond(Comparison.parse(text), 500.0) for text in ("< 30", "< 500", "<= 500", "> 500", "> 600")]
    [False, False, True, True, True]
    """
    return comparison.value > reach or (comparison.value == reach and comparison.sign not in ("<", ">="))


def _tell(name: str, asked: float, reach: float, unit: str, check: Check, way: Keys) -> None:
    what = f'"{name}" tells distances up to {reach:g} {unit}, all beyond as that, and is asked about {asked:g} {unit}'
    check.fault("E357", what, way, f"write a larger `within` under layers.{name}")
