"""Summary of a plan's uncertainty, for people and for the manifest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.uncertainty import deviation_at, deviation_in
from underoak.plan.plan import Plan

METHODS = {
    "draws": (
        "each source cell has its own normal numbers, keyed by seed, layer, cell and draw; stratified over the draws "
        "of each cell"
    ),
    "quantiles": "linear between quantiles over the normal score, extended beyond the outer two",
    "sd": "normal around the layer's value, limited to what is physically possible",
    "correlation": (
        "exponential along the rows and columns of a source, falling to 1/e over the range (practical range: three "
        "times that), by squares of the grain; the bias share of the variance is one normal for the whole map; then "
        "restored to equal shares of the normal distribution in each cell"
    ),
    "ranks": (
        "linear rule: 10,000 draws of the weights over the mean memberships of each data draw; other rules: every cell "
        "of a parcel judged in joint draws of data and weights; weights drawn by the name of their criterion"
    ),
    "rules": "closed form, for a point at the grain of the map, not for the mean of a field",
    "constraints": "tested with the values of the layers as they are, in every draw",
}


def uncertainty_words(spec: LayerSpec, cell_m: float) -> str:
    """Return the uncertainty of a layer in a few words; its source cells are `cell_m` wide [m].

    >>> uncertainty_words(LayerSpec.model_validate({"file": "clay.tif", "sd": "80 g/kg"}), 250.0)
    'standard deviation 80 g/kg'
    """
    if spec.quantiles is not None:
        levels = sorted([*spec.quantiles, spec.file_level])
        return "quantiles " + ", ".join(f"{level:g}" for level in levels)
    assert spec.sd is not None
    return f"standard deviation {deviation_at(spec.sd, cell_m)}"


def draw_lines(plan: Plan) -> list[str]:
    """Return the lines for `check` on how uncertain layers are drawn, and on the probability rules."""
    uncertainty = plan.uncertainty
    if uncertainty is None:
        return []
    lines = []
    correlation = f"correlated over {uncertainty.correlation_range}" if uncertainty.range_m else "not correlated"
    lines.append(
        f"draws     {uncertainty.draws} from seed {uncertainty.seed}, {correlation}; constraints are not drawn"
    )
    for rule in uncertainty.ask:
        limit = rule.at_least if rule.is_at_least else rule.at_most
        side = "at least" if rule.is_at_least else "at most"
        lines.append(f"rule      {rule.name}: {rule.layer} {side} {limit}, in p_meets.{rule.name}.tif")
    return lines


def uncertainty_manifest(plan: Plan, cell_sizes: Mapping[str, float], units: Mapping[str, str]) -> dict[str, Any]:
    """Return what the manifest says of a plan's uncertainty; empty if every layer is treated as exact.

    `cell_sizes` [m] and `units` are those of the layers that were opened.
    """
    uncertainty = plan.uncertainty
    if uncertainty is None:
        return {}
    uncertain = {
        name: uncertainty_words(spec, cell_sizes[name]) for name, spec in plan.layers.items() if spec.has_uncertainty
    }
    judged = {criterion.layer for criterion in plan.criteria}
    return {
        "seed": uncertainty.seed,
        "draws": uncertainty.draws,
        "correlation_range_m": uncertainty.range_m,
        "rank_draws": rank_draws(plan),
        "layers": uncertain,
        "bias_shares": {name: plan.layers[name].bias for name in uncertain},
        "assumed": {name: _assumed(plan, name, cell_sizes[name], units[name]) for name in plan.assumed_errors},
        "unknown": {name: why for name, why in plan.unknown_errors.items() if name not in plan.switched_off_errors},
        "switched_off": list(plan.switched_off_errors),
        "drawn": [name for name in uncertain if name in judged],
        "asked": [rule.name for rule in uncertainty.ask],
        "methods": METHODS,
    }


def rank_draws(plan: Plan) -> int:
    """Return the number of joint draws of data and weights that a case makes: a multiple of its draws, or 0."""
    from underoak.uncertainty.draws.rank_sums import needs_joint_draws

    uncertainty = plan.uncertainty
    if uncertainty is None or plan.parcels is None or not plan.case.is_present or not needs_joint_draws(plan.rules):
        return 0
    return -(-uncertainty.rank_draws // uncertainty.draws) * uncertainty.draws


def _assumed(plan: Plan, name: str, cell_m: float, unit: str) -> dict[str, Any]:
    """Return the assumed error of a layer, in the unit that it is used in."""
    spec, assumed = plan.layers[name], plan.assumed_errors[name]
    assert spec.sd is not None
    sd, is_share = deviation_in(deviation_at(spec.sd, cell_m), unit)
    return {
        "kind": assumed.kind,
        "sd": sd,
        "is_share": is_share,
        "unit": unit,
        "grain": spec.grain if assumed.has_grain else None,
        **{key: getattr(assumed.error, key) for key in ("cite", "source", "known", "grade")},
    }
