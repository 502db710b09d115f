"""From a plan's words on doubt to what is drawn: which layers, how far off, between which limits."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.units import QUANTITIES, quantity_of
from underoak.engine.judge.block_draws import CaseUncertainty, ProbabilityRule
from underoak.layers.decoding.rules import unit_step
from underoak.layers.derivation.source_layer import clip_to_source
from underoak.layers.quantile_layers import Quantiles
from underoak.layers.shapes.distance import ShapeDistance
from underoak.layers.stack import Stack, StackedLayer
from underoak.layers.uncertain_layers import Limits, UncertainLayer
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.uncertainty import deviation_in
from underoak.plan.plan import Plan
from underoak.uncertainty.draws.cell_draws import Correlation

_DEGREE = 111_195.0  # [m] of latitude, on the sphere


def uncertainty_of(
    plan: Plan, layers: tuple[StackedLayer, ...], stacked: Mapping[str, str], units: Mapping[str, str],
    quantiles: Mapping[str, Quantiles], stack: Stack, problems: Problems,
) -> CaseUncertainty | None:  # fmt: skip
    """What one view of a plan draws and asks; None when it takes every layer at its word.

    `stacked` are the stack's names of the view's layers and quantiles, `units` those of the layers' values.
    """
    asked = plan.uncertainty
    if asked is None:
        return None
    by_name = {layer.name: layer for layer in layers}
    found: dict[str, UncertainLayer] = {}
    for name, spec in plan.layers.items():
        if not spec.has_uncertainty or name not in by_name:
            continue
        try:
            found[name] = _uncertain(
                name, spec, by_name[name], stacked, units[name], quantiles.get(name, ()), stack, asked.range_m
            )
        except UnderoakError as error:
            problems.extend(replace(f, where=f.where or f"layers.{name}.sd") for f in error.faults)
    asks = []
    for ask in asked.ask:
        if ask.layer not in found:
            continue
        try:
            asks.append(ProbabilityRule(ask.name, found[ask.layer], ask.limit_in(units[ask.layer]), ask.is_at_least))
        except UnderoakError as error:
            problems.extend(replace(f, where=f.where or f"uncertainty.ask ({ask.name})") for f in error.faults)
    judged = dict.fromkeys(criterion.layer for criterion in plan.criteria)
    drawn = tuple(found[name] for name in judged if name in found)
    if not drawn and not asks and not problems.faults:
        what = "nothing that is judged is in doubt, and no rule is asked about: there is nothing to draw"
        problems.add("E362", what, "uncertainty", "give `quantiles` or `sd` to a layer that a criterion judges")
    return CaseUncertainty(asked.draws, asked.seed, drawn, tuple(asks), tuple(plan.outputs.quantiles or ()))


def _uncertain(
    name: str, spec: LayerSpec, layer: StackedLayer, stacked: Mapping[str, str], unit: str, quantiles: Quantiles,
    stack: Stack, range_m: float,
) -> UncertainLayer:  # fmt: skip
    sd, is_share = deviation_in(spec.sd, unit) if spec.sd is not None else (0.0, False)
    return UncertainLayer(
        layer=stacked[name],
        key=name,
        limits=_limits(layer, spec, unit),
        sd=sd,
        is_share=is_share,
        levels=tuple(level for level, _ in quantiles),
        level_layers=tuple(stacked[each.name] for _, each in quantiles),
        correlation=_correlation(stack, stacked[name], range_m),
    )


def _limits(layer: StackedLayer, spec: LayerSpec, unit: str) -> Limits:
    """What values can be: the bounds that readings are held to, else those of the indicator, else of the quantity."""
    native: Any = layer.source_layer
    if isinstance(native.source, ShapeDistance):
        low, high = native.valid or (native.to_plan_unit(0.0), native.to_plan_unit(native.source.max_distance))
        return float(low), float(high)
    if native.indicator is None:
        encoding = native.source.encoding
        return float(encoding.low), float(encoding.high)
    if native.valid is not None:
        return float(native.valid[0]), float(native.valid[1])
    low, high = sorted((native.to_plan_unit(native.indicator.low), native.to_plan_unit(native.indicator.high)))
    known = QUANTITIES[quantity_of(unit or "dimensionless", spec.quantity)]
    if known.unit and unit:
        try:
            step = unit_step(known.unit, unit)
        except UnderoakError:
            return float(low), float(high)
        bounds = sorted((step(known.low), step(known.high)))
        low, high = (b if math.isinf(a) else a for a, b in zip((low, high), bounds, strict=True))
    return float(low), float(high)


def _correlation(stack: Stack, name: str, range_m: float) -> Correlation:
    """Correlation over a layer's own cells.

    Cells in degrees are measured at the nearest five degrees of latitude, so that neighbouring regions draw alike.
    """
    layer = next(layer for layer in stack.layers if layer.name == name)
    grid = layer.source_layer.source.grid
    across, down = grid.cell_size
    if not _crs.is_geographic(grid.crs):
        metres = _crs.unit_m(grid.crs)
        return Correlation.of(range_m, down * metres, across * metres)
    window = clip_to_source(layer.source_layer.source, stack.region_window(layer))
    _, latitude = grid.xy(window.col + window.cols / 2, window.row + window.rows / 2)
    narrowing = math.cos(math.radians(min(5.0 * round(abs(latitude) / 5.0), 85.0)))
    return Correlation.of(range_m, down * _DEGREE, across * _DEGREE * narrowing)
