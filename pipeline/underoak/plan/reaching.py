"""Do curves and constraints ask for distances that a layer does not tell: beyond `within` all are the same."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from underoak.plan.checking import Check
from underoak.plan.constraint_spec import Comparison, LayerConstraint
from underoak.plan.fields import quantity_in
from underoak.plan.joining import Joined
from underoak.plan.layer_spec import LayerSpec
from underoak.plan.linking import placed_constraints
from underoak.plan.model import PlanSpec
from underoak.plan.written import Keys

if TYPE_CHECKING:
    from underoak.overlay import Curve

_SHORT = 1e-6  # of membership: less is level


def check_reach(spec: PlanSpec, joined: Sequence[Joined], layers: Mapping[str, LayerSpec], check: Check) -> None:
    """Tell every constraint and curve that a capped distance would answer wrongly."""
    if check.problems.faults:
        return  # units and settings may be among them
    for way, constraint in placed_constraints(spec, check):
        if isinstance(constraint, LayerConstraint) and constraint.layer in layers:
            layer, unit = layers[constraint.layer], layers[constraint.layer].to or "m"
            reach = reach_of(layer, unit)
            if reach is not None and is_beyond(constraint.comparison.in_unit(unit), reach):
                _tell(constraint.layer, f"{constraint.comparison.value:g}", reach, unit, check, (*way, "exclude"))
    for criterion in joined:
        found = layers.get(criterion.layer)
        unit = criterion.unit or (found.to if found is not None and found.to else "m")
        reach = None if found is None else reach_of(found, unit)
        if reach is not None and not is_level(criterion.curve.curve(), reach):
            last = max(criterion.curve.curve().x)
            _tell(criterion.layer, f"{last:g}", reach, unit, check, ("layers", criterion.layer, "within"))


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


def is_level(curve: Curve, reach: float) -> bool:
    """True when a curve of nodes does not change any more beyond `reach`.

    >>> from underoak.overlay import Curve
    >>> is_level(Curve.ramp_up(0, 50), 50.0), is_level(Curve.ramp_up(0, 50), 40.0)
    (True, False)
    """
    from underoak.overlay import membership

    if curve.kind != "linear":
        return True
    there = float(membership(reach, curve))
    return all(abs(float(membership(x, curve)) - there) < _SHORT for x in curve.x if x > reach)


def _tell(name: str, asked: str, reach: float, unit: str, check: Check, way: Keys) -> None:
    what = f'"{name}" tells distances up to {reach:g} {unit}, all beyond as that, and is asked about {asked} {unit}'
    check.fault("E357", what, way, f"write a larger `within` under layers.{name}")
