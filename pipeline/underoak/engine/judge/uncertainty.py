"""The uncertainty of a case: the layers to draw, their errors, limits and correlation, from its plan."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from underoak.base.errors import Problems, UnderoakError
from underoak.base.units import QUANTITIES, quantity_of
from underoak.engine.judge.block_draws import CaseUncertainty, ProbabilityRule
from underoak.layers.decoding.rules import unit_step
from underoak.layers.quantile_layers import Quantiles
from underoak.layers.shapes.distance import ShapeDistance
from underoak.layers.stack import Stack, StackedLayer
from underoak.layers.uncertain_layers import Limits, UncertainLayer, cell_size_m, error_correlation
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import DRAWN_PURPOSES
from underoak.plan.keys.uncertainty import UncertaintySpec, deviation_at, deviation_in
from underoak.plan.plan import Plan
from underoak.plan.uncertainty_summary import rank_draws
from underoak.uncertainty.draws.error_model import ErrorModel


@dataclass(frozen=True, slots=True)
class TogetherPair:
    """Two layers whose errors are correlated."""

    first: str
    second: str
    correlation: float  # as in the plan
    is_local: bool  # they lie on one grid with one grain; else only the common parts are correlated
    realised: float  # the correlation of their errors at one place


def uncertainty_of(
    plan: Plan, layers: tuple[StackedLayer, ...], stacked: Mapping[str, str], units: Mapping[str, str],
    quantiles: Mapping[str, Quantiles], stack: Stack, problems: Problems,
) -> CaseUncertainty | None:  # fmt: skip
    """Return the draws and probability rules of a case; None if its plan has no `uncertainty`.

    `stacked` are the stack's names of the case's layers and quantiles, `units` those of the layers' values. Faults go
    to `problems`.
    """
    spec = plan.uncertainty
    if spec is None:
        return None
    by_name = {layer.name: layer for layer in layers}
    uncertain: dict[str, UncertainLayer] = {}
    for name, layer_spec in plan.layers.items():
        if not layer_spec.has_uncertainty or name not in by_name:
            continue
        try:
            uncertain[name] = _uncertain_layer(
                name, layer_spec, by_name[name], stacked, units[name], quantiles.get(name, ()), stack, spec.range_m
            )
        except UnderoakError as error:
            key = "kind_of" if name in plan.assumed_errors else "sd"
            problems.extend(replace(f, where=f.where or f"layers.{name}.{key}") for f in error.faults)
    uncertain = _with_together(spec, uncertain, by_name, plan)
    rules = []
    for rule in spec.ask:
        if rule.layer not in uncertain:
            continue
        try:
            limit = rule.limit_in(units[rule.layer])
            rules.append(ProbabilityRule(rule.name, uncertain[rule.layer], limit, rule.is_at_least))
        except UnderoakError as error:
            problems.extend(replace(f, where=f.where or f"uncertainty.ask ({rule.name})") for f in error.faults)
    judged = dict.fromkeys(criterion.layer for criterion in plan.criteria)
    drawn = tuple(uncertain[name] for name in judged if name in uncertain)
    if not drawn and not rules and not problems.faults and plan.purpose not in DRAWN_PURPOSES:
        what = "no criterion uses an uncertain layer and there is no probability rule, so there is nothing to draw"
        problems.add("E362", what, "uncertainty", "give `quantiles` or `sd` to a layer that a criterion judges")
    levels = tuple(plan.outputs.quantiles or ())
    return CaseUncertainty(spec.draws, spec.seed, drawn, tuple(rules), levels, rank_draws(plan))


def _with_together(
    spec: UncertaintySpec, uncertain: Mapping[str, UncertainLayer], layers: Mapping[str, StackedLayer], plan: Plan
) -> dict[str, UncertainLayer]:
    """Return the layers with errors that go together."""
    table, changed = spec.layers_together, dict(uncertain)
    common = table.sums(list(uncertain))
    for name in common:
        alike = [other for other in common if _share_a_grid(layers[name], layers[other], plan)]
        errors = replace(uncertain[name].errors, common=common[name], local=table.sums(alike)[name])
        changed[name] = replace(uncertain[name], errors=errors)
    return changed


def together_pairs(plan: Plan, layers: Iterable[StackedLayer]) -> tuple[TogetherPair, ...]:
    """Return the pairs of layers whose errors are correlated, in the order of their names."""
    if plan.uncertainty is None:
        return ()
    table, by_name, pairs = plan.uncertainty.layers_together, {layer.name: layer for layer in layers}, []
    for first, second in sorted(table.stated):
        if not all(name in by_name and plan.layers[name].has_uncertainty for name in (first, second)):
            continue
        correlation = float(table.matrix[table.names.index(first), table.names.index(second)])
        a, b = plan.layers[first].bias, plan.layers[second].bias
        is_local = _share_a_grid(by_name[first], by_name[second], plan)
        share = math.sqrt(a * b) + (math.sqrt((1.0 - a) * (1.0 - b)) if is_local else 0.0)
        pairs.append(TogetherPair(first, second, correlation, is_local, correlation * share))
    return tuple(pairs)


def _share_a_grid(one: StackedLayer, other: StackedLayer, plan: Plan) -> bool:
    """Return True if the local errors of two layers are drawn for the same squares of the ground."""
    a, b = one.source_layer.source, other.source_layer.source
    is_same_grid = a.grid.crs == b.grid.crs and a.grid.transform == b.grid.transform
    is_same_turn = a.is_periodic == b.is_periodic and (not a.is_periodic or a.grid.cols == b.grid.cols)
    grains = [error_correlation(a.grid, a.grid, 0.0, plan.layers[layer.name].grain_m) for layer in (one, other)]
    return is_same_grid and is_same_turn and grains[0] == grains[1]


def _uncertain_layer(
    name: str, spec: LayerSpec, layer: StackedLayer, stacked: Mapping[str, str], unit: str, quantiles: Quantiles,
    stack: Stack, range_m: float,
) -> UncertainLayer:  # fmt: skip
    sd, is_share = 0.0, False
    if spec.sd is not None:
        cell_m = cell_size_m(layer.source_layer.source.grid, spec.grain_m)
        sd, is_share = deviation_in(deviation_at(spec.sd, cell_m), unit)
    correlation = error_correlation(layer.source_layer.source.grid, stack.grid, range_m, spec.grain_m)
    return UncertainLayer(
        layer=stacked[name],
        errors=ErrorModel(name, correlation, spec.bias),
        limits=_limits(layer, spec, unit),
        sd=sd,
        is_share=is_share,
        levels=tuple(level for level, _ in quantiles),
        level_layers=tuple(stacked[each.name] for _, each in quantiles),
    )


def _limits(layer: StackedLayer, spec: LayerSpec, unit: str) -> Limits:
    """Return the possible values: the layer's valid range, else the indicator's limits, else the quantity's."""
    source_layer: Any = layer.source_layer
    convert = source_layer.to_plan_unit
    if isinstance(source_layer.source, ShapeDistance):
        low, high = source_layer.valid or (convert(0.0), convert(source_layer.source.max_distance))
        return float(low), float(high)
    if source_layer.indicator is None:
        encoding = source_layer.source.encoding
        return float(encoding.low), float(encoding.high)
    if source_layer.valid is not None:
        return float(source_layer.valid[0]), float(source_layer.valid[1])
    low, high = sorted((convert(source_layer.indicator.low), convert(source_layer.indicator.high)))
    quantity = QUANTITIES[quantity_of(unit or "dimensionless", spec.quantity)]
    if quantity.unit and unit:
        try:
            step = unit_step(quantity.unit, unit)
        except UnderoakError:
            return float(low), float(high)
        bounds = sorted((step(quantity.low), step(quantity.high)))
        low, high = (b if math.isinf(a) else a for a, b in zip((low, high), bounds, strict=True))
    return float(low), float(high)
