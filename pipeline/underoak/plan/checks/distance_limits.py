"""Limits of distance layers: beyond `within` all distances are equal, so no constraint may test them."""

from __future__ import annotations

from collections.abc import Mapping

from underoak.plan.keys.constraints import Comparison, LayerConstraint
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.quantities import quantity_in
from underoak.plan.reading.validation import Check


def check_distance_limits(spec: PlanSpec, layers: Mapping[str, LayerSpec], check: Check) -> None:
    """Report every constraint that a limited distance would judge wrongly (E357)."""
    if check.problems.faults:
        return  # units and settings may be wrong
    for key_path, constraint in zip(check.item_paths("constraints"), spec.constraints, strict=False):
        if isinstance(constraint, LayerConstraint) and constraint.layer in layers:
            layer, unit = layers[constraint.layer], layers[constraint.layer].to or "m"
            limit = distance_limit(layer, unit)
            if limit is None:
                continue
            comparison = constraint.comparison.in_unit(unit)
            if is_beyond(comparison, limit):
                what = (
                    f'"{constraint.layer}" measures distances up to {limit:g} {unit} only, '
                    f"and the constraint tests {comparison.value:g} {unit}"
                )
                fix = f"write a larger `within` under layers.{constraint.layer}"
                check.add_fault("E357", what, (*key_path, "exclude"), fix)


def distance_limit(layer: LayerSpec, unit: str) -> float | None:
    """Return the largest distance in a distance layer, in `unit`; None for any other layer."""
    within = layer.settings.get("within") if layer.derive == "distance" else None
    return None if within is None else quantity_in(within, unit) if isinstance(within, str) else float(within)


def is_beyond(comparison: Comparison, limit: float) -> bool:
    """Return True if a comparison gives wrong results where distances above `limit` are stored as `limit`.

    >>> [is_beyond(Comparison.parse(text), 500.0) for text in ("< 30", "< 500", "<= 500", "> 500", "> 600")]
    [False, False, True, True, True]
    """
    return comparison.value > limit or (comparison.value == limit and comparison.sign not in ("<", ">="))
