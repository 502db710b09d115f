"""Summary of a plan's uncertainty, for people and for the manifest."""

from __future__ import annotations

from typing import Any

from underoak.plan.keys.layer import LayerSpec
from underoak.plan.plan import Plan

METHODS = {
    "draws": (
        "each source cell has its own normal numbers, keyed by seed, layer, cell and draw; stratified over the draws "
        "of each cell"
    ),
    "quantiles": "linear between quantiles over the normal score, extended beyond the outer two",
    "sd": "normal around the layer's value, limited to what is physically possible",
    "correlation": (
        "exponential along the rows and columns of a source, falling to 1/e over the range; then restored to equal "
        "shares of the normal distribution in each cell"
    ),
    "rules": "closed form, for a point at the grain of the map, not for the mean of a field",
    "constraints": "tested with the values of the layers as they are, in every draw",
}


def uncertainty_words(spec: LayerSpec) -> str:
    """Return the uncertainty of a layer in a few words.

    >>> uncertainty_words(LayerSpec.model_validate({"file": "clay.tif", "sd": "80 g/kg"}))
    'standard deviation 80 g/kg'
    """
    if spec.quantiles is not None:
        levels = sorted([*spec.quantiles, spec.file_level])
        return "quantiles " + ", ".join(f"{level:g}" for level in levels)
    return f"standard deviation {spec.sd}"


def uncertainty_lines(plan: Plan) -> list[str]:
    """Return the lines for `check`: the uncertain layers, how they are drawn, and the probability rules."""
    uncertainty = plan.uncertainty
    if uncertainty is None:
        return []
    lines = [
        f"uncertain {name}: {uncertainty_words(spec)}" for name, spec in plan.layers.items() if spec.has_uncertainty
    ]
    correlation = f"correlated over {uncertainty.correlation_range}" if uncertainty.range_m else "not correlated"
    lines.append(
        f"draws     {uncertainty.draws} from seed {uncertainty.seed}, {correlation}; constraints are not drawn"
    )
    for rule in uncertainty.ask:
        limit = rule.at_least if rule.is_at_least else rule.at_most
        side = "at least" if rule.is_at_least else "at most"
        lines.append(f"rule      {rule.name}: {rule.layer} {side} {limit}, in p_meets.{rule.name}.tif")
    return lines


def uncertainty_manifest(plan: Plan) -> dict[str, Any]:
    """Return the part of the manifest on uncertainty; empty if every layer is treated as exact."""
    uncertainty = plan.uncertainty
    if uncertainty is None:
        return {}
    uncertain = {name: uncertainty_words(spec) for name, spec in plan.layers.items() if spec.has_uncertainty}
    judged = {criterion.layer for criterion in plan.criteria}
    return {
        "uncertainty": {
            "seed": uncertainty.seed,
            "draws": uncertainty.draws,
            "correlation_range_m": uncertainty.range_m,
            "layers": uncertain,
            "drawn": [name for name in uncertain if name in judged],
            "asked": [rule.name for rule in uncertainty.ask],
            "methods": METHODS,
        }
    }
