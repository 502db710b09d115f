"""What a plan does about doubt, for people and for the manifest."""

from __future__ import annotations

from typing import Any

from underoak.plan.keys.layer import LayerSpec
from underoak.plan.plan import Plan

METHODS = {
    "draws": (
        "each source cell has its own normals, keyed by seed, layer, cell and draw; stratified over draws in every cell"
    ),
    "quantiles": "straight lines between quantiles over the normal score, the outer two drawn on",
    "sd": "normal around the layer's value, kept within what is physically possible",
    "correlation": (
        "along a source's rows and columns, exponential; the range is where it has fallen to 1/e; put back into equal "
        "shares of the normal cell by cell"
    ),
    "rules": "closed form, for a point at the grain of the map, not for the mean of a field",
    "constraints": "decided by the layers' own values in every draw",
}


def how_far_off(spec: LayerSpec) -> str:
    """A layer's doubt in a few words.

    >>> how_far_off(LayerSpec.model_validate({"file": "clay.tif", "sd": "80 g/kg"}))
    'standard deviation 80 g/kg'
    """
    if spec.quantiles is not None:
        levels = sorted([*spec.quantiles, spec.own_level])
        return "quantiles " + ", ".join(f"{level:g}" for level in levels)
    return f"standard deviation {spec.sd}"


def uncertainty_lines(plan: Plan) -> list[str]:
    """What `check` says: which layers are in doubt, how they are drawn, what is asked."""
    asked = plan.uncertainty
    if asked is None:
        return []
    lines = [f"doubt     {name}: {how_far_off(spec)}" for name, spec in plan.layers.items() if spec.has_uncertainty]
    apart = f"correlated over {asked.correlation_range}" if asked.range_m else "not correlated"
    lines.append(f"draws     {asked.draws} from seed {asked.seed}, {apart}; constraints are not drawn")
    for ask in asked.ask:
        limit = ask.at_least if ask.is_at_least else ask.at_most
        side = "at least" if ask.is_at_least else "at most"
        lines.append(f"asked     {ask.name}: {ask.layer} {side} {limit}, in p_meets.{ask.name}.tif")
    return lines


def uncertainty_manifest(plan: Plan) -> dict[str, Any]:
    """What the manifest says of a view; nothing when every layer is taken at its word."""
    asked = plan.uncertainty
    if asked is None:
        return {}
    uncertain = {name: how_far_off(spec) for name, spec in plan.layers.items() if spec.has_uncertainty}
    judged = {criterion.layer for criterion in plan.criteria}
    return {
        "uncertainty": {
            "seed": asked.seed,
            "draws": asked.draws,
            "correlation_range_m": asked.range_m,
            "layers": uncertain,
            "drawn": [name for name in uncertain if name in judged],
            "asked": [ask.name for ask in asked.ask],
            "methods": METHODS,
        }
    }
