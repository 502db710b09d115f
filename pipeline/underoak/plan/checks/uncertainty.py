"""Does what a plan says of doubt fit its layers: names, units, and that there is something to draw at all."""

from __future__ import annotations

from underoak.base.errors import UnderoakError
from underoak.plan.checks.references import check_layer, unit_in_use
from underoak.plan.keys.layer import LayerSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.uncertainty import AskSpec, deviation_in
from underoak.plan.reading.validation import Check
from underoak.plan.reading.yaml import Keys


def check_uncertainty(spec: PlanSpec, check: Check) -> None:
    """Tell every fault of `uncertainty`, and of what layers say of their doubt."""
    for name, layer in spec.layers.items():
        if layer.sd is not None:
            _check_deviation(layer.sd, layer, ("layers", name, "sd"), check)
        for origin in layer.origins.values():
            source = spec.layers.get(origin)
            if (
                spec.uncertainty is not None
                and source is not None
                and source.has_uncertainty
                and not layer.has_uncertainty
            ):
                what = f'the doubt of "{origin}" does not reach what is derived from it'
                where = check.written.where(("layers", name))
                check.problems.add("W218", what, where, "give `sd` here too, if it matters")
    asked = spec.uncertainty
    if asked is None:
        if spec.outputs.quantiles is not None:
            what = "quantiles of suitability come from draws, and the plan asks for none"
            check.fault("E362", what, ("outputs", "quantiles"), "add `uncertainty`")
        return
    if not any(layer.has_uncertainty for layer in spec.layers.values()):
        if check.is_broken(("layers",)) and any(_lost_uncertainty(name, check) for name in check.names("layers")):
            return
        what = "no layer says how far off it may be, so that there is nothing to draw"
        check.fault("E362", what, ("uncertainty",), "give a layer `quantiles` or `sd`")
        return
    for n, ask in enumerate(asked.ask):
        _check_ask(ask, ("uncertainty", "ask", n), spec, check)
    for name, deviation in asked.lab_error.items():
        way: Keys = ("uncertainty", "lab_error", name)
        check_layer(name, way, check)
        if name in spec.layers:
            _check_deviation(deviation, spec.layers[name], way, check)


def _lost_uncertainty(name: str, check: Check) -> bool:
    """True when a layer's doubt is written, or may be, and told as a fault already."""
    return any(check.is_broken(("layers", name, key)) for key in ("quantiles", "sd"))


def _check_ask(ask: AskSpec, way: Keys, spec: PlanSpec, check: Check) -> None:
    check_layer(ask.layer, (*way, "layer"), check)
    layer = spec.layers.get(ask.layer)
    if layer is None:
        return
    if not layer.has_uncertainty and not _lost_uncertainty(ask.layer, check):
        what = f'the layer "{ask.layer}" says nothing of its doubt'
        check.fault("E362", what, (*way, "layer"), "give it `quantiles` or `sd`, or ask about another layer")
    unit = unit_in_use(layer)
    if unit is not None:
        try:
            ask.limit_in(unit)
        except UnderoakError as error:
            check.add_error(error, (*way, "at_least" if ask.is_at_least else "at_most"))


def _check_deviation(deviation: str | float, layer: LayerSpec, way: Keys, check: Check) -> None:
    unit = unit_in_use(layer)
    if unit is not None:
        try:
            deviation_in(deviation, unit)
        except UnderoakError as error:
            check.add_error(error, way)
